"""What happened to a plate: what a person wrote down, and what comparing photos showed."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

LogKind = Literal["cut", "loss", "sale", "division", "note"]
LOG_KINDS: tuple[LogKind, ...] = ("cut", "loss", "sale", "division", "note")

CutMethod = Literal["halves", "quarters", "margin"]
CUT_METHODS: dict[CutMethod, str] = {
    # Common practice, no source: a cut goes through the mouth, into halves or at most quarters.
    "halves": "through the mouth into two",
    "quarters": "through the mouth into four",
    "margin": "small pieces off the foot margin",
}


@dataclass(frozen=True, kw_only=True)
class LogEntry:
    """One line a person wrote in the logbook.

    Attributes
    ----------
    at : datetime
        When it happened.
    kind : {'cut', 'loss', 'sale', 'division', 'note'}
    individual : str or None
        The polyp it concerns, by its name through time on this plate; several with blanks between.
    pieces : int or None
        Pieces made by a cut, or polyps lost, sold or added.
    """

    plate: str
    at: datetime
    kind: LogKind
    individual: str | None = None
    pieces: int | None = None
    method: CutMethod | None = None
    donor: str = ""
    dip: str = ""
    note: str = ""

    @property
    def individuals(self) -> tuple[str, ...]:
        """The polyps it names; empty if it concerns the whole plate."""
        return tuple((self.individual or "").replace(",", " ").split())


@dataclass(frozen=True, kw_only=True)
class Sighting:
    """One polyp on one photo, by the photo's hash and the polyp's label there."""

    sha256: str
    label: int


SayingKind = Literal["name", "same", "daughter", "other", "no-parent"]


@dataclass(frozen=True, kw_only=True)
class Saying:
    """What a person says of who is who.

    Attributes
    ----------
    kind : {'name', 'same', 'daughter', 'other', 'no-parent'}
        It is called so; it is the same individual as `before`; it came from `before`; it is not
        the individual it would be taken for; it came from nobody known.
    seen : Sighting
        Whom it is said of.
    before : Sighting or None
        On an earlier photo; only of 'same' and 'daughter'.
    name : str
        Only of 'name'.
    """

    kind: SayingKind
    seen: Sighting
    before: Sighting | None = None
    name: str = ""


SeenKind = Literal["divided", "new", "lost", "moved", "joined", "rearranged"]
"""What comparing photos shows. ``joined``: two that stand there were read as one; ``rearranged``:
pieces of the plate changed places."""


@dataclass(frozen=True, kw_only=True)
class SeenEvent:
    """Something that comparing two photos of a plate showed.

    Attributes
    ----------
    at : datetime
        Date of the photo that shows it; it happened between that photo and the one before.
    after : datetime or None
        Date of the photo before; None if there is none.
    individuals : tuple of str
        Whom it concerns: of a division the parent first, then the daughters; of an open question
        those that were there before, then those that may be the same.
    confidence : float
        0 to 1.
    """

    at: datetime
    after: datetime | None
    kind: SeenKind
    individuals: tuple[str, ...]
    confidence: float
    evidence: str
