"""The stock forecast of all plates together, and of each plate and line."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polypvision.outcomes import Span
from polypvision.plan.laws import MOUTH, SEALED, TimeLaw, learn
from polypvision.plan.losses import LossRates, LossRecord, learn_losses, losses_of
from polypvision.plan.plate import PlateState
from polypvision.plan.stock import (
    Chance,
    Prospect,
    StockForecast,
    certain,
    from_forecast,
    from_law,
    stock_forecast,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Habits:
    """What pieces of this room usually do, learned from all its plates.

    Attributes
    ----------
    sealed, mouth : TimeLaw
    losses : LossRates
    record : LossRecord
        What the rates of loss rest on.
    """

    sealed: TimeLaw
    mouth: TimeLaw
    losses: LossRates
    record: LossRecord


@dataclass(frozen=True, kw_only=True)
class RoomForecast:
    """The stock forecast of a room.

    Attributes
    ----------
    plates, lines : tuple of StockForecast
        In the order of their names; plates without a line make no line.
    whole : StockForecast
        All plates together.
    record : LossRecord
        Losses it reckons with.
    """

    plates: tuple[StockForecast, ...]
    lines: tuple[StockForecast, ...]
    whole: StockForecast
    record: LossRecord


def learn_habits(plates: Sequence[PlateState], rng: np.random.Generator) -> Habits:
    """Return what the pieces of these plates usually do."""
    pieces = [piece for plate in plates for piece in plate.pieces]

    def seen(spans: list[Span | None]) -> list[Span]:
        return [span for span in spans if span is not None]

    record = sum((losses_of(one.tracks, one.courses) for one in plates), LossRecord())
    return Habits(
        sealed=learn(seen([piece.sealed for piece in pieces]), SEALED, rng),
        mouth=learn(seen([piece.mouth for piece in pieces]), MOUTH, rng),
        losses=learn_losses([record], rng),
        record=record,
    )


def _sealed(state: PlateState, name: str, habits: Habits) -> Chance:
    course = state.course(name)
    if not course.wounded:
        return certain
    forecast = state.closures.get(name)
    last = state.tracks.individual(name).last
    if forecast is not None and (forecast.told or forecast.probability[-1] > 0):
        return from_forecast(forecast, last.day)
    piece = state.piece(name)
    opened = next(one.day for one in course.points if one.sha256 == course.baseline_sha256)
    age = last.day - opened if piece is None else piece.followed_days
    return from_law(habits.sealed, age)


def _mouth(state: PlateState, name: str, habits: Habits) -> Chance:
    piece = state.piece(name)
    last = state.tracks.individual(name).last
    if piece is None or piece.mouth is None or state.has_mouth(name, last.day):
        return certain
    return from_law(habits.mouth, piece.followed_days, not_at=piece.mouth.low)


def prospects_of(state: PlateState, habits: Habits) -> tuple[Prospect, ...]:
    """Return what is still to come of every living polyp of a plate, by name."""
    found = []
    for name in state.living:
        last = state.tracks.individual(name).last
        size = state.sizes.get(name)
        large: Chance = certain
        if size is not None:
            large = from_forecast(size, last.day)
        elif last.polyp.diameter_mm < state.size_mm:
            large = _never
        found.append(
            Prospect(
                plate=state.plate,
                line=state.line,
                name=name,
                seen_at=last.taken_at,
                sealed=_sealed(state, name, habits),
                mouth=_mouth(state, name, habits),
                large=large,
                ready_now=state.ready(name),
            )
        )
    return tuple(found)


def _never(days: NDArray[np.float64]) -> NDArray[np.float64]:
    """Without a forecast of its size a small one is not counted on."""
    return np.zeros((1, len(days)))


def room_forecast(
    plates: Sequence[PlateState],
    dates: Sequence[datetime],
    *,
    size_mm: float,
    rng: np.random.Generator | None = None,
) -> RoomForecast:
    """Return how many pieces will be ready on each date: on every plate, of every line, in all.

    Parameters
    ----------
    plates : sequence of PlateState
    dates : sequence of datetime
        Increasing.
    size_mm : float
        The diameter that the forecasts of size in `plates` speak of.
    rng : numpy.random.Generator, optional
        Draws the worlds that stand for what is not known of the room.
    """
    habits = learn_habits(plates, rng or np.random.default_rng(0))
    of_plate = {one.plate: prospects_of(one, habits) for one in plates}
    everyone = [one for some in of_plate.values() for one in some]
    lines = sorted({one.line for one in everyone if one.line})

    def forecast(name: str, some: Sequence[Prospect]) -> StockForecast:
        return stock_forecast(name, some, habits.losses, dates, size_mm=size_mm)

    return RoomForecast(
        plates=tuple(forecast(name, of_plate[name]) for name in sorted(of_plate)),
        lines=tuple(
            forecast(line, [one for one in everyone if one.line == line]) for line in lines
        ),
        whole=forecast("all plates", everyone),
        record=habits.record,
    )
