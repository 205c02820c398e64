from dataclasses import replace
from datetime import timedelta
from math import inf
from typing import Any

from made_pieces import DAYS, cut, plate_of, state_of
from time_builders import START

from polypvision.forecasts import day_forecast
from polypvision.plan import READY_MM, PlateState, room_forecast, sentence, week_dates

DATES = week_dates(START + timedelta(days=56))
HEALED = [(13.0, 20.0, inf)] * 6


def state(
    fates: list[tuple[float, float, float]] = HEALED, days: tuple[float, ...] = DAYS, **more: Any
) -> PlateState:
    return state_of(plate_of(fates, days), [cut(method="halves")], foretell=True, **more)


def test_pieces_that_are_ready_stay_so_but_for_losses() -> None:
    forecast = room_forecast([state()], DATES, size_mm=READY_MM)
    (plate,) = forecast.plates
    assert (plate.n_pieces, plate.n_ready) == (6, 6)
    expected = [week.expected for week in plate.weeks]
    assert expected == sorted(expected, reverse=True)
    assert 4 < expected[-1] < 6
    assert plate.weeks[-1].high == 6
    assert "6 of 6 are ready" in sentence(plate)


def test_ignoring_losses_would_promise_more() -> None:
    fates = [(13.0, 20.0, inf)] * 10 + [(13.0, 20.0, 25.0)] * 2
    losing = room_forecast([state(fates)], DATES, size_mm=READY_MM).plates[0]
    assert losing.n_ready == 10
    assert losing.weeks[-1].expected < 9.5
    assert losing.weeks[-1].low < 10


def test_a_raw_piece_is_ready_only_after_its_wound_and_its_mouth() -> None:
    fates = [(13.0, 20.0, inf)] * 3 + [(40.0, 50.0, inf)] * 3
    young = state(fates, DAYS[:6])
    dates = week_dates(START + timedelta(days=28))
    (plate,) = room_forecast([young], dates, size_mm=READY_MM).plates
    assert plate.n_ready == 3
    expected = [week.expected for week in plate.weeks]
    assert expected[0] < 3.6
    assert max(expected) > 4.5
    assert all(week.low - 1 < week.expected < week.high + 1 for week in plate.weeks)


def test_a_piece_too_small_waits_for_its_size() -> None:
    small = state(
        size_mm=30.0,
        sizes={
            f"P{n:02d}": day_forecast(56, (56.0, 70.0, 84.0, 98.0), (0.0, 0.1, 0.5, 1.0))
            for n in range(1, 4)
        },
    )
    small = replace(small, growth=replace(small.growth, shared=None))
    (plate,) = room_forecast([small], DATES, size_mm=30.0).plates
    assert plate.n_ready == 0
    # Three have a forecast of their size; the others, of which nothing is known, do not count.
    assert plate.weeks[0].expected < 0.3
    assert 2.4 < plate.weeks[5].expected < 3


def test_plates_lines_and_all_together() -> None:
    one = state_of(plate_of(HEALED[:2]), [cut()], line="green")
    two = state_of(
        plate_of(HEALED[:3], plate="0043"), [cut(plate="0043")], plate="0043", line="green"
    )
    three = state_of(plate_of(HEALED[:1], plate="0044"), plate="0044")
    forecast = room_forecast([three, two, one], DATES, size_mm=READY_MM)
    assert [(one.name, one.n_pieces) for one in forecast.plates] == [
        ("0042", 2), ("0043", 3), ("0044", 1)
    ]  # fmt: skip
    assert [(one.name, one.n_pieces) for one in forecast.lines] == [("green", 5)]
    assert forecast.whole.n_pieces == 6


def test_the_same_room_has_the_same_forecast_twice() -> None:
    one, two = (room_forecast([state()], DATES, size_mm=READY_MM) for _ in range(2))
    assert one == two


def test_an_empty_plate_and_no_plate() -> None:
    empty = state([(13.0, 20.0, 5.0)] * 2)
    (plate,) = room_forecast([empty], DATES, size_mm=READY_MM).plates
    assert (plate.n_pieces, plate.weeks[-1].high) == (0, 0)
    assert "no living piece" in sentence(plate)
    assert room_forecast([], (), size_mm=READY_MM).whole.weeks == ()


def test_a_date_years_off_is_still_a_forecast() -> None:
    dates = week_dates(START + timedelta(days=3650), 2)
    (plate,) = room_forecast([state()], dates, size_mm=READY_MM).plates
    assert plate.weeks[0].low == 0
    assert plate.weeks[0].expected < 4
