from datetime import UTC, datetime, timedelta
from math import inf

import pytest

from polypvision.forecasts import DayForecast, day_forecast, happened_between, no_forecast

START = datetime(2031, 3, 4, tzinfo=UTC)


def test_days_are_read_off_the_table() -> None:
    forecast = day_forecast(10, (10, 20, 30), (0.0, 0.5, 1.0))
    assert forecast.day == 20
    assert forecast.low_day == pytest.approx(10.5)
    assert forecast.high_day == pytest.approx(29.5)
    assert forecast.probability_by(25) == pytest.approx(0.75)
    assert forecast.dates(START)[1] == START + timedelta(days=20)


def test_what_may_never_happen_has_no_latest_day() -> None:
    forecast = day_forecast(10, (10, 20, 30), (0.0, 0.6, 0.9))
    assert forecast.high_day == inf
    assert forecast.dates(START)[2] is None
    assert forecast.probability_by(1e6) == pytest.approx(0.9)
    unlikely = day_forecast(10, (10, 20), (0.0, 0.3))
    assert not unlikely.told
    assert unlikely.probability_by(20) == pytest.approx(0.3)


def test_a_date_can_be_withheld() -> None:
    assert day_forecast(0, (0, 1), (0.0, 1.0), told=False).day is None


def test_what_has_happened_lies_between_two_photos() -> None:
    seen = happened_between(7, 14)
    assert (seen.low_day, seen.day, seen.high_day) == (7, 10.5, 14)
    assert seen.happened
    assert [seen.probability_by(day) for day in (7, 14, 99)] == [0, 1, 1]
    first = happened_between(-inf, 0)
    assert first.probability_by(0) == 1
    assert first.dates(START)[0] is None


def test_nothing_can_be_said() -> None:
    nothing = no_forecast(3, "seen once")
    assert not nothing.told
    assert nothing.probability_by(1e9) == 0


@pytest.mark.parametrize(
    ("days", "probability"),
    [((), ()), ((1, 2), (0.5,)), ((2, 1), (0.1, 0.2)), ((1, 2), (0.5, 0.4)), ((1,), (1.5,))],
)
def test_tables_that_cannot_be_are_refused(
    days: tuple[float, ...], probability: tuple[float, ...]
) -> None:
    with pytest.raises(ValueError, match=r"forecast|probability"):
        DayForecast(
            made_on_day=0, day=None, low_day=0, high_day=1, days=days, probability=probability
        )
