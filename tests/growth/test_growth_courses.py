from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from time_builders import make_polyp, make_reading

from polypvision.growth import PlateGrowth, growth_of
from polypvision.growth.courses import fit_rate
from polypvision.healing import wound_courses
from polypvision.track import link_readings

DAYS = (0, 14, 28, 42, 56, 70, 84)
DIAMETERS = (20.0, 21.3, 22.1, 23.8, 24.6, 26.4, 27.1)


def _growth(
    diameters: Sequence[float], days: Sequence[float] = DAYS, *, err: float = 0.2, wound: float = 0
) -> PlateGrowth:
    readings = [
        make_reading(
            day, [make_polyp(1, 50, 50, size, diameter_mm_err=err, wound_mm2=wound * (n == 0))]
        )
        for n, (day, size) in enumerate(zip(days, diameters, strict=False))
    ]
    tracks = link_readings(readings)
    return growth_of(tracks, wound_courses(tracks))


def test_even_growth_is_found_again() -> None:
    # 20 to 35 mm in 90 days is 0.006217953 a day.
    days = (0, 30, 60, 90)
    growth = _growth([20 * (35 / 20) ** (day / 90) for day in days], days)
    (course,) = growth.individuals
    assert course.rate is not None
    assert course.rate.per_day == pytest.approx(0.006217953, abs=1e-9)
    assert course.rate.robust_per_day == pytest.approx(0.006217953, abs=1e-9)
    assert growth.rate is not None
    assert growth.rate.per_day == pytest.approx(2 * 0.006217953, abs=1e-8)
    assert course.rate.percent_per_week == pytest.approx(100 * (np.exp(7 * 0.006217953) - 1))
    assert course.sentence.startswith("grows +4.4 ±")


def test_slope_in_mm_a_week() -> None:
    (course,) = _growth(DIAMETERS, err=0.0).individuals
    assert course.rate is not None
    # Reference computed with statsmodels' OLS: 0.0867347 +- 0.0035348 mm a day.
    assert course.rate.unit_per_week == pytest.approx(7 * 0.0867347, abs=1e-6)
    assert course.rate.unit_per_week_err == pytest.approx(7 * 0.0035348, abs=1e-6)


def test_stated_errors_count_where_the_points_lie_on_a_line_by_luck() -> None:
    days = (0, 10, 20)
    (course,) = _growth([20 * np.exp(0.01 * day) for day in days], days, err=0.4).individuals
    assert course.rate is not None
    # By hand: errors of ln are 0.4/20 and 0.4/24.43 at -10 and +10 days; Sxx = 200.
    expected = np.hypot(10 * 0.4 / 20, 10 * 0.4 / (20 * np.exp(0.2))) / 200
    assert course.rate.per_day_err == pytest.approx(expected)


def test_two_dates_give_no_rate() -> None:
    (course,) = _growth([20, 21], (0, 14)).individuals
    assert course.rate is None
    assert "seen on 2 dates, 3 are needed" in course.sentence
    # Three photos on two days are two dates.
    assert _growth([20, 20, 21], (0, 0.1, 14)).individuals[0].rate is None
    assert "1 date," in _growth([20], (0,)).individuals[0].sentence


def test_a_rate_that_is_not_different_from_zero_is_said() -> None:
    (course,) = _growth([20, 20.4, 19.8, 20.3], (0, 7, 14, 21)).individuals
    assert course.rate is not None
    assert not course.rate.told
    assert "not different from zero" in course.sentence


def test_shrinking_is_said() -> None:
    (course,) = _growth([30, 28, 26, 24.5, 23], (0, 7, 14, 21, 28)).individuals
    assert course.sentence.startswith("shrinks -")


def test_one_odd_photo_is_said() -> None:
    # On the sixth of seven dates the disc was blown up by half.
    wobble = np.array([0.002, -0.004, 0.003, 0.0, -0.002, 0.0, 0.001])
    sizes = 20 * np.exp(0.002 * np.array(DAYS, float) + wobble)
    assert _growth(sizes.tolist()).individuals[0].rate.odd is None  # type: ignore[union-attr]
    sizes[5] *= 1.5
    (course,) = _growth(sizes.tolist()).individuals
    assert course.rate is not None
    assert course.rate.odd == 5
    assert course.rate.robust_per_day == pytest.approx(0.002, abs=2e-4)
    assert course.rate.per_day > 0.0035
    assert "one photo does not fit, without it +1." in course.sentence


def test_a_polyp_that_never_changes() -> None:
    (course,) = _growth([20, 20, 20, 20], err=0.0).individuals
    assert course.rate is not None
    assert (course.rate.per_day, course.rate.per_day_err) == (0.0, 0.0)
    assert not course.rate.told


def test_a_wounded_piece_is_included_and_marked() -> None:
    (course,) = _growth(DIAMETERS, wound=25.0).individuals
    assert course.wounded
    assert course.rate is not None
    assert "it had a wound" in course.sentence
    assert not _growth(DIAMETERS).individuals[0].wounded


def test_plate_totals() -> None:
    two = make_polyp(2, 90, 50, 10, n_mouths=2, flags=("two-mouths",))
    readings = [
        make_reading(0, [make_polyp(1, 50, 50, 20), two]),
        make_reading(7, []),
    ]
    growth = growth_of(link_readings(readings))
    full, empty = growth.photos
    assert (full.n_polyps, full.n_two_mouths) == (2, 1)
    assert full.area_mm2 == pytest.approx(np.pi * (100 + 25))
    assert full.median_diameter_mm == 15
    # Own errors pi d/10 in quadrature, and twice the scale's 0.3 % of the whole.
    own = np.hypot(np.pi * 2, np.pi)
    assert full.area_mm2_err == pytest.approx(np.hypot(own, 2 * 0.0005 * 6 * full.area_mm2))
    assert (empty.n_polyps, empty.area_mm2) == (0, 0.0)
    assert np.isnan(empty.median_diameter_mm)
    assert growth.rate is None


def test_no_photo_at_all() -> None:
    growth = growth_of(link_readings([]))
    assert growth.individuals == ()
    assert growth.photos == ()
    assert growth.rate is None


def test_stated_intervals_hold_the_truth() -> None:
    # 400 polyps of 6 dates with scatter of 2 % in size: 95 % +- 3 standard deviations (3.3 %).
    rng = np.random.default_rng(7)
    days = np.array([0.0, 7, 14, 21, 35, 49])
    held = 0
    for _ in range(400):
        size = 20 * np.exp(0.004 * days + rng.normal(0, 0.02, 6))
        rate = fit_rate(days, size, 0.001 * size)
        assert rate is not None
        held += rate.low_per_day <= 0.004 <= rate.high_per_day
    assert held / 400 == pytest.approx(0.95, abs=0.033)


@given(st.floats(0.1, 10), st.floats(-0.02, 0.02))
@settings(max_examples=30)
def test_the_rate_does_not_depend_on_the_unit(unit: float, rate_per_day: float) -> None:
    days = np.array([0.0, 5, 11, 30])
    size = 20 * np.exp(rate_per_day * days)
    in_mm, scaled = (fit_rate(days, factor * size, 0.02 * factor * size) for factor in (1, unit))
    assert in_mm is not None
    assert scaled is not None
    assert scaled.per_day == pytest.approx(in_mm.per_day, abs=1e-9)
    assert scaled.per_day_err == pytest.approx(in_mm.per_day_err, rel=1e-6)
