"""What each donor gave: pieces made, and what became of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from polypvision.events import LogEntry
from polypvision.outcomes.pieces import Piece

_PIECES_A_POLYP = {"halves": 2, "quarters": 4}


@dataclass(frozen=True, kw_only=True)
class DonorYield:
    """One donor, all its cuts together.

    Attributes
    ----------
    donor : str
        As the log names it.
    methods : tuple of str
    made : int or None
        Pieces logged; None where some line does not say.
    followed, there, sold, lost : int
        Pieces that photos show, and what became of those.
    ready : int
        Of those still there or sold: sealed and with a mouth when last seen.
    """

    donor: str
    methods: tuple[str, ...]
    made: int | None
    followed: int
    there: int
    sold: int
    lost: int
    ready: int

    @property
    def kept(self) -> int:
        """Pieces that were not lost."""
        return self.there + self.sold


def without_completed(log: Sequence[LogEntry]) -> list[LogEntry]:
    """Return the cuts of a log, less the lines that another one with names completes."""
    cuts = [entry for entry in log if entry.kind == "cut"]
    named = {(one.plate, one.at.date(), one.method) for one in cuts if one.individuals}
    return [
        one
        for one in cuts
        if one.individuals or (one.plate, one.at.date(), one.method) not in named
    ]


def donor_yields(pieces: Sequence[Piece], log: Sequence[LogEntry]) -> tuple[DonorYield, ...]:
    """Return the yield of every donor that the log names, in the order of their names.

    Parameters
    ----------
    pieces : sequence of Piece
        Of any number of plates.
    log : sequence of LogEntry
        Of the same plates.
    """
    cuts = _by_donor(without_completed(log))
    pieces_of = _by_donor(pieces)
    found = []
    for donor in sorted(filter(None, cuts)):
        own, mine = cuts[donor], pieces_of.get(donor, [])
        made = [cut.pieces or len(cut.individuals) or None for cut in own]
        kept = [piece for piece in mine if piece.fate != "lost"]
        found.append(
            DonorYield(
                donor=donor,
                methods=tuple(sorted({cut.method for cut in own if cut.method})),
                made=None if None in made else sum(one or 0 for one in made),
                followed=len(mine),
                there=sum(piece.fate != "sold" for piece in kept),
                sold=sum(piece.fate == "sold" for piece in kept),
                lost=len(mine) - len(kept),
                ready=sum(piece.ready is not None and piece.ready.happened for piece in kept),
            )
        )
    return tuple(found)


_Of = TypeVar("_Of", Piece, LogEntry)


def _by_donor(things: Sequence[_Of]) -> dict[str, list[_Of]]:
    found: dict[str, list[_Of]] = {}
    for one in things:
        found.setdefault(one.donor, []).append(one)
    return found


def kept_per_polyp(pieces: Sequence[Piece], log: Sequence[LogEntry]) -> dict[str, float]:
    """Return how many pieces are kept per polyp cut, by way of cutting; those that can be counted.

    Cuts that put fewer pieces on the plate than their way makes are left out: the rest are
    elsewhere, and so is what became of them. So are cuts whose pieces are not known.

    Parameters
    ----------
    pieces, log
        Of the same plates.
    """
    of_cut: dict[object, list[Piece]] = {}
    for piece in pieces:
        key = (piece.plate, piece.cut_at, piece.method, piece.donor)
        of_cut.setdefault(key, []).append(piece)
    polyps: dict[str, float] = {}
    kept: dict[str, float] = {}
    for cut in without_completed(log):
        mine = of_cut.get((cut.plate, cut.at, cut.method, cut.donor), [])
        made = cut.pieces or len(cut.individuals)
        each = _PIECES_A_POLYP.get(cut.method or "")
        if cut.method is None or len(mine) != made or not made or (each and made % each):
            continue
        polyps[cut.method] = polyps.get(cut.method, 0.0) + (made / each if each else 1)
        n_kept = sum(piece.fate != "lost" for piece in mine)
        kept[cut.method] = kept.get(cut.method, 0.0) + n_kept
    return {method: kept[method] / polyps[method] for method in sorted(polyps)}
