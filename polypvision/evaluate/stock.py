"""Stock forecasts against what became of made-up rooms: how often the stated interval held."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from math import ceil
from typing import Any

import numpy as np

from polypvision.evaluate.rooms import START, RoomSettings, TruePlate, draw_room
from polypvision.outcomes import wilson_interval
from polypvision.plan import READY_MM, StockForecast, plate_state, room_forecast, week_dates

UNTIL_DAYS = (14, 21, 28)
"""The forecast is made on one of these days after the cut: before, while and after most seal."""


@dataclass(frozen=True, kw_only=True)
class StockWeekScore:
    """Forecasts so many weeks ahead, all plates together.

    Attributes
    ----------
    weeks : int
    n, held : int
        Plates, and on how many of them the 95 % interval held the true number.
    stated : float
        Mean chance that the forecasts themselves gave to the numbers from the lower to the upper
        end: numbers being whole, it is at least 95 %, and more where they are few.
    central : float
        Share of truths in the middle 95 % of the forecast law, a number that lies across an end
        counted by the part of its chance that lies within: what an interval with ends between
        whole numbers would have held.
    width : float
        Mean number of pieces from its lower to its upper end.
    bias, mae : float
        Mean of expected less true, and of its size.
    no_loss_bias : float
        The same bias of a forecast that forgets losses.
    """

    weeks: int
    n: int
    held: int
    stated: float
    central: float
    width: float
    bias: float
    mae: float
    no_loss_bias: float

    @property
    def coverage(self) -> float:
        """Share of the plates on which the interval held the truth."""
        return self.held / self.n


@dataclass(frozen=True, kw_only=True)
class _Case:
    weeks: int
    low: int
    high: int
    expected: float
    without_losses: float
    true: int
    stated: float
    central: float


def _room_cases(
    room: Sequence[TruePlate], until_day: int, size_mm: float, weeks: int
) -> list[_Case]:
    states = [plate_state(one.tracks, one.log, plate=one.name, size_mm=size_mm) for one in room]
    dates = week_dates(START + timedelta(days=until_day), weeks)
    rng = np.random.default_rng(0)
    told = room_forecast(states, dates, size_mm=size_mm, rng=rng).plates
    forgetful = room_forecast(
        states, dates, size_mm=size_mm, rng=np.random.default_rng(0), losses=False
    ).plates
    cases = []
    for plate, forecast, other in zip(room, told, forgetful, strict=True):
        cases += _plate_cases(plate, forecast, other, until_day, size_mm)
    return cases


def _plate_cases(
    plate: TruePlate,
    forecast: StockForecast,
    forgetful: StockForecast,
    until_day: int,
    size_mm: float,
) -> list[_Case]:
    cases = []
    for n, (week, other) in enumerate(zip(forecast.weeks, forgetful.weeks, strict=True), 1):
        true = sum(one.ready_on(until_day + 7 * n, size_mm) for one in plate.pieces)
        cases.append(
            _Case(
                weeks=n,
                low=week.low,
                high=week.high,
                expected=week.expected,
                without_losses=other.expected,
                true=true,
                stated=sum(week.law[week.low : week.high + 1]),
                central=central_part(week.law, true),
            )
        )
    return cases


def central_part(law: Sequence[float], number: int, confidence: float = 0.95) -> float:
    """Return which part of the chance of a number lies in the middle of its law.

    Parameters
    ----------
    law : sequence of float
        Chance of 0, 1, ...
    number : int
        What became true; one beyond the law has no part.
    confidence : float
        How much of the law is its middle.

    Notes
    -----
    The nonrandomised probability integral transform for counts (Czado C, Gneiting T, Held L 2009,
    Predictive model assessment for count data, Biometrics 65:1254-1261): its mean over honest
    forecasts is the confidence itself, however few the numbers.

    Examples
    --------
    >>> round(central_part([0.05, 0.95], 0), 6)
    0.5
    """
    if number >= len(law) or law[number] <= 0:
        return 0.0
    below = sum(law[:number])
    tail = (1 - confidence) / 2
    inside = min(below + law[number], 1 - tail) - max(below, tail)
    return min(max(inside / law[number], 0.0), 1.0)


def score_stock(
    n_plates: int,
    *,
    seed: int = 0,
    settings: RoomSettings | None = None,
    size_mm: float = READY_MM,
    weeks: int = 8,
    show: Callable[[int], None] | None = None,
) -> tuple[StockWeekScore, ...]:
    """Return how stock forecasts of made-up plates fared, by weeks ahead.

    Parameters
    ----------
    n_plates : int
        At least so many; rooms are drawn whole.
    seed : int
    settings : RoomSettings, optional
    size_mm : float
        The diameter asked for.
    weeks : int
        How far ahead.
    show : callable, optional
        Called with the plates done.
    """
    settings = settings or RoomSettings()
    n_rooms = max(1, ceil(n_plates / settings.n_plates))
    cases: list[_Case] = []
    for number in range(n_rooms):
        # Each room its own chance, so that more rooms leave the first ones as they are.
        rng = np.random.default_rng([seed, number])
        until = UNTIL_DAYS[number % len(UNTIL_DAYS)]
        cases += _room_cases(draw_room(settings, until, rng), until, size_mm, weeks)
        if show:
            show((number + 1) * settings.n_plates)
    return tuple(
        _score(ahead, [one for one in cases if one.weeks == ahead]) for ahead in range(1, weeks + 1)
    )


def _score(weeks: int, cases: Sequence[_Case]) -> StockWeekScore:
    off = np.array([one.expected - one.true for one in cases])
    return StockWeekScore(
        weeks=weeks,
        n=len(cases),
        held=sum(one.low <= one.true <= one.high for one in cases),
        stated=float(np.mean([one.stated for one in cases])),
        central=float(np.mean([one.central for one in cases])),
        width=float(np.mean([one.high - one.low for one in cases])),
        bias=float(off.mean()),
        mae=float(np.abs(off).mean()),
        no_loss_bias=float(np.mean([one.without_losses - one.true for one in cases])),
    )


def stock_rows(scores: Sequence[StockWeekScore]) -> list[str]:
    """Return the scores as lines to read."""
    lines = [
        "weeks  plates  held %  (95 %)         stated %  middle 95 %  width   bias    MAE"
        "  bias if losses are forgotten"
    ]
    for one in scores:
        low, high = wilson_interval(one.held, one.n)
        lines.append(
            f"{one.weeks:5d}  {one.n:6d}  {100 * one.coverage:6.1f}  ({100 * low:.1f} to "
            f"{100 * high:.1f})  {100 * one.stated:8.1f}  {100 * one.central:11.1f}  "
            f"{one.width:5.2f}  {one.bias:+5.2f}  {one.mae:5.2f}  "
            f"{one.no_loss_bias:+5.2f}"
        )
    n, held = sum(one.n for one in scores), sum(one.held for one in scores)
    lines.append(f"  all  {n:6d}  {100 * held / n:6.1f}")
    lines.append(
        "stated: the chance the forecasts gave to the numbers from end to end; whole numbers make "
        "it more than 95 %. middle 95 %: what ends between whole numbers would have held."
    )
    return lines


def stock_record(scores: Sequence[StockWeekScore]) -> list[dict[str, Any]]:
    """Return the scores as plain JSON values."""
    return [vars(one) | {"coverage": one.coverage} for one in scores]
