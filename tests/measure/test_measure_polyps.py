"""Sizes and wounds in mm, on maps whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest
from map_makers import Disc, blank_view, perfect_maps
from skimage.color import rgb2lab

from polypvision.calibrate.view import PlateView
from polypvision.measure.polyps import measure_polyps
from polypvision.mouths.find import find_mouths
from polypvision.reading import Polyp, Scale
from polypvision.segment.discs import segment_polyps


def _read(
    view: PlateView, discs: list[Disc], wounds: list[Disc] | None = None, normal_mouths: int = 1
) -> tuple[Polyp, ...]:
    maps = perfect_maps(view, discs, wounds=wounds)
    polyp_map = segment_polyps(view, maps)
    mouths = find_mouths(view, maps, polyp_map)
    return measure_polyps(view, maps, polyp_map, mouths, normal_mouths=normal_mouths)


@pytest.mark.parametrize("diameter", [4.0, 10.0, 35.0])
def test_a_disc_has_its_diameter_area_and_feret(diameter: float) -> None:
    [polyp] = _read(blank_view(50, 50), [(25.0, 25.0, diameter)])
    # Half a view pixel: pixel centres within a circle of 12 px are 2.4 % fewer than its area.
    assert polyp.diameter_mm == pytest.approx(diameter, abs=0.08)
    assert polyp.feret_max_mm == pytest.approx(diameter, abs=0.15)
    assert polyp.area_mm2 == pytest.approx(np.pi / 4 * diameter**2, rel=0.04)
    assert (polyp.x_mm, polyp.y_mm) == pytest.approx((25.0, 25.0), abs=0.05)
    assert polyp.wound_mm2 == 0
    assert polyp.flags == ()


def test_a_wound_is_measured_and_flagged() -> None:
    # A round wound reaching 2 mm into the disc from its rim; exact area of the lens of two discs.
    disc, wound = (25.0, 25.0, 20.0), (36.0, 25.0, 8.0)
    [polyp] = _read(blank_view(50, 50), [disc], wounds=[wound])
    r, s, d = 10.0, 4.0, 11.0
    lens = (
        r**2 * np.arccos((d**2 + r**2 - s**2) / (2 * d * r))
        + s**2 * np.arccos((d**2 + s**2 - r**2) / (2 * d * s))
        - 0.5 * np.sqrt((-d + r + s) * (d + r - s) * (d - r + s) * (d + r + s))
    )
    assert polyp.wound_mm2 == pytest.approx(lens, rel=0.06)
    assert "wound" in polyp.flags
    assert len(polyp.wound_outlines_px) == 1
    assert 0 < polyp.wound_margin_mm < 2 * np.pi * s


def test_touching_and_edge_are_flagged() -> None:
    touching = _read(blank_view(60, 40), [(20.0, 20.0, 16.0), (35.5, 20.0, 16.0)])
    assert all("touching" in polyp.flags for polyp in touching)
    [cut_off] = _read(blank_view(40, 40), [(2.0, 20.0, 14.0)])
    assert "touches-edge" in cut_off.flags


def test_glare_is_flagged() -> None:
    view = blank_view(40, 40)
    bright = view.rgb.copy()
    bright[110:140, 110:140] = 255
    [polyp] = _read(replace(view, rgb=bright), [(20.0, 20.0, 14.0)])
    assert "glare" in polyp.flags


def test_uncertainty_is_unknown_without_a_known_scale_and_grows_with_it() -> None:
    view = blank_view(40, 40)
    [unknown] = _read(view, [(20.0, 20.0, 14.0)])
    assert np.isnan(unknown.diameter_mm_err)
    errs = []
    for relative in (0.002, 0.02):
        mm = view.scale.mm_per_px
        scale = Scale(mm_per_px=mm, mm_per_px_err=relative * mm, source="card")
        known = replace(view, scale=scale)
        [polyp] = _read(known, [(20.0, 20.0, 14.0)])
        errs.append(polyp.diameter_mm_err)
    # Scale enters the diameter once: 2 % of 14 mm is 0.28 mm; a perfect outline adds next to none.
    assert errs[1] == pytest.approx(0.28, abs=0.005)
    assert errs[0] < errs[1]


def test_more_mouths_than_normal_are_flagged_by_the_line_s_normal() -> None:
    view = blank_view(50, 50)
    maps = perfect_maps(view, [(25, 25, 26)], mouths=[(20.0, 25.0), (30.0, 25.0)])
    polyp_map = segment_polyps(view, maps)
    mouths = find_mouths(view, maps, polyp_map)
    [usual] = measure_polyps(view, maps, polyp_map, mouths)
    [many] = measure_polyps(view, maps, polyp_map, mouths, normal_mouths=3)
    assert "two-mouths" in usual.flags
    assert "two-mouths" not in many.flags
    assert usual.n_mouths == many.n_mouths == 2


def test_a_disc_s_colour_is_the_library_s_and_a_pale_cut_leaves_it() -> None:
    # CIELAB of the same code by scikit-image. Its D65 white has other last digits than OpenCV's,
    # and so b* differs by some thousandths.
    code = np.array([90, 140, 60], np.uint8)
    view = blank_view(50, 50)
    rgb = view.rgb.copy()
    rgb[:] = code
    rgb[:, 180:] = 230  # the right third of the disc
    [polyp] = _read(replace(view, rgb=rgb), [(25.0, 25.0, 20.0)])
    assert polyp.colour_lab == pytest.approx(rgb2lab(code / 255), abs=0.01)
