"""The machine against callipers and hand counts of the same polyps."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polypvision.evaluate.comparisons import (
    BlandAltman,
    Icc,
    bland_altman,
    cohen_kappa,
    icc_2_1,
    limits_sentence,
)
from polypvision.evaluate.plain import plain
from polypvision.evaluate.scores import MOUTH_CLASSES
from polypvision.reading import Polyp

WHO = "machine minus hand"
QUANTITIES: dict[str, tuple[str, str]] = {
    "diameter_mm": ("Diameter", "mm"),
    "area_mm2": ("Area", "mm²"),
    "wound_mm2": ("Wound", "mm²"),
    "count": ("Polyps on a photo", ""),
}
"""What is compared as numbers: words and unit."""


@dataclass(frozen=True, kw_only=True)
class HandMeasurement:
    """One line of what a person measured or counted; None where not.

    Attributes
    ----------
    row : int
        Of the table, from 1.
    polyp : str
        Label on a photo, or name of an individual; empty for a count of all.
    at : datetime or None
    diameter_mm, area_mm2, wound_mm2 : float or None
    mouths, count : int or None
    """

    row: int
    polyp: str = ""
    at: datetime | None = None
    diameter_mm: float | None = None
    area_mm2: float | None = None
    wound_mm2: float | None = None
    mouths: int | None = None
    count: int | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Both:
    """One line of a person's, and what the machine has: a polyp, or how many there are."""

    hand: HandMeasurement
    polyp: Polyp | None = None
    count: int | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Quantity:
    """One size, by machine and by hand.

    Attributes
    ----------
    machine, hand : ndarray (n,) of float64
    limits : BlandAltman
    icc : Icc
    """

    machine: NDArray[np.float64]
    hand: NDArray[np.float64]
    limits: BlandAltman
    icc: Icc


@dataclass(frozen=True, kw_only=True, eq=False)
class HandAgreement:
    """The machine against a person's measurements.

    Attributes
    ----------
    quantities : mapping of str to Quantity
        Those of `QUANTITIES` that were measured.
    mouths : ndarray (4, 4) of int64
        Classes 0, 1, 2 and 3 or more: rows the machine's, columns the person's.
    kappa : float
        Cohen's, of that table.
    several_dates : bool
        Whether a polyp stands in it more than once.
    """

    quantities: Mapping[str, Quantity]
    mouths: NDArray[np.int64]
    kappa: float
    several_dates: bool


def _machine(both: Both, name: str) -> float | None:
    if name == "count":
        return both.count
    return None if both.polyp is None else float(getattr(both.polyp, name))


def _quantity(lines: Sequence[Both], name: str) -> Quantity | None:
    pairs = [(_machine(one, name), getattr(one.hand, name)) for one in lines]
    known = [(ours, theirs) for ours, theirs in pairs if ours is not None and theirs is not None]
    if not known:
        return None
    table = np.asarray(known, np.float64)
    return Quantity(
        machine=table[:, 0],
        hand=table[:, 1],
        limits=bland_altman(list(table[:, 0] - table[:, 1])),
        icc=icc_2_1(table),
    )


def compare_by_hand(lines: Sequence[Both]) -> HandAgreement:
    """Return how the machine agrees with what a person measured."""
    found = {name: _quantity(lines, name) for name in QUANTITIES}
    mouths = np.zeros((len(MOUTH_CLASSES), len(MOUTH_CLASSES)), np.int64)
    last = len(MOUTH_CLASSES) - 1
    for one in lines:
        if one.polyp is not None and one.hand.mouths is not None:
            mouths[min(one.polyp.n_mouths, last), min(one.hand.mouths, last)] += 1
    names = [one.hand.polyp for one in lines if one.polyp is not None]
    return HandAgreement(
        quantities={name: one for name, one in found.items() if one is not None},
        mouths=mouths,
        kappa=cohen_kappa(mouths),
        several_dates=len(set(names)) < len(names),
    )


def hand_lines(found: HandAgreement) -> list[str]:
    """Return the comparison as lines of text."""
    lines = []
    for name, one in found.quantities.items():
        what, unit = QUANTITIES[name]
        lines.append(limits_sentence(what, one.limits, who=WHO, unit=f" {unit}" if unit else ""))
        if not math.isnan(one.icc.value):
            ci = one.icc.ci
            interval = "" if math.isnan(ci[0]) else f" (95 % CI {ci[0]:.3f} to {ci[1]:.3f})"
            lines.append(
                f"  Intraclass correlation ICC(2,1) by Shrout and Fleiss, absolute agreement of "
                f"single measurements: {one.icc.value:.3f}{interval}."
            )
    if found.mouths.any():
        agreed, total = int(np.trace(found.mouths)), int(found.mouths.sum())
        kappa = "unknown, all are alike" if math.isnan(found.kappa) else f"{found.kappa:.2f}"
        lines.append(f"Mouths: {agreed} of {total} agree, Cohen's kappa {kappa}.")
    if found.several_dates:
        lines.append(
            "Some polyps were measured on several dates. Their differences are alike, so the "
            "limits are less sure than these intervals say."
        )
    return lines


def hand_record(found: HandAgreement) -> dict[str, Any]:
    """Return the comparison as plain JSON values; NaN is written as None."""

    record: dict[str, Any] = plain(
        {
            "quantities": {
                name: {
                    **vars(one.limits),
                    "icc_2_1": one.icc.value,
                    "icc_2_1_ci": one.icc.ci,
                    "machine": one.machine,
                    "hand": one.hand,
                }
                for name, one in found.quantities.items()
            },
            "mouths": found.mouths,
            "kappa": found.kappa,
        }
    )
    return record
