"""What a person does to the reading of one photo: one small value for each kind of act.

Places and outlines are pixels of the upright photo, x and y, pixel centres at integers.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from polypvision.reading import Points, Polyp

Place = tuple[float, float]
"""x and y in the upright photo, pixels."""


@dataclass(frozen=True, kw_only=True, eq=False)
class AddPolyp:
    """A polyp that was not found: its outline (n, 2) and its mouths."""

    outline_px: Points
    mouths_px: tuple[Place, ...] = ()


@dataclass(frozen=True, kw_only=True)
class DeletePolyp:
    """That is no polyp."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ReshapePolyp:
    """Its outline runs otherwise: (n, 2)."""

    outline_px: Points


@dataclass(frozen=True, kw_only=True, eq=False)
class SplitPolyp:
    """It is several, parted along a line (n, 2) across it."""

    line_px: Points


@dataclass(frozen=True, kw_only=True)
class MergePolyps:
    """Those are one."""


@dataclass(frozen=True, kw_only=True)
class AddMouth:
    """A mouth that was not found."""

    place_px: Place


@dataclass(frozen=True, kw_only=True)
class MoveMouth:
    """A mouth that lies elsewhere."""

    from_px: Place
    to_px: Place


@dataclass(frozen=True, kw_only=True)
class DeleteMouth:
    """That is no mouth."""

    place_px: Place


@dataclass(frozen=True, kw_only=True, eq=False)
class PaintWound:
    """Exposed tissue inside this outline (n, 2), as far as it lies on the polyp."""

    outline_px: Points


@dataclass(frozen=True, kw_only=True, eq=False)
class EraseWound:
    """No exposed tissue inside this outline (n, 2)."""

    outline_px: Points


@dataclass(frozen=True, kw_only=True)
class NameIndividual:
    """What the individual is called, on all photos of its plate."""

    name: str


@dataclass(frozen=True, kw_only=True, eq=False)
class JoinLineage:
    """It is the same individual as one on an earlier photo, or came from it.

    Attributes
    ----------
    relation : {'same', 'daughter'}
    photo : str
        Hash of the earlier photo.
    before : Polyp
        The polyp there, as it stood when this was said.
    """

    relation: Literal["same", "daughter"]
    photo: str
    before: Polyp


@dataclass(frozen=True, kw_only=True)
class PartLineage:
    """It is not the individual it was taken for, or did not come from the one it was said to."""

    relation: Literal["same", "daughter"]


@dataclass(frozen=True, kw_only=True)
class Withdraw:
    """An earlier correction no longer holds: undo. Withdrawing a withdrawal is redo."""

    of: str


Act = (
    AddPolyp
    | DeletePolyp
    | ReshapePolyp
    | SplitPolyp
    | MergePolyps
    | AddMouth
    | MoveMouth
    | DeleteMouth
    | PaintWound
    | EraseWound
    | NameIndividual
    | JoinLineage
    | PartLineage
    | Withdraw
)
KINDS: dict[str, type[Act]] = {
    "add": AddPolyp,
    "delete": DeletePolyp,
    "reshape": ReshapePolyp,
    "split": SplitPolyp,
    "merge": MergePolyps,
    "add-mouth": AddMouth,
    "move-mouth": MoveMouth,
    "delete-mouth": DeleteMouth,
    "paint-wound": PaintWound,
    "erase-wound": EraseWound,
    "name": NameIndividual,
    "join": JoinLineage,
    "part": PartLineage,
    "withdraw": Withdraw,
}
"""The kinds of correction by their word in files and in the logbook."""
LINEAGE = (NameIndividual, JoinLineage, PartLineage)
"""Acts on who is who, which change no number of the photo."""


def kind_of(act: Act) -> str:
    """Return the word for a kind of act."""
    return next(word for word, kind in KINDS.items() if kind is type(act))


@dataclass(frozen=True, kw_only=True, eq=False)
class Correction:
    """One act of one person on one photo.

    Attributes
    ----------
    id : str
        Its own for ever.
    number : int
        Its place among the corrections of the photo. Clocks may tie or run apart; this does not.
    author : str
    at : datetime
        With an offset from UTC.
    act : Act
    was : tuple of Polyp
        The polyps it was done to, as they stood then: what the machine, or an earlier
        correction, had answered. By their outlines they are found again.
    """

    id: str
    number: int
    author: str
    at: datetime
    act: Act
    was: tuple[Polyp, ...] = ()
