"""The living margin of drawn wounds, against its length by geometry."""

import numpy as np
import pytest

from polypvision.measure.wounds import find_wound

_ROWS, _COLUMNS = np.mgrid[-170:171, -170:171].astype(float)


def _half_disc(angle_deg: float, radius: float) -> np.ndarray:
    turn = np.deg2rad(angle_deg)
    across = _COLUMNS * np.cos(turn) + _ROWS * np.sin(turn)
    return np.asarray((np.hypot(_ROWS, _COLUMNS) <= radius) & (across < 0))


@pytest.mark.parametrize("angle_deg", [0, 20, 45, 70, 200])
def test_a_band_along_a_cut_has_one_living_margin_whatever_its_direction(angle_deg: float) -> None:
    piece = _half_disc(angle_deg, 150)
    turn = np.deg2rad(angle_deg)
    band = piece & (_COLUMNS * np.cos(turn) + _ROWS * np.sin(turn) > -20)
    wound = find_wound(band.astype(np.float32), piece, 10.0)
    # The chord 20 px from the middle of a disc of 150 px; the cut edge itself is no margin.
    assert wound.margin_px == pytest.approx(2 * np.sqrt(150**2 - 20**2), rel=0.02)


@pytest.mark.parametrize("radius", [20, 60, 100])
def test_a_half_disc_on_the_cut_edge_has_its_arc_for_margin(radius: float) -> None:
    wound = find_wound(_half_disc(30, radius).astype(np.float32), _half_disc(30, 150), 10.0)
    assert wound.margin_px == pytest.approx(np.pi * radius, rel=0.03)


def test_the_advance_of_a_raster_disc_is_that_of_its_radius() -> None:
    # Discs of 100 and 60 px: the truth is 40. With a perimeter counted from 8-connected pixels
    # Gilman's advance reads 38.07 (computed with scikit-image 0.26).
    whole = np.hypot(_ROWS, _COLUMNS) <= 160
    large, small = (
        find_wound((np.hypot(_ROWS, _COLUMNS) <= radius).astype(np.float32), whole, 10.0)
        for radius in (100, 60)
    )
    advance = 2 * (large.area_px - small.area_px) / (large.margin_px + small.margin_px)
    assert advance == pytest.approx(40, rel=0.01)
