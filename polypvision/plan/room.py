"""The stock forecast of all plates together, and of each plate and line."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polypvision.events import CutMethod
from polypvision.outcomes import Span
from polypvision.plan.laws import N_WORLDS, LagLaw, learn_lag
from polypvision.plan.losses import NO_LOSSES, LossRates, LossRecord, learn_losses, losses_of
from polypvision.plan.plate import PlateState
from polypvision.plan.stock import (
    READY_MM,
    Chance,
    Prospect,
    StockForecast,
    StockTally,
    certain,
    from_forecast,
    ready_chances,
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


@dataclass(frozen=True, kw_only=True)
class PlateGlance:
    """What must be known of all plates before the stock of the first can be foretold.

    Attributes
    ----------
    plate, line : str
    n_living : int
    last_photo : datetime
    closings : tuple of (cut method or None, Span, Span)
        Of each piece: when its wound was closed, and when it had a mouth.
    losses : LossRecord
    """

    plate: str
    line: str
    n_living: int
    last_photo: datetime
    closings: tuple[tuple[CutMethod | None, Span, Span], ...]
    losses: LossRecord


def glance_at(state: PlateState) -> PlateGlance | None:
    """Return what the forecast of a room needs of a plate at first; None if it has no photo."""
    if not state.tracks.photos:
        return None
    return PlateGlance(
        plate=state.plate,
        line=state.line,
        n_living=len(state.living),
        last_photo=state.tracks.photos[-1].taken_at,
        closings=tuple(
            (piece.method, piece.sealed, piece.mouth)
            for piece in state.pieces
            if piece.sealed is not None and piece.mouth is not None
        ),
        losses=losses_of(state.tracks, state.courses),
    )


def learn_habits(plates: Sequence[PlateGlance], rng: np.random.Generator) -> Habits:
    """Return what the pieces of these plates usually do."""
    seen: dict[CutMethod | None, list[tuple[Span, Span]]] = {None: []}
    for method, sealed, mouth in (one for plate in plates for one in plate.closings):
        seen.setdefault(method, []).append((sealed, mouth))
        if method is not None:
            seen[None].append((sealed, mouth))
    record = sum((one.losses for one in plates), LossRecord())
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


class RoomTally:
    """The stock forecast of a room whose plates are looked at one after the other.

    Parameters
    ----------
    plates : sequence of PlateGlance
        All of them.
    dates : sequence of datetime
        Increasing.
    size_mm : float
        The diameter that the forecasts of size in the plates speak of.
    rng : numpy.random.Generator, optional
        Draws the worlds that stand for what is not known of the room.
    losses : bool
        False shows what a forecast that forgets losses would promise.

    Attributes
    ----------
    order : tuple of str
        Names of the plates, in the order in which they are to be added: line by line, so that only
        one line has to be kept in mind.
    """

    def __init__(
        self,
        plates: Sequence[PlateGlance],
        dates: Sequence[datetime],
        *,
        size_mm: float = READY_MM,
        rng: np.random.Generator | None = None,
        losses: bool = True,
    ) -> None:
        self._rng = rng or np.random.default_rng(0)
        self._habits = learn_habits(plates, self._rng)
        self._losses = self._habits.losses if losses else NO_LOSSES
        self._dates = dates
        self._size_mm = size_mm
        self.order = tuple(one.plate for one in sorted(plates, key=lambda one: one.line))
        self._living: dict[str, int] = {}
        for one in plates:
            self._living[one.line] = self._living.get(one.line, 0) + one.n_living
        self._whole = self._stock(sum(self._living.values()))
        self._line, self._of_line = "", self._stock(0)
        self._lines: list[StockForecast] = []
        self._plates: dict[str, StockForecast] = {}

    def _stock(self, expected: int) -> StockTally:
        return StockTally(self._dates, expected=expected, size_mm=self._size_mm)

    def add(self, state: PlateState) -> StockForecast:
        """Add a plate with its forecasts, and return its own stock forecast."""
        if state.line != self._line:
            self._end_line()
            self._line = state.line
            self._of_line = self._stock(self._living.get(state.line, 0))
        prospects = prospects_of(state, self._habits, self._rng)
        chances = ready_chances(prospects, self._dates, self._losses)
        own = self._stock(len(prospects))
        for tally in (own, self._of_line, self._whole):
            tally.add(prospects, chances)
        self._plates[state.plate] = own.forecast(state.plate)
        return self._plates[state.plate]

    def _end_line(self) -> None:
        if self._line:
            one = self._of_line.forecast(self._line)
            self._lines += [one] if one.n_pieces else []

    def forecast(self) -> RoomForecast:
        """Return the forecast of the room; no plate can be added any more."""
        self._end_line()
        self._line = ""
        return RoomForecast(
            plates=tuple(self._plates[name] for name in sorted(self._plates)),
            lines=tuple(sorted(self._lines, key=lambda one: one.name)),
            whole=self._whole.forecast("all plates"),
            record=self._habits.record,
        )


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
        With their forecasts.
    dates, size_mm, rng, losses
        As of `RoomTally`, which needs not all plates at once.
    """
    glances = [one for one in map(glance_at, plates) if one is not None]
    tally = RoomTally(glances, dates, size_mm=size_mm, rng=rng, losses=losses)
    states = {state.plate: state for state in plates}
    for name in tally.order:
        tally.add(states[name])
    return tally.forecast()
