"""Size of one outline and its uncertainty, whoever drew it: the machine or a person."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.measure.shape import Outlines, circularity, equivalent_diameter, feret_max
from polypvision.measure.wounds import MIN_WOUND_MM2
from polypvision.reading import Points

OUTLINE_ERR_MM = 0.10
"""Standard uncertainty of where an outline runs that a person drew, common to all of it, mm (own
estimate). Of those that the machine found see `polypvision.measure.localisation`."""
_IRREGULAR_CIRCULARITY = 0.6
_UNSURE = (0.12, 0.88)
"""Between them two mouths are neither sure nor ruled out: one of eight of such is otherwise (own
choice)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class OutlineSize:
    """Size of a closed outline on the plate; ``_err`` one standard uncertainty.

    Attributes
    ----------
    centre_mm : ndarray (2,)
        Centroid.
    irregular : bool
        Whether it is far from round.
    """

    centre_mm: Points
    area_mm2: float
    area_mm2_err: float
    diameter_mm: float
    diameter_mm_err: float
    feret_max_mm: float
    perimeter_mm: float
    irregular: bool


def outline_size(
    outline_mm: Points, scale_err: float, outline_err_mm: float = OUTLINE_ERR_MM
) -> OutlineSize:
    """Measure a closed outline (n, 2) in mm.

    Parameters
    ----------
    outline_mm : ndarray (n, 2)
    scale_err : float
        Relative standard uncertainty of lengths there.
    outline_err_mm : float
        Standard uncertainty of where the outline runs, common to all of it.
    """
    return outline_sizes(Outlines.of([outline_mm]), [scale_err], [outline_err_mm], [None])[0]


def outline_sizes(
    outlines_mm: Outlines,
    scale_errs: Sequence[float],
    outline_errs_mm: Sequence[float],
    corners: Sequence[NDArray[np.int32] | None],
) -> list[OutlineSize]:
    """Measure many closed outlines as `outline_size` does.

    ``corners`` are those of each one's hull, as of `measure.shape.hull_corners`, if known.
    """
    areas, lengths = outlines_mm.areas, outlines_mm.perimeters
    area_errs = np.hypot(2 * np.asarray(scale_errs) * areas, lengths * np.asarray(outline_errs_mm))
    found = []
    for outline, own, centre, area, area_err, length in zip(
        outlines_mm.each(),
        corners,
        outlines_mm.centroids,
        areas.tolist(),
        area_errs.tolist(),
        lengths.tolist(),
        strict=True,
    ):
        diameter = equivalent_diameter(area)
        found.append(
            OutlineSize(
                centre_mm=centre,
                area_mm2=area,
                area_mm2_err=area_err,
                diameter_mm=diameter,
                diameter_mm_err=area_err / (np.pi * diameter / 2) if diameter > 0 else float("nan"),
                feret_max_mm=feret_max(outline, own),
                perimeter_mm=length,
                irregular=circularity(area, length) < _IRREGULAR_CIRCULARITY,
            )
        )
    return found


def wound_err(wound_mm2: float, margin_mm: float, scale_err: float) -> float:
    """Uncertainty of a wound that a person drew: two borders, each uncertain like an outline."""
    if wound_mm2 == 0:
        # Less than the smallest area that is looked for could be there unseen.
        return MIN_WOUND_MM2 / float(np.sqrt(3))
    return float(np.hypot(2 * scale_err * wound_mm2, 2 * margin_mm * OUTLINE_ERR_MM))


def mouth_flags(n_mouths: int, two_mouths_probability: float, normal_mouths: int) -> set[str]:
    """Return 'two-mouths' and 'mouth-unsure', as far as they hold for a line of polyps."""
    flags = {"two-mouths"} if n_mouths > normal_mouths else set()
    if normal_mouths == 1 and _UNSURE[0] < two_mouths_probability < _UNSURE[1]:
        flags.add("mouth-unsure")
    return flags
