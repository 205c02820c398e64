"""An individual while it is being followed from photo to photo."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from polypvision.events import LogEntry
from polypvision.track.division import Verdict
from polypvision.track.individuals import End, Observation

SURE_SCORE = 0.8
"""From this score on one sighting of a polyp is believed (own estimate)."""
_DOUBTED_PHOTOS = 2
"""One that was seen but once is not looked for after so many photos without it."""
LOSSES = ("loss", "sale")
"""Kinds of log entry after which an individual is gone."""


@dataclass(frozen=True, kw_only=True)
class Birth:
    """How an individual came to be; `open`: perhaps one of those that changed places; `said`: a
    person told."""

    parents: tuple[str, ...] = ()
    divided: bool = False
    verdict: Verdict | None = None
    open: bool = False
    said: bool = False


@dataclass(kw_only=True, eq=False)
class Trail:
    """An individual while it is being followed.

    ``hidden_index`` is the last photo on which it was read as one with another.
    """

    name: str
    observations: list[Observation]
    first_index: int
    last_index: int
    birth: Birth
    hidden_index: int = -1
    end: End | None = None
    ended_by: Verdict | None = None
    gone_by: LogEntry | None = None

    @property
    def last(self) -> Observation:
        """The last sighting."""
        return self.observations[-1]

    @property
    def present_index(self) -> int:
        """The last photo on which it was, seen by itself or not."""
        return max(self.last_index, self.hidden_index)

    def missed(self, index: int) -> int:
        """Return on how many photos before this one it was missing."""
        return max(index - self.present_index - 1, 0)

    @property
    def doubtful(self) -> bool:
        """Whether all there is of it is one sighting that may be a mistake of the reading: any but
        a sure one of the first photo, the half of a division, or one that changed places."""
        sure = self.first_index == 0 and self.last.polyp.score >= SURE_SCORE
        known = self.birth.divided or self.birth.open or self.birth.said or sure
        return len(self.observations) == 1 and not known

    def add(self, observation: Observation, index: int) -> None:
        """Record a sighting on the photo of this index."""
        self.observations.append(observation)
        self.last_index = index
        self.end = None

    def looked_for(self, day: float, index: int, bridge_days: float) -> bool:
        """Whether it may still turn up on the photo of this day and index."""
        if self.end == "divided" or self.gone_by is not None:
            return False
        if self.doubtful and self.missed(index) >= _DOUBTED_PHOTOS:
            return False
        return day - self.last.day <= bridge_days

    def noted(self, log: Sequence[LogEntry], until: datetime) -> list[LogEntry]:
        """Return the log's entries on this individual since it was last seen, by calendar day."""
        return [
            entry
            for entry in log
            if self.name in entry.individuals and _within(entry, self.last.taken_at, until)
        ]

    def division_noted(self, log: Sequence[LogEntry], until: datetime) -> bool:
        """Whether a division of it, or of somebody on its plate, was noted since."""
        return any(
            entry.kind == "division"
            and (not entry.individuals or self.name in entry.individuals)
            and _within(entry, self.last.taken_at, until)
            for entry in log
        )


def _within(entry: LogEntry, since: datetime, until: datetime) -> bool:
    """Whether an entry falls between two photos, by calendar day: people note days."""
    return since.date() <= entry.at.date() <= until.date()


def mark_gone(
    trails: Sequence[Trail], log: Sequence[LogEntry], until: datetime, index: int
) -> None:
    """Note who is missing on the photo of this index because the log says it was lost or sold.

    An entry that names no one explains those that vanished since the photo before, if they are no
    more than the pieces it tells of; else it is left open which of them were meant.
    """
    missing = [one for one in trails if one.present_index < index and one.gone_by is None]
    for trail in missing:
        named = [entry for entry in trail.noted(log, until) if entry.kind in LOSSES]
        trail.gone_by = named[0] if named else None
    vanished = [one for one in missing if one.gone_by is None and one.present_index == index - 1]
    if not vanished:
        return
    used = {id(one.gone_by) for one in trails}
    entries = [
        entry
        for entry in log
        if entry.kind in LOSSES
        and not entry.individuals
        and id(entry) not in used
        and _within(entry, vanished[0].last.taken_at, until)
    ]
    pieces = [entry for entry in entries for _ in range(entry.pieces or 1)]
    if len(vanished) <= len(pieces) and len({entry.kind for entry in entries}) == 1:
        for trail, entry in zip(vanished, pieces, strict=False):
            trail.gone_by = entry
