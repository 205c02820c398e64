from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from time_builders import START, make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.healing import HealingSettings, WoundCourse, wound_courses
from polypvision.track import link_readings


def _course(
    areas: Sequence[float],
    days: Sequence[float] = (0, 3, 7, 14, 21, 28, 42),
    *,
    err: float = 0.5,
    log: Sequence[LogEntry] = (),
    settings: HealingSettings | None = None,
    **more: Any,
) -> WoundCourse:
    readings = [
        make_reading(day, [make_polyp(1, 50, 50, 20, wound_mm2=area, wound_mm2_err=err, **more)])
        for day, area in zip(days, areas, strict=False)
    ]
    (course,) = wound_courses(link_readings(readings, log=log), log, settings)
    return course


def _cut(day: float, individual: str | None = "P01", **more: Any) -> LogEntry:
    fields: dict[str, Any] = {"plate": "0042", "at": START + timedelta(days=day), "kind": "cut"}
    return LogEntry(**{**fields, "individual": individual, **more})


def _closures(course: WoundCourse) -> list[float]:
    return [one.closure_percent for one in course.points]


def test_closure_runs_from_the_first_photo_that_shows_the_wound() -> None:
    course = _course([40, 30, 20, 10, 0])
    assert _closures(course) == [0, 25, 50, 75, 100]
    assert course.baseline_sha256 == course.points[0].sha256
    assert course.status == "closed"


def test_closure_runs_from_the_first_photo_after_the_logged_cut() -> None:
    # An old scar before the cut of day 5 does not count.
    course = _course([4, 4, 40, 30, 20], log=[_cut(5)])
    assert np.isnan(_closures(course)[:2]).all()
    assert _closures(course)[2:] == [0, 25, 50]
    assert course.cut_at == START + timedelta(days=5)


def test_a_cut_logged_by_its_day_counts_for_that_days_photo() -> None:
    midnight = datetime(2031, 3, 4)
    course = _course([40, 30], log=[_cut(0, at=midnight)])
    assert _closures(course) == [0, 25]


def test_the_last_of_several_cuts_counts() -> None:
    course = _course([40, 20, 5, 30, 15], log=[_cut(0), _cut(13)])
    assert _closures(course)[3:] == [0, 50]


def test_a_cut_of_the_whole_plate_or_of_the_parent_counts() -> None:
    assert _course([40, 30], log=[_cut(0, None)]).cut_at == START
    halves = [make_polyp(n, 50 + dx, 50, 13, wound_mm2=30) for n, dx in ((1, -7), (2, 7))]
    readings = [make_reading(0, [make_polyp(1, 50, 50, 20)]), make_reading(7, halves)]
    log = [_cut(5, "P01", method="halves", pieces=2)]
    courses = wound_courses(link_readings(readings, log=log), log)
    assert [(one.name, one.cut_at is not None) for one in courses] == [
        ("P01", False),
        ("P02", True),
        ("P03", True),
    ]


def test_a_cut_of_another_or_after_the_last_photo_does_not_count() -> None:
    assert _course([40, 30], log=[_cut(0, "P09")]).cut_at is None
    late = _course([40, 30], log=[_cut(20)])
    assert late.cut_at is None
    assert _closures(late) == [0, 25]


def test_errors_are_propagated() -> None:
    course = _course([40, 30], err=2.0)
    assert course.points[0].closure_percent_err == 0.0
    # By hand: own parts 0.45 * hypot(2, 2 * 30/40), common parts 0.893 * (2 - 2 * 30/40), both
    # over 40 mm2: 100/40 * hypot(1.125, 0.4465) = 3.0259.
    assert course.points[1].closure_percent_err == pytest.approx(3.0259, abs=1e-4)
    # And against drawing at random: first-order is good to a few percent here.
    rng = np.random.default_rng(1)
    common = 2 * np.sqrt(1 - 0.45**2) * rng.normal(size=20_000)
    own = 2 * 0.45 * rng.normal(size=(2, 20_000))
    drawn = 100 * (1 - (30 + common + own[0]) / (40 + common + own[1]))
    assert course.points[1].closure_percent_err == pytest.approx(drawn.std(), rel=0.05)


def test_advance_uses_the_living_margin() -> None:
    course = _course([np.pi * 25, np.pi * 9], wound_margin_mm=8 * np.pi)
    assert course.points[1].advance_mm == pytest.approx(2.0)
    unknown = _course([40, 30], wound_margin_mm=float("nan"))
    assert np.isnan(unknown.points[1].advance_mm)
    assert unknown.points[1].closure_percent == 25.0


