"""The stock forecast of all plates together, and of each plate and line."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polypvision.events import CutMethod
from polypvision.outcomes import Span
from polypvision.plan.laws import N_WORLDS, LagLaw, learn_lag
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


def _nodes(state: PlateState, rng: np.random.Generator) -> NDArray[np.intp]:
    """Return which of the ways its polyps may have been open together holds in each world."""
    shared = state.growth.shared
    if shared is None:
        return np.zeros(N_WORLDS, dtype=np.intp)
    return rng.choice(len(shared.weight), size=N_WORLDS, p=shared.weight)


def _large(state: PlateState, name: str, nodes: NDArray[np.intp]) -> Chance:
    last = state.tracks.individual(name).last
    size = state.sizes.get(name)
    if size is None:
        return certain if last.polyp.diameter_mm >= state.size_mm else _never
    shared = state.growth.shared
    polyp = [one.name for one in state.growth.individuals].index(name)
    flat = size.probability[0] == size.probability[-1]
    if flat or shared is None or not np.isfinite(shared.effects.slope[polyp]):
        return from_forecast(size, last.day)

    def chance(days: NDArray[np.float64]) -> NDArray[np.float64]:
        # All of a plate look small together on a photo of contracted discs, so how many are large
        # enough is far less sure than their own errors would make it.
        forms = [
            shared.reached_by_node(polyp, np.log(state.size_mm), last.day + days, linear=linear)
            for linear in (False, True)
        ]
        by_node = np.maximum.accumulate(np.mean(forms, axis=0), axis=0)
        return np.asarray(by_node[:, nodes].T, dtype=np.float64)

    return chance


def prospects_of(
    state: PlateState, habits: Habits, rng: np.random.Generator
) -> tuple[Prospect, ...]:
    """Return what is still to come of every living polyp of a plate, by name."""
    found = []
    nodes = _nodes(state, rng)
    for name in state.living:
        last = state.tracks.individual(name).last
        found.append(
            Prospect(
                plate=state.plate,
                line=state.line,
                name=name,
                seen_at=last.taken_at,
                sealed=_sealed(state, name),
                whole=_whole(state, name, habits),
                large=_large(state, name, nodes),
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
    rng = rng or np.random.default_rng(0)
    habits = learn_habits(plates, rng)
    if not losses:
        habits = replace(habits, losses=NO_LOSSES)
    of_plate = {one.plate: prospects_of(one, habits, rng) for one in plates}
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
