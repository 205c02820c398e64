"""The stock forecast of all plates together, and of each plate and line."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polypvision.events import CutMethod
from polypvision.growth import GrowthLine
from polypvision.outcomes import Span
from polypvision.plan.glances import PlateGlance, glance_at
from polypvision.plan.laws import N_WORLDS, LagLaw, learn_lag
from polypvision.plan.losses import NO_LOSSES, LossRates, LossRecord, learn_losses
from polypvision.plan.outlook import DayTable, Known, PieceOutlook, PlateOutlook, outlook_of
from polypvision.plan.plate import PlateState
from polypvision.plan.stock import (
    READY_MM,
    Chance,
    Prospect,
    StockForecast,
    StockTally,
    certain,
    never,
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


def _chance(table: DayTable | Known, seen_day: float) -> Chance:
    """Return a forecast as chances by days ahead of the day on which the piece was last seen."""
    if table == "certain":
        return certain
    if isinstance(table, str):
        return never
    return lambda days: table.by(seen_day + days)[None, :]


def _whole(piece: PieceOutlook, sealed: Chance, habits: Habits) -> Chance:
    growing = piece.growing
    if growing is None:
        return sealed
    law = habits.mouth.get(growing.method, habits.mouth[None])
    if sealed is not certain or growing.sealed is None or not growing.sealed.happened:
        return with_mouth_after(sealed, law)
    closed = (growing.sealed.low + growing.sealed.high) / 2
    return with_mouth_since(
        growing.followed_days - closed, growing.followed_days - growing.mouth.low, law
    )


def _nodes(outlook: PlateOutlook, rng: np.random.Generator) -> NDArray[np.intp]:
    """Return which of the ways its polyps may have been open together holds in each world."""
    shared = outlook.shared
    if shared is None:
        return np.zeros(N_WORLDS, dtype=np.intp)
    return rng.choice(len(shared.weight), size=N_WORLDS, p=shared.weight)


def _large(outlook: PlateOutlook, piece: PieceOutlook, nodes: NDArray[np.intp]) -> Chance:
    shared, line = outlook.shared, piece.large
    if shared is None or not isinstance(line, GrowthLine):
        assert not isinstance(line, GrowthLine), "a line hangs on what its plate shares"
        return _chance(line, piece.seen_day)

    def chance(days: NDArray[np.float64]) -> NDArray[np.float64]:
        # All of a plate look small together on a photo of contracted discs, so how many are large
        # enough is far less sure than their own errors would make it.
        forms = [
            shared.reached(line, np.log(outlook.size_mm), piece.seen_day + days, linear=linear)
            for linear in (False, True)
        ]
        by_node = np.maximum.accumulate(np.mean(forms, axis=0), axis=0)
        return np.asarray(by_node[:, nodes].T, dtype=np.float64)

    return chance


def prospects_of(
    outlook: PlateOutlook, habits: Habits, rng: np.random.Generator
) -> tuple[Prospect, ...]:
    """Return what is still to come of every living polyp of a plate, by name."""
    nodes = _nodes(outlook, rng)
    found = []
    for piece in outlook.pieces:
        sealed = _chance(piece.sealed, piece.seen_day)
        found.append(
            Prospect(
                plate=outlook.plate,
                line=outlook.line,
                name=piece.name,
                seen_at=piece.seen_at,
                sealed=sealed,
                whole=_whole(piece, sealed, habits),
                large=_large(outlook, piece, nodes),
                ready_now=piece.ready_now,
            )
        )
    return tuple(found)


class RoomTally:
    """The stock forecast of a room whose plates are looked at one after the other.

    Parameters
    ----------
    plates : sequence of PlateGlance
        All of them; those without photos have no stock, and are not to be added.
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
        with_photos = [one for one in plates if one.last_photo is not None]
        self.order = tuple(one.plate for one in sorted(with_photos, key=lambda one: one.line))
        self._living: dict[str, int] = {}
        for one in plates:
            self._living[one.line] = self._living.get(one.line, 0) + one.n_living
        self._whole = self._stock(sum(self._living.values()))
        self._line, self._of_line = "", self._stock(0)
        self._lines: list[StockForecast] = []
        self._plates: dict[str, StockForecast] = {}

    def _stock(self, expected: int) -> StockTally:
        return StockTally(self._dates, expected=expected, size_mm=self._size_mm)

    def add(self, outlook: PlateOutlook) -> StockForecast:
        """Add a plate, and return its own stock forecast."""
        if outlook.line != self._line:
            self._end_line()
            self._line = outlook.line
            self._of_line = self._stock(self._living.get(outlook.line, 0))
        prospects = prospects_of(outlook, self._habits, self._rng)
        chances = ready_chances(prospects, self._dates, self._losses)
        own = self._stock(len(prospects))
        for tally in (own, self._of_line, self._whole):
            tally.add(prospects, chances)
        self._plates[outlook.plate] = own.forecast(outlook.plate)
        return self._plates[outlook.plate]

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
    tally = RoomTally(
        [glance_at(one) for one in plates], dates, size_mm=size_mm, rng=rng, losses=losses
    )
    states = {state.plate: state for state in plates}
    for name in tally.order:
        tally.add(outlook_of(states[name]))
    return tally.forecast()
