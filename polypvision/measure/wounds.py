"""Wounds: pale exposed tissue at the margin of a cut polyp."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, binary_opening, distance_transform_edt, gaussian_filter
from skimage.measure import label as label_regions

PALE_LAB = (84.0, 1.5, 9.0)
"""CIELAB of raw tissue in a balanced photo: cream, nearly without pigment (own estimate; raw
edges of cut polyps look pale, common practice, no source)."""

_REACH_MM = 0.7
"""A wound lies at the margin: some of it is within this distance of the outline."""
_MIN_AREA_MM2 = 0.35
_MIN_WIDTH_MM = 0.25


@dataclass(frozen=True, kw_only=True, eq=False)
class Wound:
    """Exposed tissue of one polyp.

    Attributes
    ----------
    mask : ndarray (h, w) of bool
        In the polyp's window.
    area_px, margin_px : float
        Area, and length of the border with living tissue, in view pixels.
    """

    mask: NDArray[np.bool_]
    area_px: float
    margin_px: float


def pale_share(lab: NDArray[np.float32], body_lab: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return how far each pixel has gone from the polyp's own colour to raw tissue.

    Parameters
    ----------
    lab : ndarray (h, w, 3) of float32
        CIELAB.
    body_lab : ndarray (3,)
        Colour of the polyp's disc.

    Returns
    -------
    ndarray (h, w) of float32
        0 at the disc's colour, 1 at raw tissue, along the straight line between the two; pixels
        far off that line (a coloured rim, a fluorescent tentacle) get less.
    """
    way = np.asarray(PALE_LAB) - body_lab
    length = float(np.linalg.norm(way))
    if length < 12.0:
        # The polyp itself is as pale as a wound: nothing can be told apart.
        return np.zeros(lab.shape[:2], np.float32)
    off = lab - body_lab.astype(np.float32)
    along = off @ (way / length).astype(np.float32)
    aside = np.sqrt(np.maximum((off**2).sum(axis=-1) - along**2, 0.0))
    share: NDArray[np.float32] = (along - 0.6 * aside) / np.float32(length)
    return share


def find_wound(
    lab: NDArray[np.float32],
    mask: NDArray[np.bool_],
    body_lab: NDArray[np.float64],
    px_per_mm: float,
) -> Wound:
    """Find the exposed tissue of one polyp.

    Parameters
    ----------
    lab : ndarray (h, w, 3) of float32
        CIELAB of the polyp's window.
    mask : ndarray (h, w) of bool
        The polyp.
    body_lab : ndarray (3,)
        Colour of its disc.
    px_per_mm : float

    Returns
    -------
    Wound
        Empty if none is seen.
    """
    share = gaussian_filter(pale_share(lab, body_lab), 0.06 * px_per_mm)
    pale = (share > 0.5) & mask
    half_width = max(1, round(_MIN_WIDTH_MM * px_per_mm / 2))
    disc = np.hypot(*np.mgrid[-half_width : half_width + 1, -half_width : half_width + 1])
    pale = binary_opening(pale, disc <= half_width + 0.3)
    depth = distance_transform_edt(mask)
    regions = label_regions(pale, connectivity=2)
    kept = np.zeros_like(mask)
    for index in range(1, int(regions.max()) + 1):
        region = regions == index
        if region.sum() < _MIN_AREA_MM2 * px_per_mm**2:
            continue
        if depth[region].min() <= _REACH_MM * px_per_mm:
            kept |= region
    living = mask & ~kept
    border = kept & binary_dilation(living)
    return Wound(mask=kept, area_px=float(kept.sum()), margin_px=float(border.sum()))
