"""Wounds: pale exposed tissue at the margin of a cut polyp."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.measure.shape import Outlines, following, mask_outlines
from polypvision.reading import Points
from polypvision.segment.windows import corner_xy, mask_box, widened

WOUND_LEVEL = 0.5
MIN_WOUND_MM2 = 0.35
"""Smallest exposed area that is reported; below it a pale speck cannot be told from a highlight."""
_BESIDE_PX = 3
"""More than the way from a wound to the living tissue that its outline runs along."""


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


def find_wound(
    exposed: NDArray[np.float32],
    mask: NDArray[np.bool_],
    px_per_mm: float,
    *,
    least_mm2: float = MIN_WOUND_MM2,
) -> Wound:
    """Find the exposed tissue of one polyp.

    Parameters
    ----------
    exposed : ndarray (h, w) of float32
        The reader's probability of exposed tissue, in the polyp's window.
    mask : ndarray (h, w) of bool
        The polyp.
    px_per_mm : float
    least_mm2 : float
        Smaller areas are left out.

    Returns
    -------
    Wound
        Without outlines if none is seen.
    """
    return find_wounds([(exposed, mask)], px_per_mm, least_mm2=least_mm2)[0]


def find_wounds(
    polyps: Sequence[tuple[NDArray[np.float32], NDArray[np.bool_]]],
    px_per_mm: float,
    *,
    least_mm2: float = MIN_WOUND_MM2,
) -> list[Wound]:
    """Find the exposed tissue of each polyp, given as its ``exposed`` and ``mask``."""
    least_px = least_mm2 * px_per_mm**2
    found = [_exposed_parts(exposed, mask, least_px) for exposed, mask in polyps]
    outlines = mask_outlines([part for one in found for part in one.masks])
    areas = Outlines.of(outlines).areas.tolist() if outlines else []
    seen = iter(zip(outlines, areas, strict=True))
    return [_wound(one, list(islice(seen, len(one.masks)))) for one in found]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Exposed:
    """The masks (h, w) of one polyp's wounds in a window of its own, and its living tissue there.

    ``corner_xy`` is the window's first pixel in the polyp's.
    """

    corner_xy: Points
    masks: list[NDArray[np.bool_]]
    living: NDArray[np.bool_]


def _exposed_parts(
    exposed: NDArray[np.float32], mask: NDArray[np.bool_], least_px: float
) -> _Exposed:
    seen = (exposed > WOUND_LEVEL) & mask
    if np.count_nonzero(seen) < least_px:
        return _Exposed(corner_xy=np.zeros(2), masks=[], living=mask)
    window = widened(mask_box(seen), _BESIDE_PX, mask.shape)
    seen = np.ascontiguousarray(seen[window])
    regions = np.asarray(cv2.connectedComponents(seen.view(np.uint8))[1])
    # Ground is 0 and counts nothing.
    large = np.bincount(regions[seen], minlength=1) >= max(least_px, 1)
    return _Exposed(
        corner_xy=corner_xy(window),
        masks=[regions == index for index in np.flatnonzero(large)],
        living=mask[window] & ~large[regions],
    )


def _wound(exposed: _Exposed, seen: Sequence[tuple[Points, float]]) -> Wound:
    outlines_xy = tuple(outline + exposed.corner_xy for outline, _ in seen)
    return Wound(
        outlines_xy=outlines_xy,
        area_px=float(sum(area for _, area in seen)),
        margin_px=float(sum(_length_along(outline, exposed) for outline in outlines_xy)),
    )


def _length_along(outline: Points, exposed: _Exposed) -> float:
    """Return the length of that part of a closed outline which runs along living tissue.

    Along the outline, not in pixels: a count of border pixels reads a slanting border up to 29 %
    short, and the advance of the margin as much too long.
    """
    step = following(outline) - outline
    beside = (np.rint(outline + step / 2) - exposed.corner_xy).astype(int)
    living = exposed.living
    row, column = (np.clip(beside[:, 1 - n], 0, living.shape[n] - 1) for n in (0, 1))
    near = cv2.dilate(living.view(np.uint8), np.ones((3, 3), np.uint8)).view(np.bool_)
    return float(np.linalg.norm(step[near[row, column]], axis=1).sum())
