import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from time_builders import grid

from polypvision.reading import Points
from polypvision.track.motion import Constellation, PlateMotion, estimate_motion, fit_rigid


def _plate(rng: np.random.Generator) -> tuple[Points, NDArray[np.float64]]:
    places = np.array(grid(4, 4, 34.0)) + rng.uniform(-4, 4, (16, 2))
    return places, rng.uniform(12, 28, 16)


def _estimate(
    known: Points, known_sizes: NDArray[np.float64], seen: Points, seen_sizes: NDArray[np.float64]
) -> PlateMotion:
    return estimate_motion(
        Constellation(xy_mm=known, diameter_mm=known_sizes),
        Constellation(xy_mm=seen, diameter_mm=seen_sizes),
    )


def _seen_from(motion: PlateMotion, places: Points) -> Points:
    """Where the polyps must be seen so that `motion` carries them to `places`."""
    turn = np.deg2rad(motion.turn_deg)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    seen: Points = (places - motion.shift_mm) @ matrix
    return seen


@given(
    turn_deg=st.floats(-18, 18),
    x_mm=st.floats(-12, 12),
    y_mm=st.floats(-12, 12),
    seed=st.integers(0, 10_000),
)
@settings(max_examples=25, deadline=None)
def test_motion_is_found_despite_losses_and_strays(
    turn_deg: float, x_mm: float, y_mm: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    places, sizes = _plate(rng)
    middle = places.mean(axis=0)
    offset = middle - PlateMotion(turn_deg=turn_deg).apply(middle[None])[0]
    shift = (float(offset[0] + x_mm), float(offset[1] + y_mm))
    motion = PlateMotion(turn_deg=turn_deg, shift_mm=shift)
    seen = _seen_from(motion, places) + rng.normal(0, 0.3, (16, 2))
    # Three are gone, two strays have come, one crept 3 mm.
    seen, seen_sizes = seen[3:], sizes[3:]
    seen[0] += (3.0, 0.0)
    seen = np.vstack([seen, rng.uniform(20, 120, (2, 2))])
    seen_sizes = np.append(seen_sizes, [15.0, 22.0])
    found = _estimate(places, sizes, seen, seen_sizes)
    # Noise of 0.3 mm on about twelve points: 0.1 mm on their mean, 0.15 degrees; six times that.
    moved = found.apply(seen[1:13])
    assert np.abs(moved - places[4:16]).max() < 1.6
    assert found.turn_deg == pytest.approx(turn_deg, abs=0.9)
    assert found.agreeing >= 12


def test_a_plate_turned_by_half_is_recognised() -> None:
    rng = np.random.default_rng(3)
    places, sizes = _plate(rng)
    motion = PlateMotion(turn_deg=180.0, shift_mm=(160.0, 150.0))
    found = _estimate(places, sizes, _seen_from(motion, places), sizes)
    assert np.abs(found.apply(_seen_from(motion, places)) - places).max() < 1e-6


def test_a_plate_that_lay_still_has_not_jumped_by_one_place_of_its_grid() -> None:
    places = np.array(grid(4, 3, 30.0))
    sizes = np.full(12, 20.0)
    # The first column is gone: a jump by one column would explain as much of what is left.
    keep = places[:, 0] > 30
    found = _estimate(places, sizes, places[keep], sizes[keep])
    assert np.abs(found.apply(places) - places).max() < 1e-6


def test_too_few_to_tell() -> None:
    places, sizes = _plate(np.random.default_rng(1))
    for n in (0, 1, 2):
        found = _estimate(places, sizes, places[:n] + 5.0, sizes[:n])
        assert found == PlateMotion()


def test_a_plate_laid_anew_without_a_likeness_gives_no_motion() -> None:
    rng = np.random.default_rng(5)
    places, sizes = _plate(rng)
    others = rng.uniform(0, 150, (16, 2))
    found = _estimate(places, sizes, others, np.full(16, 60.0))
    assert found == PlateMotion()


def test_fit_is_exact_on_exact_points() -> None:
    places = np.array([[0.0, 0.0], [50.0, 0.0], [0.0, 30.0]])
    motion = PlateMotion(turn_deg=12.5, shift_mm=(3.0, -4.0))
    found = fit_rigid(_seen_from(motion, places), places)
    assert found.turn_deg == pytest.approx(12.5, abs=1e-9)
    assert found.shift_mm == pytest.approx((3.0, -4.0), abs=1e-9)
