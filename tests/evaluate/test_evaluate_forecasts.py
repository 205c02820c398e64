"""Forecasts on made-up plates, a smaller run of ``polypvision evaluate --forecasts``."""

from functools import cache

import numpy as np
import pytest

from polypvision.evaluate.courses import growth_plate, healing_plate
from polypvision.evaluate.forecasts import (
    ForecastScores,
    forecast_record,
    forecast_rows,
    score_forecasts,
)
from polypvision.healing import wound_courses


@cache
def _scores() -> ForecastScores:
    return score_forecasts(60, seed=20)


def test_stated_intervals_hold_the_truth() -> None:
    # 95 % of 60 cases, four a plate and so not independent: two standard deviations of some thirty
    # cases are 8 %. The full run of 600 prints 92 to 98 %.
    scores = _scores()
    for held in (scores.closure.held, scores.size.held, scores.rate.held):
        assert held >= 0.86


def test_dates_are_nearer_than_a_straight_lines() -> None:
    scores = _scores()
    assert scores.closure.better_percent >= 30
    assert scores.size.better_percent >= 30
    assert scores.closure.told > 0.9
    assert scores.size.told > 0.5


def test_taking_out_the_shared_expansion_narrows_the_rate() -> None:
    assert _scores().rate.narrower_percent >= 30


def test_every_score_is_printed() -> None:
    rows = forecast_rows(_scores())
    assert [row.split("  ")[0].split(" n ")[0].strip() for row in rows] == [
        "closure date",
        "size date",
        "growth rate",
    ]
    record = forecast_record(_scores())
    assert record["closure"]["better_percent"] == pytest.approx(_scores().closure.better_percent)


def test_a_made_plate_is_what_it_says() -> None:
    plate = healing_plate(np.random.default_rng(3))
    courses = wound_courses(plate.tracks, plate.log)
    assert len(courses) == 8
    last = plate.tracks.photos[-1].day
    assert all(day > last for day in plate.truth.values())
    growing = growth_plate(np.random.default_rng(3))
    assert set(growing.truth) <= {one.name for one in growing.tracks.individuals}
    assert all(abs(rate) < 0.01 for rate in growing.truth.values())


def test_no_cases_are_refused() -> None:
    with pytest.raises(ValueError, match="a case at least"):
        score_forecasts(0)
