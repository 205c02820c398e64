"""An individual while it is being followed from photo to photo."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from polypvision.events import LogEntry
from polypvision.track.division import Verdict
from polypvision.track.individuals import End, Observation

LOSSES = ("loss", "sale")
"""Kinds of log entry after which an individual is gone."""


@dataclass(frozen=True, kw_only=True)
class Birth:
    """How an individual came to be."""

    parents: tuple[str, ...] = ()
    divided: bool = False
    verdict: Verdict | None = None


@dataclass(kw_only=True, eq=False)
class Trail:
    """An individual while it is being followed."""

    name: str
    observations: list[Observation]
    first_index: int
    last_index: int
    birth: Birth
    end: End | None = None
    ended_by: Verdict | None = None
    closed: bool = False

    @property
    def last(self) -> Observation:
        """The last sighting."""
        return self.observations[-1]

    def add(self, observation: Observation, index: int) -> None:
        """Record a sighting on the photo of this index."""
        self.observations.append(observation)
        self.last_index = index

    def looked_for(self, day: float, bridge_days: float) -> bool:
        """Whether it may still turn up on a photo of this day."""
        return self.end != "divided" and not self.closed and day - self.last.day <= bridge_days

    def noted(self, log: Sequence[LogEntry], until: datetime) -> list[LogEntry]:
        """Return the log's entries on this individual since it was last seen, by calendar day."""
        return [
            entry
            for entry in log
            if entry.individual == self.name
            and self.last.taken_at.date() <= entry.at.date() <= until.date()
        ]

    def close_if_gone(self, log: Sequence[LogEntry], taken_at: datetime, index: int) -> None:
        """Stop looking for it where it is not on this photo and the log says it is gone."""
        if self.last_index < index and any(
            entry.kind in LOSSES for entry in self.noted(log, taken_at)
        ):
            self.closed = True
