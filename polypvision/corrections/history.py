"""Which corrections hold: undo and redo are corrections that withdraw others."""

from collections.abc import Sequence

from polypvision.corrections.acts import Correction, Withdraw


def in_order(corrections: Sequence[Correction]) -> list[Correction]:
    """Return corrections in their order, whichever way they are handed in."""
    return sorted(corrections, key=lambda one: (one.number, one.at, one.id))


def withdrawn(corrections: Sequence[Correction]) -> set[str]:
    """Return the ids of those that no longer hold.

    A withdrawal reaches back only, so from the last to the first each is settled once.
    """
    gone: set[str] = set()
    for one in reversed(in_order(corrections)):
        if isinstance(one.act, Withdraw) and one.id not in gone:
            gone.add(one.act.of)
    return gone


def to_undo(corrections: Sequence[Correction], author: str) -> str | None:
    """Return the id of the author's last correction that holds; None if there is none."""
    gone = withdrawn(corrections)
    for one in reversed(in_order(corrections)):
        if one.author == author and one.id not in gone and not isinstance(one.act, Withdraw):
            return one.id
    return None


def to_redo(corrections: Sequence[Correction], author: str) -> str | None:
    """Return the id of the author's last undo that can be taken back.

    None if there is none, or if the author has corrected anything since.
    """
    gone = withdrawn(corrections)
    acts = {one.id for one in corrections if not isinstance(one.act, Withdraw)}
    own = [one for one in in_order(corrections) if one.author == author]
    for one in reversed(own):
        if not isinstance(one.act, Withdraw):
            # Whoever goes on correcting leaves what was undone behind, also if somebody else
            # takes that correction back.
            return None
        if one.act.of in acts and one.id not in gone:
            return one.id
    return None
