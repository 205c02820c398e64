"""Awkward plates through wounds and growth: none of them may crash, and each is said."""

from datetime import timedelta

import numpy as np
import pytest
from time_builders import START, make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.growth import growth_of, size_forecasts
from polypvision.healing import closure_forecasts, plate_progress, wound_courses
from polypvision.reading import PlateReading
from polypvision.track import link_readings


def _everything(readings: list[PlateReading], log: list[LogEntry]) -> int:
    """Run all there is on a plate; return how many forecasts it gave."""
    tracks = link_readings(readings, log=log)
    courses = wound_courses(tracks, log)
    growth = growth_of(tracks, courses)
    plate_progress(tracks, courses)
    assert len(growth.expansions) == len(tracks.photos)
    forecasts = [one.when for one in closure_forecasts(courses)]
    forecasts += [one.when for one in size_forecasts(growth, 30.0)]
    for when in forecasts:
        assert when.reason
        assert when.low_day <= when.high_day
        assert when.day is None or when.low_day <= when.day <= when.high_day
    return len(forecasts)


def _photo(day: float, size: float = 20.0, wound: float = 0.0, n: int = 5) -> PlateReading:
    return make_reading(
        day, [make_polyp(k + 1, 40 * (k + 1), 50, size, wound_mm2=wound) for k in range(n)]
    )


@pytest.mark.parametrize(
    ("days", "n"),
    [
        ([], 0),
        ([0], 0),
        ([0], 1),
        ([0], 5),
        ([0, 0.01, 0.02], 5),
        ([21, 0, 7, 14], 5),
        ([0, 7, 14, 3650], 5),
        ([0, 7, 14, 21, 28], 1),
        ([0, 7, 14], 3),
    ],
)
def test_few_photos_few_polyps_two_on_a_day_out_of_order_and_years_off(
    days: list[float], n: int
) -> None:
    readings = [_photo(day, 20 + 0.1 * min(day, 30), 30 - min(day, 28), n) for day in days]
    n_polyps = len(link_readings(readings).individuals)
    assert n_polyps >= n or not days
    # A size forecast each; after ten years those seen then are others, without a wound.
    assert _everything(readings, []) >= n_polyps + n


def test_a_cut_logged_after_the_last_photo_or_on_an_unknown_polyp() -> None:
    readings = [_photo(day, 20, 30) for day in (0, 7, 14, 21)]
    for individual, day in (("P01", 99), ("P77", 3), (None, 99)):
        at = START + timedelta(days=day)
        log = [LogEntry(plate="0042", at=at, kind="cut", individual=individual)]
        assert _everything(readings, log) == 10


def test_sizes_and_wounds_that_are_unknown_or_nothing() -> None:
    nothing = make_polyp(
        1, 50, 50, 0.0, wound_mm2=float("nan"), wound_mm2_err=float("nan"), diameter_mm_err=np.nan
    )
    readings = [make_reading(day, [nothing]) for day in (0, 7, 14, 21)]
    n_polyps = len(link_readings(readings).individuals)
    # No wound, so a size forecast each, if the tracks hold it at all.
    assert _everything(readings, []) == n_polyps


def test_all_sizes_the_same() -> None:
    assert _everything([_photo(day) for day in (0, 7, 14, 21)], []) == 5


def test_a_reading_taken_back_changes_the_forecast_and_no_more() -> None:
    readings = [_photo(day, 20, area) for day, area in ((0, 60), (3, 54), (7, 44), (10, 20))]
    corrected = [*readings[:3], _photo(10, 20, 36)]
    first, second = (
        closure_forecasts(wound_courses(link_readings(one)))[0].when
        for one in (readings, corrected)
    )
    again = closure_forecasts(wound_courses(link_readings(readings)))[0].when
    assert again == first
    assert first.day is not None
    assert second.day is not None
    assert first.day < second.day
