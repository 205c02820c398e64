"""What must be known of every plate of a room at once: little of each, so that it can be kept."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from math import inf, isfinite, nan
from typing import Any

from polypvision.events import CutMethod, LogEntry
from polypvision.outcomes import Piece, Span
from polypvision.plan.losses import LossRecord, losses_of
from polypvision.plan.plate import PlateState


@dataclass(frozen=True, kw_only=True)
class PlateGlance:
    """What the comparison of cuts needs of a plate, and the stock forecast before its first.

    Attributes
    ----------
    plate, line : str
    n_living : int
    last_photo : datetime or None
        None of a plate without photos.
    losses : LossRecord
    pieces : tuple of Piece
        Cut pieces.
    log : tuple of LogEntry
        With individuals called as the pieces are.
    remarks : tuple of str
        What the log leaves open, and what to do.
    """

    plate: str
    line: str
    n_living: int
    last_photo: datetime | None
    losses: LossRecord
    pieces: tuple[Piece, ...]
    log: tuple[LogEntry, ...]
    remarks: tuple[str, ...]

    @property
    def closings(self) -> tuple[tuple[CutMethod | None, Span, Span], ...]:
        """Of each piece: how it was cut, when its wound was closed, and when it had a mouth."""
        return tuple(
            (piece.method, piece.sealed, piece.mouth)
            for piece in self.pieces
            if piece.sealed is not None and piece.mouth is not None
        )


def glance_at(state: PlateState) -> PlateGlance:
    """Return what must be known of a plate beside all others."""
    photos = state.tracks.photos
    return PlateGlance(
        plate=state.plate,
        line=state.line,
        n_living=len(state.living),
        last_photo=photos[-1].taken_at if photos else None,
        losses=losses_of(state.tracks, state.courses),
        pieces=tuple(state.pieces),
        log=tuple(state.log),
        remarks=tuple(state.remarks),
    )


def glance_record(glance: PlateGlance) -> dict[str, Any]:
    """Return a glance as plain JSON values, from which `glance_from_record` makes the same."""
    return {
        "line": glance.line,
        "n_living": glance.n_living,
        "last_photo": glance.last_photo and glance.last_photo.isoformat(),
        "losses": asdict(glance.losses),
        "pieces": [_piece_record(one) for one in glance.pieces],
        "log": [{**asdict(one), "at": one.at.isoformat()} for one in glance.log],
        "remarks": list(glance.remarks),
    }


def glance_from_record(plate: str, record: Mapping[str, Any]) -> PlateGlance:
    """Return what `glance_record` was made of."""
    last = record["last_photo"]
    return PlateGlance(
        plate=plate,
        line=record["line"],
        n_living=record["n_living"],
        last_photo=last and datetime.fromisoformat(last),
        losses=LossRecord(**record["losses"]),
        pieces=tuple(_piece(one) for one in record["pieces"]),
        log=tuple(
            LogEntry(**{**one, "at": datetime.fromisoformat(one["at"])}) for one in record["log"]
        ),
        remarks=tuple(record["remarks"]),
    )


_SPANS = ("lost", "sealed", "mouth", "ready")


def _piece_record(piece: Piece) -> dict[str, Any]:
    rate = piece.growth_percent_per_week
    return {
        **vars(piece),
        "cut_at": piece.cut_at.isoformat(),
        "growth_percent_per_week": rate if isfinite(rate) else None,
        **{name: span_record(getattr(piece, name)) for name in _SPANS},
    }


def _piece(record: Mapping[str, Any]) -> Piece:
    rate = record["growth_percent_per_week"]
    return Piece(
        **{
            **record,
            "cut_at": datetime.fromisoformat(record["cut_at"]),
            "growth_percent_per_week": nan if rate is None else rate,
            **{name: span_from_record(record[name]) for name in _SPANS},
        }
    )


def span_record(span: Span | None) -> list[float | None] | None:
    """Return a span as its two days; JSON has no infinity, so it is None there."""
    return None if span is None else [span.low, span.high if span.happened else None]


def span_from_record(record: Sequence[float | None] | None) -> Span | None:
    """Return what `span_record` was made of."""
    if record is None:
        return None
    low, high = record
    assert low is not None, "a span begins on some day"
    return Span(low=low, high=inf if high is None else high)
