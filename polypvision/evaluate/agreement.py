"""How the machine compares with the people who corrected it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polypvision.evaluate.comparisons import (
    NAN,
    BlandAltman,
    bland_altman,
    cohen_kappa,
    limits_sentence,
)
from polypvision.evaluate.overlap import match
from polypvision.evaluate.plain import plain
from polypvision.evaluate.scores import MOUTH_CLASSES
from polypvision.measure.overlap import iou_matrix
from polypvision.reading import PlateReading, Polyp
from polypvision.words import counted


@dataclass(frozen=True, kw_only=True)
class DiameterPair:
    """The diameter of one polyp by the machine and by a person, mm; whether it was drawn anew."""

    machine_mm: float
    person_mm: float
    redrawn: bool

    @property
    def larger_mm(self) -> float:
        """Machine minus person."""
        return self.machine_mm - self.person_mm


@dataclass(frozen=True, kw_only=True, eq=False)
class Agreement:
    """The machine against people, on photos on which people corrected something.

    Attributes
    ----------
    n_photos, n_machine, n_people : int
        Photos, and polyps on them by the machine and by people.
    n_same : int
        Polyps that both have (IoU above 0.5).
    n_exact : int
        Photos with equal counts.
    count_bias, count_sd : float
        Mean and standard deviation of the machine's count minus people's, by photo.
    diameters, redrawn : BlandAltman
        Machine minus people, mm: of all polyps that both have, where an outline that a person left
        alone counts as agreed; and of those only whose outline a person drew anew.
    pairs : tuple of DiameterPair
        What these are made from.
    mouths : ndarray (4, 4) of int64
        Counts by classes 0, 1, 2 and 3 or more: rows the machine's, columns people's.
    kappa : float
        Cohen's, of that table.
    """

    n_photos: int
    n_machine: int
    n_people: int
    n_same: int
    n_exact: int
    count_bias: float
    count_sd: float
    diameters: BlandAltman
    redrawn: BlandAltman
    pairs: tuple[DiameterPair, ...]
    mouths: NDArray[np.int64]
    kappa: float


def compare_with_people(pairs: Sequence[tuple[PlateReading, PlateReading]]) -> Agreement:
    """Compare what the machine read with what people made of it.

    Parameters
    ----------
    pairs : sequence of (PlateReading, PlateReading)
        The machine's reading of a photo, and the corrected one.
    """
    counts = np.array([ours.n_polyps - theirs.n_polyps for ours, theirs in pairs], np.float64)
    same = [pair for ours, theirs in pairs for pair in _same(ours, theirs)]
    mouths = np.zeros((len(MOUTH_CLASSES), len(MOUTH_CLASSES)), np.int64)
    for machine, person in same:
        mouths[_class(machine), _class(person)] += 1
    diameters = tuple(
        DiameterPair(
            machine_mm=machine.diameter_mm,
            person_mm=person.diameter_mm,
            redrawn=not np.array_equal(machine.outline_px, person.outline_px),
        )
        for machine, person in same
    )
    return Agreement(
        n_photos=len(pairs),
        n_machine=sum(ours.n_polyps for ours, _ in pairs),
        n_people=sum(theirs.n_polyps for _, theirs in pairs),
        n_same=len(same),
        n_exact=int((counts == 0).sum()),
        count_bias=float(counts.mean()) if len(counts) else NAN,
        count_sd=float(counts.std(ddof=1)) if len(counts) > 1 else NAN,
        diameters=bland_altman([one.larger_mm for one in diameters]),
        redrawn=bland_altman([one.larger_mm for one in diameters if one.redrawn]),
        pairs=diameters,
        mouths=mouths,
        kappa=cohen_kappa(mouths),
    )


def _same(ours: PlateReading, theirs: PlateReading) -> list[tuple[Polyp, Polyp]]:
    iou = iou_matrix(
        [polyp.outline_px for polyp in ours.polyps], [polyp.outline_px for polyp in theirs.polyps]
    )
    return [(ours.polyps[n], theirs.polyps[m]) for n, m in match(iou)]


def _class(polyp: Polyp) -> int:
    return min(polyp.n_mouths, len(MOUTH_CLASSES) - 1)


def agreement_record(found: Agreement) -> dict[str, Any]:
    """Return the comparison as plain JSON values; NaN is written as None."""
    limits = {name: vars(getattr(found, name)) for name in ("diameters", "redrawn")}
    record: dict[str, Any] = plain(vars(found) | limits | {"pairs": [*map(vars, found.pairs)]})
    return record


def agreement_lines(found: Agreement) -> list[str]:
    """Return the comparison as lines of text."""
    lines = agreement_sentences(found)
    if found.n_photos:
        lines += [
            f"Mouths (rows the machine's, columns people's), kappa {_text(found.kappa)}:",
            "       " + "".join(f"{name:>6}" for name in MOUTH_CLASSES),
        ]
        lines += [
            f"{name:>6} " + "".join(f"{count:6d}" for count in row)
            for name, row in zip(MOUTH_CLASSES, found.mouths, strict=True)
        ]
    return lines


def agreement_sentences(found: Agreement) -> list[str]:
    """Return what the comparison says of counts and diameters."""
    if not found.n_photos:
        return ["Nobody has corrected a photo yet, so there is nothing to compare with."]
    who = "machine minus people"
    return [
        f"{counted(found.n_photos, 'photo')} that people corrected: "
        f"{counted(found.n_machine, 'polyp')} by the machine, "
        f"{found.n_people} by people, {found.n_same} the same.",
        f"Count, machine minus people: {found.count_bias:+.2f} a photo on average "
        f"(SD {_text(found.count_sd)}), equal on {found.n_exact}.",
        limits_sentence("Diameters of all that both have", found.diameters, who=who),
        limits_sentence("Diameters of those drawn anew", found.redrawn, who=who),
    ]


def _text(value: float) -> str:
    return "unknown" if np.isnan(value) else f"{value:.2f}"
