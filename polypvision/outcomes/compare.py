"""Ways of cutting, lines, donors and dips compared by what became of their pieces."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import isfinite, sqrt
from typing import Literal, get_args

import numpy as np

from polypvision.outcomes.contrasts import (
    Contrast,
    holm,
    mean_contrast,
    share_contrast,
    time_contrast,
)
from polypvision.outcomes.curves import Curve, Span, curve, wilson_interval
from polypvision.outcomes.pieces import Piece

By = Literal["method", "line", "donor", "dip"]
BYS: tuple[By, ...] = get_args(By)
Measure = Literal["survival", "sealed", "mouth", "growth"]
MEASURES: tuple[Measure, ...] = get_args(Measure)

HORIZON_DAYS = 28
"""Survival is compared after so long: by then a cut has sealed or failed (common practice, no
source)."""

_HOW: dict[By, Callable[[Piece], str]] = {
    "method": lambda piece: piece.method or "",
    "line": lambda piece: piece.line,
    "donor": lambda piece: piece.donor,
    "dip": lambda piece: piece.dip,
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Group:
    """Pieces that were treated alike.

    Attributes
    ----------
    name : str
    n : int
        Pieces.
    n_donors : int
        Polyps that were cut, as far as they can be told apart by donor, plate and time of the cut.
    n_known, n_lived : int
        Pieces known to have lived for the time compared or not, and those that did.
    lived_low, lived_high : float
        Wilson's 95 % interval of the share that does, 0 to 1.
    survival, sealed, mouth, ready : Curve
        Share not lost, not sealed, without a mouth, and not yet both, against days since the cut.
    growth_percent_per_week, growth_err : float
        Mean of those whose rate is known, and its standard error; NaN if too few.
    n_growth : int
        How many those are.
    there, sold, lost : int
    """

    name: str
    n: int
    n_donors: int
    n_known: int
    n_lived: int
    lived_low: float
    lived_high: float
    survival: Curve
    sealed: Curve
    mouth: Curve
    ready: Curve
    growth_percent_per_week: float
    growth_err: float
    n_growth: int
    there: int
    sold: int
    lost: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """Groups of pieces compared.

    Attributes
    ----------
    by : {'method', 'line', 'donor', 'dip'}
    horizon_days : int
        Survival is compared after so many days.
    groups : tuple of Group
        In the order of their names.
    contrasts : mapping of measure to tuple of Contrast
        Every pair of groups; each p raised for the number of pairs (Holm).
    n_left_out : int
        Pieces of which it is not known to which group they belong.
    apart : bool
        No donor is in two groups, so what the donors do and what the treatment does cannot be told
        apart.
    """

    by: By
    horizon_days: int
    groups: tuple[Group, ...]
    contrasts: Mapping[Measure, tuple[Contrast, ...]]
    n_left_out: int
    apart: bool


def _horizon(pieces: Sequence[Piece]) -> int:
    """Return the days after which survival is compared: fewer where most were followed less."""
    followed = [piece.followed_days for piece in pieces if piece.fate != "lost"]
    if not followed:
        return HORIZON_DAYS
    return max(1, min(HORIZON_DAYS, int(np.median(followed))))


def _donor(piece: Piece) -> tuple[str, ...]:
    """What tells the polyp it was cut from: its name, or else the cut."""
    return (piece.donor,) if piece.donor else (piece.plate, piece.cut_at.isoformat())


def _spans(pieces: Sequence[Piece], which: Callable[[Piece], Span | None]) -> list[Span]:
    return [span for span in map(which, pieces) if span is not None]


def _lived(pieces: Sequence[Piece], horizon_days: int) -> tuple[int, int]:
    """Return how many lived that long, and of how many it is known."""
    dead = sum(piece.lost.high <= horizon_days for piece in pieces)
    alive = sum(piece.lost.low >= horizon_days for piece in pieces)
    return alive, alive + dead


def _growth(pieces: Sequence[Piece]) -> list[float]:
    rates = [piece.growth_percent_per_week for piece in pieces]
    return [one for one in rates if isfinite(one)]


def _group(name: str, pieces: Sequence[Piece], horizon_days: int) -> Group:
    lived, known = _lived(pieces, horizon_days)
    low, high = wilson_interval(lived, known)
    rates = _growth(pieces)
    enough = len(rates) >= 2
    return Group(
        name=name,
        n=len(pieces),
        n_donors=len({_donor(piece) for piece in pieces}),
        n_known=known,
        n_lived=lived,
        lived_low=low,
        lived_high=high,
        survival=curve([piece.lost for piece in pieces]),
        sealed=curve(_spans(pieces, lambda one: one.sealed)),
        mouth=curve(_spans(pieces, lambda one: one.mouth)),
        ready=curve(_spans(pieces, lambda one: one.ready)),
        growth_percent_per_week=float(np.mean(rates)) if enough else float("nan"),
        growth_err=float(np.std(rates, ddof=1)) / sqrt(len(rates)) if enough else float("nan"),
        n_growth=len(rates),
        there=sum(piece.fate in ("there", "divided") for piece in pieces),
        sold=sum(piece.fate == "sold" for piece in pieces),
        lost=sum(piece.fate == "lost" for piece in pieces),
    )


def _contrast(
    measure: Measure, names: tuple[str, str], pair: Sequence[Sequence[Piece]], horizon_days: int
) -> Contrast:
    if measure == "survival":
        (k1, n1), (k2, n2) = (_lived(pieces, horizon_days) for pieces in pair)
        return share_contrast(names, (k1, k2), (n1, n2))
    if measure == "growth":
        return mean_contrast(names, _growth(pair[0]), _growth(pair[1]))
    first, second = (
        _spans(pieces, lambda one: one.sealed if measure == "sealed" else one.mouth)
        for pieces in pair
    )
    return time_contrast(names, first, second)


def compare(pieces: Sequence[Piece], by: By = "method") -> Comparison:
    """Compare pieces that were treated in different ways.

    Parameters
    ----------
    pieces : sequence of Piece
        Of any number of plates.
    by : {'method', 'line', 'donor', 'dip'}

    Returns
    -------
    Comparison
    """
    chosen: dict[str, list[Piece]] = {}
    for piece in pieces:
        chosen.setdefault(_HOW[by](piece), []).append(piece)
    left_out = len(chosen.pop("", []))
    kept = [piece for some in chosen.values() for piece in some]
    horizon = _horizon(kept)
    names = sorted(chosen)
    donors = [{_donor(piece) for piece in chosen[name]} for name in names]
    return Comparison(
        by=by,
        horizon_days=horizon,
        groups=tuple(_group(name, chosen[name], horizon) for name in names),
        contrasts={
            measure: holm(
                [
                    _contrast(measure, pair, [chosen[name] for name in pair], horizon)
                    for pair in combinations(names, 2)
                ]
            )
            for measure in MEASURES
        },
        n_left_out=left_out,
        apart=len(names) > 1
        and by not in ("donor", "line")
        and not any(a & b for a, b in combinations(donors, 2)),
    )
