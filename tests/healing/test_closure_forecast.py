from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from math import inf

import pytest
from time_builders import START, make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.forecasts import ClosureForecast
from polypvision.healing import (
    PieceProgress,
    closure_forecasts,
    plate_progress,
    reached_between,
    wound_courses,
)
from polypvision.track import link_readings

DAYS = (0, 3, 7, 10, 14, 21, 28, 35)


def _forecast(areas: Sequence[float], days: Sequence[float] = DAYS) -> ClosureForecast | None:
    readings = [
        make_reading(day, [make_polyp(1, 50, 50, 20, wound_mm2=area)])
        for day, area in zip(days, areas, strict=False)
    ]
    found = closure_forecasts(wound_courses(link_readings(readings)))
    return found[0] if found else None


def test_a_closing_wound_gets_a_date_with_an_interval() -> None:
    forecast = _forecast([60, 54, 42, 33, 22])
    assert forecast is not None
    when = forecast.when
    assert when.day is not None
    assert 14 < when.low_day < when.day < when.high_day < inf
    assert when.made_on_day == 14
    assert when.probability_by(14) == 0
    assert forecast.n_dates == 5
    assert "rough" not in when.reason


def test_few_dated_areas_give_a_rough_date_or_none() -> None:
    # Cukjati 2001, doi 10.1007/BF02344811: from five dated areas on.
    four, three = _forecast([60, 54, 42, 33]), _forecast([60, 54, 42])
    assert four is not None
    assert three is not None
    assert "rough, from 4 dated areas only" in four.when.reason
    assert three.when.day is None
    assert "3 dated areas, 4 are needed" in three.when.reason
    # The probabilities are there all the same: a plan adds up small chances too.
    assert three.when.probability_by(60) > 0.5


def test_a_wound_that_stands_still_gets_no_date() -> None:
    forecast = _forecast([60, 50, 40, 33, 32.5, 33, 32.8, 33.1])
    assert forecast is not None
    assert forecast.when.day is None
    assert "stalled" in forecast.when.reason
    assert forecast.model == "still"


def test_a_closed_wound_closed_between_two_photos() -> None:
    forecast = _forecast([60, 40, 20, 8, 0, 0])
    assert forecast is not None
    assert (forecast.when.low_day, forecast.when.high_day) == (10, 14)
    assert forecast.when.happened


def test_no_wound_no_forecast() -> None:
    assert _forecast([0, 0, 0]) is None


def test_days_count_from_the_plates_first_photo_even_where_the_cut_came_later() -> None:
    areas = [0, 0, 60, 54, 42, 33, 22]
    days = (0, 7, 14, 17, 21, 24, 28)
    readings = [
        make_reading(day, [make_polyp(1, 50, 50, 20, wound_mm2=area)])
        for day, area in zip(days, areas, strict=True)
    ]
    cut = LogEntry(plate="0042", at=START + timedelta(days=14), kind="cut", individual="P01")
    (late,) = closure_forecasts(wound_courses(link_readings(readings, log=[cut]), [cut]))
    early = _forecast([60, 54, 42, 33, 22])
    assert early is not None
    assert early.when.day is not None
    assert late.when.day == pytest.approx(early.when.day + 14)


def _progress(
    areas: Sequence[float],
    mouths: Sequence[int],
    stretches: Sequence[float],
    *,
    cut_day: float | None = None,
) -> PieceProgress:
    readings = [
        make_reading(
            day,
            [make_polyp(1, 50, 50, 20, wound_mm2=area, n_mouths=mouth, stretch=stretch)],
        )
        for day, area, mouth, stretch in zip(DAYS, areas, mouths, stretches, strict=False)
    ]
    log = []
    if cut_day is not None:
        at = START + timedelta(days=cut_day)
        log = [LogEntry(plate="0042", at=at, kind="cut", individual="P01")]
    tracks = link_readings(readings, log=log)
    (found,) = plate_progress(tracks, wound_courses(tracks, log))
    return found


def test_each_stage_lies_between_two_photos() -> None:
    progress = _progress(
        [40, 30, 12, 0, 0, 0], [0, 0, 0, 0, 1, 1], [2, 2, 1.9, 1.8, 1.6, 1.2], cut_day=-2
    )
    found = {one.stage: (one.after_day, one.by_day) for one in progress.stages}
    assert found == {
        "raw": (-2, 0),
        "sealed": (7, 10),
        "mouth formed": (10, 14),
        # A Feret diameter of sqrt(1.2) = 1.095 of the equivalent one; 1.15 is the limit.
        "round": (14, 21),
    }
    assert progress.stage == "round"


def test_a_stage_not_reached_yet_is_open_to_the_right() -> None:
    progress = _progress([40, 30, 20], [1, 1, 1], [2, 2, 2])
    sealed, mouth = progress.of("sealed"), progress.of("mouth formed")
    assert (sealed.after_day, sealed.by_day, sealed.reached) == (7, inf, False)
    # It kept its mouth through the cut: reached on the first photo, and nobody knows since when.
    assert (mouth.after_day, mouth.by_day) == (-inf, 0)
    # A mouth in an open wound is no healed piece.
    assert progress.stage == "raw"


def test_an_uncut_polyp_has_no_stages() -> None:
    tracks = link_readings([make_reading(0, [make_polyp(1, 50, 50)])])
    assert plate_progress(tracks, wound_courses(tracks)) == ()


@pytest.mark.parametrize(
    ("shown", "interval"),
    [
        ("0011", (7, 14)),
        ("0101", (14, 21)),
        ("01101111", (0, 3)),
        ("01011111", (7, 10)),
        ("0010", (21, inf)),
        ("1111", (-inf, 0)),
        ("0000", (21, inf)),
        ("", (-inf, inf)),
    ],
)
def test_one_contrary_photo_undoes_nothing(shown: str, interval: tuple[float, float]) -> None:
    days = {4: [0, 7, 14, 21], 8: [0, 3, 7, 10, 14, 21, 28, 35], 0: []}[len(shown)]
    assert reached_between(days, [one == "1" for one in shown]) == interval


def test_a_mouth_hardly_likelier_than_none_has_not_formed() -> None:
    scores = (None, 0.53, 0.55, 0.9, 0.9)
    readings = []
    for day, score in zip(DAYS, scores, strict=False):
        one = make_polyp(
            1, 50, 50, 20, wound_mm2=max(40.0 - 10 * day, 0), n_mouths=int(bool(score))
        )
        mouths = tuple(replace(mouth, score=score or 0.0) for mouth in one.mouths)
        readings.append(make_reading(day, [replace(one, mouths=mouths)]))
    tracks = link_readings(readings)
    (found,) = plate_progress(tracks, wound_courses(tracks))
    mouth = found.of("mouth formed")
    assert (mouth.after_day, mouth.by_day) == (7, 10)
