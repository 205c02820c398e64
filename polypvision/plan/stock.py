"""How many pieces will be ready by each coming week: sealed, with a mouth, large enough, alive."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from polypvision.plan.counts import CountTally, interval
from polypvision.plan.laws import LagLaw
from polypvision.plan.losses import LossRates
from polypvision.track import days_between

READY_MM = 20.0
"""A piece is large enough from this diameter on unless asked otherwise (common practice, no
source)."""
WEEKS = 8
_STEPS = 40

Chance = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""Chance (worlds or 1, days) that something has happened by each of so many days ahead."""


@dataclass(frozen=True, kw_only=True)
class Prospect:
    """One living piece: what is still to come until it is ready.

    Attributes
    ----------
    plate, line, name : str
    seen_at : datetime
        When it was last seen; days ahead count from here.
    sealed, whole, large : callable
        Chance by days ahead, if it lives: of a closed wound; of that and a mouth; of the size
        asked for.
    ready_now : bool
        All three were so on its last photo.
    """

    plate: str
    line: str
    name: str
    seen_at: datetime
    sealed: Chance
    whole: Chance
    large: Chance
    ready_now: bool


@dataclass(frozen=True, kw_only=True)
class StockWeek:
    """How many will be ready on a date.

    Attributes
    ----------
    on : datetime
    expected : float
    low, high : int
        With 95 % probability at least and at most so many.
    law : tuple of float
        Chance of 0, 1, ... all of them.
    """

    on: datetime
    expected: float
    low: int
    high: int
    law: tuple[float, ...] = (1.0,)


@dataclass(frozen=True, kw_only=True)
class StockForecast:
    """How many pieces of a plate or a line will be ready, week by week.

    Attributes
    ----------
    name : str
        Of the plate or line.
    size_mm : float
        The diameter asked for.
    n_pieces, n_ready : int
        Living pieces, and how many of them were ready when last seen.
    weeks : tuple of StockWeek
        Counts what is there today: no piece that is still to be cut or to divide off, and no sale.
    """

    name: str
    size_mm: float
    n_pieces: int
    n_ready: int
    weeks: tuple[StockWeek, ...]


