"""The stock forecast of all plates together, and of each plate and line."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polypvision.events import CutMethod
from polypvision.outcomes import Span
from polypvision.plan.laws import LagLaw, learn_lag
from polypvision.plan.losses import NO_LOSSES, LossRates, LossRecord, learn_losses, losses_of
from polypvision.plan.plate import PlateState
from polypvision.plan.stock import (
    Chance,
    Prospect,
    StockForecast,
    certain,
    from_forecast,
    stock_forecast,
    with_mouth_after,
    with_mouth_since,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Habits:
    """What pieces of this room usually do, learned from all its plates.

    Attributes
    ----------
    mouth : mapping of cut method or None to LagLaw
        Of the pieces of each way of cutting; under None of all.
    losses : LossRates
    record : LossRecord
        What the rates of loss rest on.
    """

    mouth: Mapping[CutMethod | None, LagLaw]
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
    seen: dict[CutMethod | None, list[tuple[Span, Span]]] = {None: []}
    for piece in (piece for plate in plates for piece in plate.pieces):
        if piece.sealed is not None and piece.mouth is not None:
            seen.setdefault(piece.method, []).append((piece.sealed, piece.mouth))
            if piece.method is not None:
                seen[None].append((piece.sealed, piece.mouth))
    record = sum((losses_of(one.tracks, one.courses) for one in plates), LossRecord())
    return Habits(
        mouth={method: learn_lag(seen[method], rng) for method in sorted(seen, key=str)},
        losses=learn_losses([record], rng),
        record=record,
    )


def _sealed(state: PlateState, name: str) -> Chance:
    if not state.course(name).wounded:
        return certain
    forecast = state.closures.get(name)
    if forecast is None:
        return _never
    return from_forecast(forecast, state.tracks.individual(name).last.day)


def _whole(state: PlateState, name: str, habits: Habits) -> Chance:
    sealed, last = _sealed(state, name), state.tracks.individual(name).last
    piece = state.piece(name)
    if piece is None or piece.mouth is None or state.has_mouth(name, last.day):
        return sealed
    law = habits.mouth.get(piece.method, habits.mouth[None])
    if sealed is not certain or piece.sealed is None or not piece.sealed.happened:
        return with_mouth_after(sealed, law)
    closed = (piece.sealed.low + piece.sealed.high) / 2
    return with_mouth_since(
        piece.followed_days - closed, piece.followed_days - piece.mouth.low, law
    )


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
                sealed=_sealed(state, name),
                whole=_whole(state, name, habits),
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
    losses: bool = True,
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
    losses : bool
        False shows what a forecast that forgets losses would promise.
    """
    habits = learn_habits(plates, rng or np.random.default_rng(0))
    if not losses:
        habits = replace(habits, losses=NO_LOSSES)
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
