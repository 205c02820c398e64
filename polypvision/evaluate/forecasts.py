"""Forecasts and growth rates against the truth of made-up plates: error, and coverage."""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from math import inf, nan
from typing import Any

import numpy as np

from polypvision.evaluate.courses import SIZE_DAYS, MadePlate, growth_plate, healing_plate
from polypvision.forecasts import DayForecast
from polypvision.growth import growth_of, size_forecasts
from polypvision.healing import closure_forecasts, wound_courses

SCORED_A_PLATE = 4
"""Polyps of one plate share their water and their photos; many of one plate are not many cases."""
_LEAST_MM2 = 2.0
_FIRST_HALF = 7


@dataclass(frozen=True, kw_only=True)
class DateScore:
    """Dates foretold from the first half of a series.

    Attributes
    ----------
    n : int
        Cases.
    held : float
        Share whose 95 % interval holds the true day.
    told : float
        Share for which a date is given.
    error_days, line_error_days : float
        Median error of those dates, and of a straight line through the same points.
    """

    n: int
    held: float
    told: float
    error_days: float
    line_error_days: float

    @property
    def better_percent(self) -> float:
        """By how much the median error is smaller than the line's."""
        return 100 * (1 - self.error_days / self.line_error_days)


@dataclass(frozen=True, kw_only=True)
class RateScore:
    """Growth rates with the shared expansion taken out, and of each polyp alone.

    Attributes
    ----------
    n : int
    held, alone_held : float
        Share whose 95 % interval holds the true rate.
    narrower_percent : float
        Median of by how much the interval is narrower than alone.
    """

    n: int
    held: float
    alone_held: float
    narrower_percent: float


@dataclass(frozen=True, kw_only=True)
class ForecastScores:
    """All three."""

    closure: DateScore
    size: DateScore
    rate: RateScore


@dataclass(frozen=True, kw_only=True)
class _Case:
    true_day: float
    when: DayForecast
    line_day: float


def _line_day(days: list[float], values: list[float], goal: float) -> float:
    """Return where a straight line through the points reaches the goal; inf where it never does."""
    slope, start = np.polyfit(days, values, 1)
    if slope == 0 or (goal - values[-1]) * slope <= 0:
        return inf
    return float((goal - start) / slope)


def _closure_cases(plate: MadePlate) -> list[_Case]:
    courses = wound_courses(plate.tracks, plate.log)
    points = {course.name: course.points for course in courses}
    cases = []
    for forecast in closure_forecasts(courses):
        true_day = plate.truth.get(forecast.name)
        if true_day is None or forecast.when.happened:
            continue
        seen = points[forecast.name]
        line = _line_day([one.day for one in seen], [one.wound_mm2 for one in seen], _LEAST_MM2)
        cases.append(_Case(true_day=true_day, when=forecast.when, line_day=line))
    return cases[:SCORED_A_PLATE]


def _size_cases(plate: MadePlate) -> list[_Case]:
    growth = growth_of(plate.tracks)
    by_name = {course.name: course for course in growth.individuals}
    cases = []
    for name, true_day in list(plate.truth.items())[:SCORED_A_PLATE]:
        (forecast,) = size_forecasts(growth, plate.sizes[name], [name])
        course = by_name[name]
        line = _line_day(course.days.tolist(), course.diameter_mm.tolist(), plate.sizes[name])
        cases.append(_Case(true_day=true_day, when=forecast.when, line_day=line))
    return cases


def _date_score(cases: list[_Case]) -> DateScore:
    told = [one for one in cases if one.when.day is not None]
    errors = [abs(one.when.day - one.true_day) for one in told if one.when.day is not None]
    return DateScore(
        n=len(cases),
        held=float(
            np.mean([one.when.low_day <= one.true_day <= one.when.high_day for one in cases])
        ),
        told=len(told) / len(cases),
        error_days=float(np.median(errors)) if told else nan,
        line_error_days=(
            float(np.median([abs(one.line_day - one.true_day) for one in told])) if told else nan
        ),
    )


def _rate_cases(plate: MadePlate) -> list[tuple[bool, bool, float]]:
    """Return for each polyp: whether its interval holds, whether alone, and the ratio of widths."""
    found = []
    for course in growth_of(plate.tracks).individuals:
        true = plate.truth.get(course.name)
        if true is None or course.rate is None or course.alone is None:
            continue
        both = [(one.low_per_day, one.high_per_day) for one in (course.rate, course.alone)]
        (low, high), (alone_low, alone_high) = both
        found.append(
            (
                low <= true <= high,
                alone_low <= true <= alone_high,
                (high - low) / (alone_high - alone_low),
            )
        )
    return found[:SCORED_A_PLATE]


def score_forecasts(
    count: int, *, seed: int = 0, show: Callable[[int], None] | None = None
) -> ForecastScores:
    """Score forecasts on made-up plates.

    Parameters
    ----------
    count : int
        Cases of each kind, at least 1; each plate gives up to four.
    seed : int
        The same seed gives the same plates.
    show : callable, optional
        Is told how many cases of all three kinds are done.

    Returns
    -------
    ForecastScores
    """
    if count < 1:
        raise ValueError(f"a score needs a case at least, got {count}")
    rng = np.random.default_rng(seed)
    closures: list[_Case] = []
    sizes: list[_Case] = []
    rates: list[tuple[bool, bool, float]] = []

    def shown() -> None:
        if show is not None:
            show(sum(min(len(one), count) for one in (closures, sizes, rates)))

    while len(closures) < count:
        closures += _closure_cases(healing_plate(rng))
        shown()
    while len(sizes) < count:
        sizes += _size_cases(growth_plate(rng, days=SIZE_DAYS, until=_FIRST_HALF))
        shown()
    while len(rates) < count:
        rates += _rate_cases(growth_plate(rng))
        shown()
    held, alone, ratio = zip(*rates, strict=True)
    return ForecastScores(
        closure=_date_score(closures),
        size=_date_score(sizes),
        rate=RateScore(
            n=len(rates),
            held=float(np.mean(held)),
            alone_held=float(np.mean(alone)),
            narrower_percent=100 * (1 - float(np.median(ratio))),
        ),
    )


def forecast_record(scores: ForecastScores) -> dict[str, Any]:
    """Return the scores as plain values."""
    record = asdict(scores)
    for kind in ("closure", "size"):
        record[kind]["better_percent"] = getattr(scores, kind).better_percent
    return record


def forecast_rows(scores: ForecastScores) -> list[str]:
    """Return the scores as lines to print."""
    lines = []
    for name, one in (("closure date", scores.closure), ("size date", scores.size)):
        lines.append(
            f"{name:14s}n {one.n}  95 % interval holds {100 * one.held:.1f} %  "
            f"date given {100 * one.told:.0f} %  median error {one.error_days:.1f} d  "
            f"straight line {one.line_error_days:.1f} d  ({one.better_percent:.0f} % better)"
        )
    rate = scores.rate
    lines.append(
        f"{'growth rate':14s}n {rate.n}  95 % interval holds {100 * rate.held:.1f} %  "
        f"each polyp alone {100 * rate.alone_held:.1f} %  "
        f"interval {rate.narrower_percent:.0f} % narrower than alone"
    )
    return lines
