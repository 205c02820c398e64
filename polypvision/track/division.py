"""Has one polyp become two? Judged from where, how large and with what history."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from polypvision.reading import Points, Polyp

THRESHOLD = 0.55
"""A division is reported from this confidence on."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Shape:
    """A polyp in the plate coordinates of the first photo."""

    x_mm: float
    y_mm: float
    area_mm2: float
    diameter_mm: float
    outline_mm: Points


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """How sure it is that these polyps came from that one, and why."""

    confidence: float
    evidence: str


def _polygon(outline_mm: Points) -> shapely.Geometry:
    """The outline as a valid area; an outline that crosses itself is mended."""
    if len(outline_mm) < 3:
        return shapely.Polygon()
    return shapely.make_valid(shapely.Polygon(outline_mm))


def distance_to(outline_mm: Points, x_mm: float, y_mm: float) -> float:
    """Return the distance in mm from a point to an outline, 0 inside it."""
    return float(shapely.distance(_polygon(outline_mm), shapely.Point(x_mm, y_mm)))


def gap_mm(a: Points, b: Points) -> float:
    """Return the smallest distance in mm between two outlines, 0 where they overlap."""
    return float(shapely.distance(_polygon(a), _polygon(b)))


def two_mouth_share(history: Sequence[Polyp], normal_mouths: int) -> float:
    """Return the greatest probability in the last photos that more mouths than normal stood there.

    Parameters
    ----------
    history : sequence of Polyp
        The last sightings of one individual.
    normal_mouths : int
        Mouths that are normal for the line; where it is above 1 the probability of two mouths says
        nothing and only counted mouths do.
    """
    shares = [0.0]
    for polyp in history:
        if polyp.n_mouths > normal_mouths:
            shares.append(max(0.7, polyp.two_mouths_probability))
        elif normal_mouths == 1 and np.isfinite(polyp.two_mouths_probability):
            shares.append(polyp.two_mouths_probability)
    return max(shares)


def _oval(polyp: Polyp) -> bool:
    """Whether the outline is clearly longer than wide: Feret diameter 12 % over that of a disc."""
    return polyp.feret_max_mm > 1.12 * polyp.diameter_mm


def _between(parent: Shape, a: Shape, b: Shape) -> bool:
    """Whether the parent's middle lies between the two, not to one side of both."""
    line = shapely.LineString([(a.x_mm, a.y_mm), (b.x_mm, b.y_mm)])
    away = float(shapely.distance(line, shapely.Point(parent.x_mm, parent.y_mm)))
    return away <= 0.3 * parent.diameter_mm


def judge_division(
    parent: Shape,
    history: Sequence[Polyp],
    daughters: tuple[Shape, Shape],
    *,
    slack_mm: float,
    growth: float,
    normal_mouths: int,
) -> Verdict | None:
    """Return how sure it is that the two daughters came from the parent; None if they did not.

    All of these must hold: both stand within the parent's former outline (give or take
    `slack_mm`); the parent itself is no longer there at its size; the smaller is at least a fifth
    of both (else it is a daughter from the foot margin); together they have about the parent's
    area. A history of two mouths, an oval outline, a good fit of the area, and the parent's middle
    lying between the two add to the confidence. The sum is an ordering by evidence, set by hand
    and not a measured frequency.

    Parameters
    ----------
    parent : Shape
        As last seen.
    history : sequence of Polyp
        The parent's last sightings, the latest last.
    daughters : tuple of 2 Shapes
    slack_mm : float
        How far a daughter may have moved since.
    growth : float
        Factor by which area may have grown since.
    normal_mouths : int
    """
    slack = min(slack_mm, 0.35 * parent.diameter_mm)
    if any(distance_to(parent.outline_mm, one.x_mm, one.y_mm) > slack for one in daughters):
        return None
    areas = sorted(one.area_mm2 for one in daughters)
    total = sum(areas)
    mouths = two_mouth_share(history, normal_mouths)
    still_there = 0.95 if mouths >= 0.5 else 0.8
    if areas[0] < 0.2 * total or areas[1] > still_there * parent.area_mm2:
        return None
    ratio = total / parent.area_mm2
    if not 0.5 <= ratio <= 1.4 * growth:
        return None
    reasons = [f"two polyps within its former outline, {100 * ratio:.0f} % of its area together"]
    confidence = 0.3
    if 0.7 <= ratio <= 1.2 * growth:
        confidence += 0.15
    if _between(parent, *daughters):
        confidence += 0.15
    if mouths >= 0.5:
        confidence += 0.25
        reasons.append(f"two mouths before ({100 * mouths:.0f} %)")
    if any(_oval(polyp) for polyp in history):
        confidence += 0.05
        reasons.append("oval before")
    return Verdict(confidence=round(confidence, 2), evidence="; ".join(reasons))


def judge_one_half(
    parent: Shape, history: Sequence[Polyp], half: Shape, polyp: Polyp, *, normal_mouths: int
) -> Verdict | None:
    """Return how sure it is that this one is half of a division whose other half was not seen.

    Only of a parent that showed more mouths than normal, if what stands there now has no more than
    normal, has about half the area, and stands off the parent's middle; None otherwise.

    Parameters
    ----------
    parent : Shape
        As last seen.
    history : sequence of Polyp
        The parent's last sightings, the latest last.
    half : Shape
        What stands there now, as it was read in `polyp`.
    normal_mouths : int
    """
    mouths = two_mouth_share(history[-2:], normal_mouths)
    more_now = polyp.n_mouths > normal_mouths or (
        normal_mouths == 1 and polyp.two_mouths_probability > 0.5
    )
    if mouths < 0.7 or more_now:
        return None
    ratio = half.area_mm2 / parent.area_mm2
    away = float(np.hypot(half.x_mm - parent.x_mm, half.y_mm - parent.y_mm))
    if not 0.25 <= ratio <= 0.7 or away < 0.15 * parent.diameter_mm:
        return None
    return Verdict(
        confidence=0.7,
        evidence=f"half of it ({100 * ratio:.0f} % of its area) stands to one side of its place; "
        f"two mouths before ({100 * mouths:.0f} %)",
    )