def certain(days: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the chance of what has happened already: 1."""
    return np.ones((1, len(days)))


def never(days: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the chance of what is not counted on: 0."""
    return np.zeros((1, len(days)))


def with_mouth_after(sealed: Chance, law: LagLaw) -> Chance:
    """Return the chance of a closed wound and a mouth, of a piece that has neither so far.

    Parameters
    ----------
    sealed : callable
        Of a closed wound.
    law : LagLaw
        Of the days from there to a mouth.
    """

    def chance(days: NDArray[np.float64]) -> NDArray[np.float64]:
        steps = np.linspace(0.0, float(days.max(initial=0.0)), 2 * _STEPS)
        closing = np.diff(sealed(steps)[0], prepend=0.0)
        on = steps - (steps[1] - steps[0]) / 2  # Within its step.
        after = days[:, None] - on[None, :]
        both = law.share_by_if_not_at(after, -on[None, :]) * (after >= 0)
        return np.asarray(both @ closing, dtype=np.float64)

    return chance


def with_mouth_since(closed_days_ago: float, none_days_ago: float, law: LagLaw) -> Chance:
    """Return the chance of a mouth, of a piece that sealed so many days ago and had none on the
    last photo, that many days ago, that shows none."""

    def chance(days: NDArray[np.float64]) -> NDArray[np.float64]:
        none = np.array([closed_days_ago - none_days_ago])
        return law.share_by_if_not_at(days + closed_days_ago, none)

    return chance


def ready_chance(
    one: Prospect, days: NDArray[np.float64], losses: LossRates
) -> NDArray[np.float64]:
    """Return the chance (worlds, days) that a piece lives and is ready so many days ahead.

    Its size is taken not to depend on its wound and mouth.
    """
    # Finer than the weeks asked for: a raw piece is at another risk than a sealed one.
    steps = np.union1d(np.linspace(0.0, float(days.max(initial=0.0)), _STEPS), days)
    alive = losses.alive(steps, one.sealed(steps))[:, np.searchsorted(steps, days)]
    return np.asarray(one.whole(days) * one.large(days) * alive, dtype=np.float64)


def week_dates(start: datetime, weeks: int = WEEKS) -> tuple[datetime, ...]:
    """Return the dates one, two, ... weeks after a start."""
    return tuple(start + timedelta(weeks=n) for n in range(1, weeks + 1))


def stock_forecast(
    name: str,
    prospects: Sequence[Prospect],
    losses: LossRates,
    dates: Sequence[datetime],
    *,
    size_mm: float = READY_MM,
    confidence: float = 0.95,
) -> StockForecast:
    """Return how many of these pieces will be ready on each of the dates.

    Parameters
    ----------
    name : str
    prospects : sequence of Prospect
    losses : LossRates
    dates : sequence of datetime
        Increasing.
    size_mm : float
        The diameter that ``large`` of the prospects speaks of.
    confidence : float
    """
    tally = StockTally(dates, expected=len(prospects), size_mm=size_mm, confidence=confidence)
    tally.add(prospects, ready_chances(prospects, dates, losses))
    return tally.forecast(name)


def ready_chances(
    prospects: Sequence[Prospect], dates: Sequence[datetime], losses: LossRates
) -> NDArray[np.float64]:
    """Return the chance (pieces, worlds, dates) that each piece lives and is ready on each date."""
    chances = np.empty((len(prospects), len(losses.raw_per_day), len(dates)))
    for chance, one in zip(chances, prospects, strict=True):
        ahead = np.array([max(days_between(one.seen_at, date), 0.0) for date in dates])
        chance[:] = ready_chance(one, ahead, losses)
    return chances


class StockTally:
    """A stock forecast to which pieces are added, so that none of them has to be held.

    Parameters
    ----------
    dates : sequence of datetime
        Increasing.
    expected : int
        About how many pieces there will be.
    size_mm : float
    confidence : float
    """

    def __init__(
        self,
        dates: Sequence[datetime],
        *,
        expected: int,
        size_mm: float = READY_MM,
        confidence: float = 0.95,
    ) -> None:
        self._dates = dates
        self._size_mm = size_mm
        self._confidence = confidence
        self._count = CountTally(expected)
        self._means = np.zeros(len(dates))
        self._n_ready = 0

    def add(self, prospects: Sequence[Prospect], chances: NDArray[np.float64]) -> None:
        """Add pieces with their `ready_chances`."""
        self._count.add(chances)
        self._means += chances.mean(axis=1).sum(axis=0)
        self._n_ready += sum(one.ready_now for one in prospects)

    def forecast(self, name: str) -> StockForecast:
        """Return how many of the pieces added will be ready on each of the dates."""
        weeks = []
        laws = self._count.law() if self._count.n else np.ones((len(self._dates), 1))
        for date, law, mean in zip(self._dates, laws, self._means, strict=True):
            low, high = interval(law, self._confidence)
            weeks.append(
                StockWeek(
                    on=date, expected=float(mean), low=low, high=high, law=tuple(law.tolist())
                )
            )
        return StockForecast(
            name=name,
            size_mm=self._size_mm,
            n_pieces=self._count.n,
            n_ready=self._n_ready,
            weeks=tuple(weeks),
        )


def sentence(forecast: StockForecast) -> str:
    """Return a stock forecast in a sentence."""
    if not forecast.n_pieces:
        return "no living piece is there"
    size = f"{forecast.size_mm:g} mm"
    now = f"{forecast.n_ready} of {forecast.n_pieces} are ready (sealed, with a mouth, {size})"
    if not forecast.weeks:
        return now
    last = len(forecast.weeks) - 1
    chosen = [forecast.weeks[n] for n in sorted({min(3, last), last})]
    later = "; ".join(
        f"by {week.on.day} {week.on:%b} "
        + (f"{week.low}" if week.low == week.high else f"{week.low} to {week.high}")
        for week in chosen
    )
    return f"{now}; {later}, losses counted in"
