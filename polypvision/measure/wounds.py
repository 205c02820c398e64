"""Wounds: pale exposed tissue at the margin of a cut polyp."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation
from skimage.measure import label as label_regions

from polypvision.measure.shape import mask_outline, polygon_area
from polypvision.reading import Points

WOUND_LEVEL = 0.5
MIN_WOUND_MM2 = 0.35
"""Smallest exposed area that is reported; below it a pale speck cannot be told from a highlight."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Wound:
    """Exposed tissue of one polyp.

    Attributes
    ----------
    outlines_xy : tuple of ndarray (n, 2)
        Of each wound, pixels of the polyp's window.
    area_px, margin_px : float
        Area, and length of the border with living tissue, view pixels.
    """

    outlines_xy: tuple[Points, ...]
    area_px: float
    margin_px: float


def find_wound(exposed: NDArray[np.float32], mask: NDArray[np.bool_], px_per_mm: float) -> Wound:
    """Find the exposed tissue of one polyp.

    Parameters
    ----------
    exposed : ndarray (h, w) of float32
        The reader's probability of exposed tissue, in the polyp's window.
    mask : ndarray (h, w) of bool
        The polyp.
    px_per_mm : float

    Returns
    -------
    Wound
        Without outlines if none is seen.
    """
    regions, n_regions = label_regions(
        (exposed > WOUND_LEVEL) & mask, connectivity=2, return_num=True
    )
    kept = np.zeros_like(mask)
    outlines = []
    for index in range(1, n_regions + 1):
        region = regions == index
        if region.sum() >= MIN_WOUND_MM2 * px_per_mm**2:
            kept |= region
            outlines.append(mask_outline(region))
    living = mask & ~kept
    return Wound(
        outlines_xy=tuple(outlines),
        area_px=float(sum(polygon_area(outline) for outline in outlines)),
        margin_px=float(sum(_length_along(outline, living) for outline in outlines)),
    )


def _length_along(outline: Points, living: NDArray[np.bool_]) -> float:
    """Return the length of that part of a closed outline which runs along living tissue.

    Along the outline, not in pixels: a count of border pixels reads a slanting border up to 29 %
    short, and the advance of the margin as much too long.
    """
    step = np.roll(outline, -1, axis=0) - outline
    middle = np.rint(outline + step / 2).astype(int)
    row, column = (np.clip(middle[:, 1 - n], 0, living.shape[n] - 1) for n in (0, 1))
    beside = binary_dilation(living, structure=np.ones((3, 3)))[row, column]
    return float(np.linalg.norm(step[beside], axis=1).sum())