@pytest.mark.parametrize(
    ("areas", "status"),
    [
        ([0, 0, 0], "no wound"),
        ([0.6, 0.8, 0.4], "no wound"),
        ([40, 36, 30], "open"),
        ([40, 30, 20, 8, 0.4], "closed"),
        ([40, 36, 30, 22, 21.6, 21.8], "stalled"),
        ([40, 36, 30, 22, 12, 17], "worsening"),
        # Gapes in the first week, then closes: never anything but open.
        ([24, 30], "open"),
        ([24, 30, 29], "open"),
        ([24, 30, 29, 24], "open"),
        # Gapes in the first week and stays so: a standstill, but only ten days after that.
        ([24, 30, 30, 30], "open"),
        ([24, 30, 30, 30, 30], "stalled"),
        ([24, 25, 31, 31], "open"),
        ([24, 25, 31, 31, 31], "stalled"),
    ],
)
def test_status(areas: list[float], status: str) -> None:
    assert _course(areas).status == status


def test_no_standstill_is_claimed_where_an_advance_could_not_be_seen() -> None:
    areas = [12, 11, 10, 9.5, 9.6, 9.5]
    assert _course(areas, err=0.4).status == "stalled"
    blind = _course(areas, err=4.0)
    assert blind.status == "open"
    assert "within the error" in blind.reason


def test_a_slow_advance_within_the_error_is_no_standstill() -> None:
    # A quarter smaller in a fortnight, at an error of the difference of 0.9 * hypot(9, 9) mm2.
    assert _course([40, 40, 40, 35, 30], err=9.0).status == "open"
    assert _course([40, 40, 40, 39, 38], err=9.0).status == "stalled"


def test_an_error_common_to_all_photos_hides_no_change() -> None:
    # Read a fifth too large throughout, a wound that closes by a tenth in ten days still does so:
    # of 8 mm2 stated only 0.9 * hypot(8, 8) / 2 = 5.1 mm2 a photo are its own.
    assert "closing" in _course([100, 97, 93, 80], err=8.0).reason
    # Were all of it its own, as the library once took it, 22.6 mm2 would be within the error.
    all_own = HealingSettings(own_part=1.0)
    assert "closing" not in _course([100, 97, 93, 80], err=8.0, settings=all_own).reason


def test_a_speck_is_not_taken_for_the_wound_of_a_cut() -> None:
    course = _course([1.4, 0.2, 0, 12, 11], err=0.5, log=[_cut(0)])
    assert course.baseline_sha256 == course.points[3].sha256


def test_a_rise_within_the_error_is_not_worsening() -> None:
    areas = [40, 36, 30, 22, 14, 17.5]
    assert _course(areas, err=0.5).status == "worsening"
    # By hand: 1.5 * 2 * 0.45 * hypot(2, 2) = 3.8 mm2 is more than the rise of 3.5.
    assert _course(areas, err=2.0).status == "open"
    # And so is what a disc that opens and closes does to its wound: 3 * 0.03 * hypot(40, 43).
    assert _course([40, 40, 40, 43], err=0.0).status != "worsening"


def test_a_cut_of_the_whole_plate_is_not_said_of_every_whole_polyp() -> None:
    assert _course([0, 0], log=[_cut(0, None)]).reason == "no wound was seen"


def test_an_error_that_covers_the_wound_makes_it_none() -> None:
    assert _course([5, 5], err=3.0).status == "no wound"
    assert _course([40, 30, 5], err=3.0).status == "closed"


def test_unknown_areas_are_passed_over() -> None:
    nan = float("nan")
    course = _course([40, nan, 20])
    assert np.isnan(course.points[1].closure_percent)
    assert course.points[2].closure_percent == 50
    assert course.status == "open"
    assert _course([nan, nan]).status == "no wound"


def test_a_cut_that_no_photo_shows_is_said() -> None:
    course = _course([0, 0], log=[_cut(0)])
    assert course.status == "no wound"
    assert "cut logged on 2031-03-04" in course.reason


def test_a_closed_wound_that_opens_again_is_no_longer_closed() -> None:
    course = _course([40, 20, 5, 0, 0, 9])
    assert course.status == "worsening"
    assert course.wounded
