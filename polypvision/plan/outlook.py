"""What the stock forecast of a room needs of one plate with its forecasts: plain numbers.

Working a plate's forecasts out takes some forty times as long as adding them up, and changes only
when the plate does; so they are taken out of the plate here, can be kept, and be added up anew
whenever the room has changed.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from polypvision.events import CutMethod
from polypvision.forecasts import DayForecast
from polypvision.growth import GrowthLine, GrowthNodes
from polypvision.outcomes import Span
from polypvision.plan.glances import span_from_record, span_record
from polypvision.plan.plate import PlateState


@dataclass(frozen=True, kw_only=True)
class DayTable:
    """The probability that something has happened by each of some days of the plate."""

    days: tuple[float, ...]
    probability: tuple[float, ...]

    def by(self, days: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the probability (n,) by each of these days; see `DayForecast.probability_by`."""
        return np.interp(days, self.days, self.probability, left=0.0)


Known = Literal["certain", "never"]


@dataclass(frozen=True, kw_only=True)
class Growing:
    """A cut piece that is still waiting for its mouth.

    Attributes
    ----------
    method : cut method or None
    sealed : Span or None
    mouth : Span
        Days since the cut, as of `outcomes.Piece`.
    followed_days : float
    """

    method: CutMethod | None
    sealed: Span | None
    mouth: Span
    followed_days: float


@dataclass(frozen=True, kw_only=True)
class PieceOutlook:
    """What is still to come of one living polyp.

    Attributes
    ----------
    name : str
    seen_at : datetime
    seen_day : float
        When it was last seen, and on which day of the plate that was.
    ready_now : bool
    sealed : DayTable, 'certain' or 'never'
        Of a closed wound.
    growing : Growing or None
        None if it has its mouth.
    large : DayTable, GrowthLine, 'certain' or 'never'
        Of the size asked for; as a line where that hangs on what its plate shares.
    """

    name: str
    seen_at: datetime
    seen_day: float
    ready_now: bool
    sealed: DayTable | Known
    growing: Growing | None
    large: DayTable | GrowthLine | Known


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateOutlook:
    """What is still to come of a plate.

    Attributes
    ----------
    plate, line : str
    size_mm : float
        The diameter asked for.
    shared : GrowthNodes or None
        What its polyps share in growing; None where nothing is known of that.
    pieces : tuple of PieceOutlook
        The living, by name.
    """

    plate: str
    line: str
    size_mm: float
    shared: GrowthNodes | None
    pieces: tuple[PieceOutlook, ...]


def outlook_of(state: PlateState) -> PlateOutlook:
    """Return what the stock forecast needs of a plate with its forecasts."""
    shared = state.growth.shared
    return PlateOutlook(
        plate=state.plate,
        line=state.line,
        size_mm=state.size_mm,
        shared=None if shared is None else shared.nodes,
        pieces=tuple(_piece_of(state, name) for name in state.living),
    )


def _piece_of(state: PlateState, name: str) -> PieceOutlook:
    last = state.tracks.individual(name).last
    return PieceOutlook(
        name=name,
        seen_at=last.taken_at,
        seen_day=last.day,
        ready_now=state.ready(name),
        sealed=_sealed(state, name),
        growing=_growing(state, name, last.day),
        large=_large(state, name),
    )


def _sealed(state: PlateState, name: str) -> DayTable | Known:
    if not state.course(name).wounded:
        return "certain"
    forecast = state.closures.get(name)
    return "never" if forecast is None else _table(forecast)


def _growing(state: PlateState, name: str, last_day: float) -> Growing | None:
    piece = state.piece(name)
    if piece is None or piece.mouth is None or state.has_mouth(name, last_day):
        return None
    return Growing(
        method=piece.method,
        sealed=piece.sealed,
        mouth=piece.mouth,
        followed_days=piece.followed_days,
    )


def _large(state: PlateState, name: str) -> DayTable | GrowthLine | Known:
    size = state.sizes.get(name)
    if size is None:
        # Without a forecast of its size a small one is not counted on.
        large = state.tracks.individual(name).last.polyp.diameter_mm >= state.size_mm
        return "certain" if large else "never"
    shared = state.growth.shared
    polyp = [one.name for one in state.growth.individuals].index(name)
    flat = size.probability[0] == size.probability[-1]
    if flat or shared is None or not np.isfinite(shared.effects.slope[polyp]):
        return _table(size)
    return shared.line(polyp)


def _table(forecast: DayForecast) -> DayTable:
    return DayTable(days=forecast.days, probability=forecast.probability)


def outlook_record(outlook: PlateOutlook) -> dict[str, Any]:
    """Return an outlook as plain JSON values, from which `outlook_from_record` makes the same."""
    shared = outlook.shared
    return {
        "line": outlook.line,
        "size_mm": outlook.size_mm,
        "shared": None
        if shared is None
        else {
            **vars(shared),
            **{name: getattr(shared, name).tolist() for name in ("level", "trend", "weight")},
        },
        "pieces": [
            {
                "name": one.name,
                "seen_at": one.seen_at.isoformat(),
                "seen_day": one.seen_day,
                "ready_now": one.ready_now,
                "sealed": _told(one.sealed),
                "growing": one.growing
                and {
                    "method": one.growing.method,
                    "sealed": span_record(one.growing.sealed),
                    "mouth": span_record(one.growing.mouth),
                    "followed_days": one.growing.followed_days,
                },
                "large": _told(one.large),
            }
            for one in outlook.pieces
        ],
    }


def outlook_from_record(plate: str, record: Mapping[str, Any]) -> PlateOutlook:
    """Return what `outlook_record` was made of."""
    shared = record["shared"]
    arrays = () if shared is None else ("level", "trend", "weight")
    return PlateOutlook(
        plate=plate,
        line=record["line"],
        size_mm=record["size_mm"],
        shared=shared
        and GrowthNodes(**{**shared, **{one: np.array(shared[one]) for one in arrays}}),
        pieces=tuple(_piece_from_record(one) for one in record["pieces"]),
    )


def _told(chance: DayTable | GrowthLine | Known) -> dict[str, Any] | str:
    return chance if isinstance(chance, str) else asdict(chance)


def _piece_from_record(record: Mapping[str, Any]) -> PieceOutlook:
    growing, sealed, large = record["growing"], record["sealed"], record["large"]
    if growing is not None:
        spans = {name: span_from_record(growing[name]) for name in ("sealed", "mouth")}
        growing = Growing(**{**growing, **spans})
    line = not isinstance(large, str) and "slope" in large
    return PieceOutlook(
        **{
            **record,
            "seen_at": datetime.fromisoformat(record["seen_at"]),
            "sealed": _table_from_record(sealed),
            "growing": growing,
            "large": GrowthLine(**large) if line else _table_from_record(large),
        }
    )


def _table_from_record(record: Any) -> DayTable | Known:
    if record in ("certain", "never"):
        return record  # type: ignore[no-any-return]
    return DayTable(days=tuple(record["days"]), probability=tuple(record["probability"]))
