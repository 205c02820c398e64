"""Every cut piece with what became of it: sealed, with a mouth, lost, and how fast it grew."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import inf, isfinite, nan
from typing import Literal

from polypvision.events import CutMethod, LogEntry
from polypvision.growth import GrowthCourse
from polypvision.healing import WoundCourse
from polypvision.healing.stages import PieceProgress, Stage
from polypvision.outcomes.curves import Span
from polypvision.outcomes.cuts import pieces_of_cuts
from polypvision.track import Individual, PlateTracks, days_between

Fate = Literal["there", "lost", "sold", "divided"]


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One cut piece, and what became of it. Days count from its cut.

    Attributes
    ----------
    plate, line, name : str
    cut_at : datetime
    method : {'halves', 'quarters', 'margin'} or None
        None where it was not noted or cannot be told.
    donor, dip : str
        Empty likewise.
    fate : {'there', 'lost', 'sold', 'divided'}
    followed_days : float
        Until it was last seen.
    lost : Span
        When it was lost; of one that is there, was sold or has divided, not so far.
    sealed, mouth, ready : Span or None
        When its wound was closed, when it had a mouth, and both; of one that was lost first, not
        until then. None where no photo tells.
    growth_percent_per_week : float
        Of the diameter; NaN where no rate can be given.
    """

    plate: str
    line: str
    name: str
    cut_at: datetime
    method: CutMethod | None
    donor: str
    dip: str
    fate: Fate
    followed_days: float
    lost: Span
    sealed: Span | None
    mouth: Span | None
    ready: Span | None
    growth_percent_per_week: float


def pieces_of_plate(
    tracks: PlateTracks,
    log: Sequence[LogEntry],
    *,
    courses: Sequence[WoundCourse],
    progress: Sequence[PieceProgress],
    growth: Sequence[GrowthCourse] = (),
    line: str = "",
) -> tuple[tuple[Piece, ...], tuple[str, ...]]:
    """Return the cut pieces of one plate, in the order of their names.

    Parameters
    ----------
    tracks : PlateTracks
    log : sequence of LogEntry
    courses : sequence of WoundCourse
    progress : sequence of PieceProgress
    growth : sequence of GrowthCourse
        Of the same tracks.
    line : str
        The line or kind of polyp.

    Returns
    -------
    tuple of Piece
        Empty where no cut was logged.
    tuple of str
        What could not be told, and what to do, a sentence each.
    """
    found = pieces_of_cuts(tracks, log, courses)
    progress_of = {one.name: one for one in progress}
    growth_of = {one.name: one for one in growth}
    pieces = [
        _piece(one, found.cut_of[one.name], tracks, log, progress_of, growth_of, line)
        for one in tracks.individuals
        if one.name in found.cut_of
    ]
    return tuple(pieces), found.remarks


def _since(cut_at: datetime, when: datetime) -> float:
    """Return the days since the cut; none where only the clock, not the day, is earlier."""
    return max(days_between(cut_at, when), 0.0)


def _piece(
    one: Individual,
    cut: LogEntry,
    tracks: PlateTracks,
    log: Sequence[LogEntry],
    progress_of: dict[str, PieceProgress],
    growth_of: dict[str, GrowthCourse],
    line: str,
) -> Piece:
    followed = _since(cut.at, one.last.taken_at)
    progress = progress_of.get(one.name)
    cut_day = tracks.day_of(cut.at)
    sealed = _span(progress, "sealed", cut_day, followed)
    mouth = _span(progress, "mouth formed", cut_day, followed)
    rate = growth_of[one.name].rate if one.name in growth_of else None
    return Piece(
        plate=cut.plate,
        line=line,
        name=one.name,
        cut_at=cut.at,
        method=cut.method,
        donor=cut.donor,
        dip=cut.dip,
        # A piece left open for a person stands somewhere: it is not counted as lost.
        fate="there" if one.end is None or one.end == "open" else one.end,
        followed_days=followed,
        lost=_lost(one, cut, tracks, log, followed),
        sealed=sealed,
        mouth=mouth,
        ready=_later(sealed, mouth),
        growth_percent_per_week=nan if rate is None else rate.percent_per_week,
    )


def _span(
    progress: PieceProgress | None, stage: Stage, cut_day: float, followed: float
) -> Span | None:
    """Return a stage's span in days since the cut; None where no photo tells."""
    if progress is None:
        return None
    reached = progress.of(stage)
    low = max(reached.after_day - cut_day, 0.0) if isfinite(reached.after_day) else 0.0
    if not reached.reached:
        return Span(low=min(low, followed), high=inf) if followed > 0 else None
    high = reached.by_day - cut_day
    return Span(low=min(low, high), high=high) if high > 0 else None


def _later(sealed: Span | None, mouth: Span | None) -> Span | None:
    """Return when both had happened."""
    if sealed is None or mouth is None:
        return None
    return Span(low=max(sealed.low, mouth.low), high=max(sealed.high, mouth.high))


def _lost(
    one: Individual,
    cut: LogEntry,
    tracks: PlateTracks,
    log: Sequence[LogEntry],
    followed: float,
) -> Span:
    if one.end != "lost":
        return Span(low=followed, high=inf)
    without = [photo.taken_at for photo in tracks.photos if photo.day > one.last.day]
    # The keeper may have noted it before the photo showed it.
    noted = [
        entry.at
        for entry in log
        if entry.kind == "loss"
        and (not entry.individuals or one.name in entry.individuals)
        and one.last.taken_at.date() <= entry.at.date()
        and (not without or entry.at.date() <= without[0].date())
    ]
    named = [at for at in noted if any(one.name in e.individuals for e in log if e.at == at)]
    until = max(named or noted or without[:1], default=None, key=lambda at: at.replace(tzinfo=None))
    if until is None:
        return Span(low=followed, high=inf)
    return Span(low=followed, high=max(_since(cut.at, until), followed))
