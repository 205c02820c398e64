"""Uncertainty budgets: where the plus-minus of a size comes from, and what it adds up to.

References
----------
JCGM 100:2008, Evaluation of measurement data - Guide to the expression of uncertainty in
measurement (GUM): combined standard uncertainty 5.1.2, effective degrees of freedom G.4.1.
JCGM 101:2008, Supplement 1, Propagation of distributions using a Monte Carlo method: how the tests
check it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import sqrt
from typing import Literal

import numpy as np

from polypvision.measure.sizes import OutlineSize
from polypvision.measure.wounds import MIN_WOUND_MM2
from polypvision.reading import BudgetLine, Polyp

SOURCES: dict[str, str] = {
    "scale": "scale, as given or from the card as a whole",
    "print-scale": "print scale of the card",
    "markers": "places of the card's markers, carried to the polyp",
    "focal-length": "focal length and middle of the lens",
    "lens": "distortion of the lens, at the picture's corners",
    "disc-height": "height of the disc against the card",
    "water-depth": "depth of the water",
    "pane": "way from the lens to the pane",
    "water-index": "refractive index of the water",
    "outline": "where the outline runs",
    "wound-border": "where the wound's border runs",
    "wound-speck": "specks too small to tell a wound from a highlight",
}
"""Every source of uncertainty, in the order of a budget, and what it is."""


@dataclass(frozen=True, kw_only=True)
class Component:
    """One input quantity of a measurement.

    Attributes
    ----------
    name : str
    u : float
        Standard uncertainty of the input.
    sensitivity : float
        Change of the result per unit of the input.
    degrees_of_freedom : float
        Of ``u``; infinite where it is known for sure.
    """

    name: str
    u: float
    sensitivity: float
    degrees_of_freedom: float = np.inf

    @property
    def contribution(self) -> float:
        """Sensitivity times uncertainty, with its sign, in the unit of the result."""
        return self.sensitivity * self.u


@dataclass(frozen=True, kw_only=True)
class Budget:
    """All inputs of one result, which are taken to be independent.

    Attributes
    ----------
    components : tuple of Component
    """

    components: tuple[Component, ...]

    @cached_property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty: root of the sum of squared contributions."""
        return combined(one.contribution for one in self.components)

    @cached_property
    def effective_degrees_of_freedom(self) -> float:
        """By the formula of Welch and Satterthwaite."""
        spread = sum(one.contribution**4 / one.degrees_of_freedom for one in self.components)
        return self.standard_uncertainty**4 / spread if spread > 0 else float("inf")

    def expanded(self, level: float = 0.95) -> float:
        """Return half the width of the interval that holds the value with this probability.

        Student's t with the effective degrees of freedom, rounded down.
        """
        # Loaded only here: no small library, and no reading needs it.
        from scipy.stats import t as student_t

        freedom = np.floor(self.effective_degrees_of_freedom)
        return float(student_t.ppf((1 + level) / 2, freedom) * self.standard_uncertainty)

    def shares(self) -> dict[str, float]:
        """Return which part of the variance each input makes, 0 to 1, by name."""
        total = self.standard_uncertainty**2
        return {one.name: one.contribution**2 / total if total else 0.0 for one in self.components}


def combined(contributions: Iterable[float]) -> float:
    """Return the root of the sum of squares of independent contributions."""
    return sqrt(sum(value**2 for value in contributions))


@dataclass(frozen=True, kw_only=True)
class ScalePart:
    """One source of the scale at one place: relative change of lengths for one ``u`` of it."""

    name: str
    u: float
    unit: str
    change: float


def budget_lines(
    parts: Sequence[ScalePart],
    size: OutlineSize,
    outline_err_mm: float,
    *,
    wound_mm2: float,
    wound_border_err_mm2: float,
) -> tuple[BudgetLine, ...]:
    """Return a polyp's budget: what every source does to its diameter and its wound.

    Parameters
    ----------
    parts : sequence of ScalePart
    size : OutlineSize
    outline_err_mm : float
        Standard uncertainty of where the outline runs.
    wound_mm2, wound_border_err_mm2 : float
        Area of the wound, 0 if none was seen, and what its border's place leaves uncertain.
    """
    lines = [
        BudgetLine(
            name=part.name,
            u=part.u,
            unit=part.unit,
            diameter_mm=part.change * size.diameter_mm,
            wound_mm2=2 * part.change * wound_mm2,
        )
        for part in parts
    ]
    # The area grows by its perimeter times the way of the outline; d = 2 sqrt(A / pi).
    per_mm = 2 * size.perimeter_mm / (np.pi * size.diameter_mm) if size.diameter_mm else np.nan
    lines.append(
        BudgetLine(
            name="outline",
            u=outline_err_mm,
            unit="mm",
            diameter_mm=float(per_mm * outline_err_mm),
            wound_mm2=0.0,
        )
    )
    # Less than the smallest area that is looked for may be there unseen, or be a highlight.
    speck = MIN_WOUND_MM2 / float(np.sqrt(3))
    border = wound_border_err_mm2 if wound_mm2 > 0 else 0.0
    for name, u in (("wound-border", border), ("wound-speck", speck)):
        lines.append(BudgetLine(name=name, u=u, unit="mm2", diameter_mm=0.0, wound_mm2=u))
    return tuple(lines)


def explained(lines: Sequence[BudgetLine], of: Literal["diameter_mm", "wound_mm2"]) -> Budget:
    """Return the budget of one result from a polyp's lines."""
    return Budget(
        components=tuple(
            Component(
                name=line.name,
                u=line.u,
                sensitivity=getattr(line, of) / line.u if line.u else 0.0,
            )
            for line in lines
        )
    )


def budget_table(polyp: Polyp) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Return a polyp's budget as words: heads, and a row for each source and for all together.

    Parameters
    ----------
    polyp : Polyp
        One with a budget.
    """
    heads = (
        "source",
        "standard\nuncertainty",
        "mm of diameter\nfor each unit",
        "diameter\nmm",
        "share\n%",
        "wound\nmm2",
        "share \n%",
    )
    diameter, wound = (explained(polyp.budget, of) for of in ("diameter_mm", "wound_mm2"))
    shares, wound_shares = diameter.shares(), wound.shares()
    rows = [
        (
            SOURCES[line.name],
            f"{line.u:.3g} {line.unit}".strip(),
            f"{part.sensitivity:.3g}",
            f"{abs(line.diameter_mm):.3f}",
            f"{100 * shares[line.name]:.0f}",
            f"{abs(line.wound_mm2):.2f}",
            f"{100 * wound_shares[line.name]:.0f}",
        )
        for line, part in zip(polyp.budget, diameter.components, strict=True)
    ]
    total = f"{diameter.standard_uncertainty:.3f}", f"{wound.standard_uncertainty:.2f}"
    return heads, [*rows, ("all together", "", "", total[0], "100", total[1], "100")]
