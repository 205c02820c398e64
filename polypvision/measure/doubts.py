"""What makes a size doubtful: a disc that is folded, seen at a slant, or hidden by a neighbour."""

from math import hypot, pi, sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.measure.shape import FINE_PER_PX, fine_points, hull_corners
from polypvision.reading import Points

# Own choices from painted discs; no source.
_OBLIQUE = 0.7
"""Short by long axis below which an ellipse is taken for a disc seen at a slant."""
_ELLIPTIC = 0.95
"""Least overlap (IoU) with the ellipse of the same moments for an outline to be one."""
_FOLD = 0.09
"""Depth of a dent in the margin, as a part of the diameter, that is a fold."""
_BITE = 0.045
"""The same where a neighbour lies in the dent."""
_BESIDE_PX = 3
_AROUND = np.mgrid[-_BESIDE_PX : _BESIDE_PX + 1, -_BESIDE_PX : _BESIDE_PX + 1].reshape(2, -1)
_NEAR_XY = _AROUND[:, np.hypot(*_AROUND) <= _BESIDE_PX]
"""Steps x and y (2, k) to the pixels so near."""
_OWN_SHARE = 0.5
"""Part of a dent's floor that must lie on the neighbour's margin."""


def outline_doubts(
    outline: Points,
    labels: NDArray[np.int32],
    label: int,
    *,
    n_mouths: int,
    n_wounds: int = 0,
    at_edge: bool = False,
    corners: NDArray[np.int32] | None = None,
) -> set[str]:
    """Return 'folded', 'oblique' and 'hidden', as far as the outline tells.

    A polyp about to divide is lengthened and waisted too: with two mouths neither 'oblique' nor
    'folded' is said. A cut edge is no fold.

    Parameters
    ----------
    outline : ndarray (n, 2)
        x and y, pixels of ``labels``.
    labels : ndarray (h, w) of int32
        The polyp's window, neighbours included.
    label : int
        The polyp's own.
    n_mouths, n_wounds : int
    at_edge : bool
        Whether the view ends at the polyp: then its shape says nothing.
    corners : ndarray (k,), optional
        As of `measure.shape.hull_corners`, where they are known.
    """
    if len(outline) < 8 or at_edge:
        return set()
    doubts: set[str] = set()
    points = fine_points(outline)
    area = cv2.contourArea(points) / FINE_PER_PX**2
    diameter = 2 * sqrt(area / pi)
    hull = hull_corners(outline) if corners is None else corners
    dents = _dents(points, hull, _BITE * diameter)
    for depth, floor in dents:
        by_neighbour = _beside(labels, label, floor).mean() >= _OWN_SHARE
        if by_neighbour:
            doubts.add("hidden")
        elif not by_neighbour and depth > _FOLD * diameter and n_mouths < 2 and not n_wounds:
            doubts.add("folded")
    if n_mouths < 2 and not n_wounds and not doubts and _is_slanted(outline, area):
        doubts.add("oblique")
    return doubts


def _beside(labels: NDArray[np.int32], label: int, places: Points) -> NDArray[np.bool_]:
    """Return at which places (n, 2) a neighbour's pixel is at most `_BESIDE_PX` away."""
    x, y = (np.round(side).astype(np.int64)[:, None] for side in places.T)
    rows = np.clip(y + _NEAR_XY[1], 0, labels.shape[0] - 1)
    columns = np.clip(x + _NEAR_XY[0], 0, labels.shape[1] - 1)
    near = labels[rows, columns]
    return np.asarray(((near != label) & (near != 0)).any(axis=1), np.bool_)


def _dents(
    points: NDArray[np.int32], hull: NDArray[np.int32], least_px: float
) -> list[tuple[float, Points]]:
    """Return depth and floor (the outline between its two lips) of each deep dent, pixels."""
    defects = cv2.convexityDefects(points, hull[:, None]) if len(hull) > 3 else None
    if defects is None:
        return []
    dents = []
    defects = np.asarray(defects).reshape(-1, 4)
    depths = defects[:, 3] / 256 / FINE_PER_PX
    deep = depths > least_px
    for (start, end, *_), depth in zip(defects[deep], depths[deep], strict=True):
        steps = (int(end) - int(start)) % len(points)
        floor = points[(int(start) + np.arange(steps + 1)) % len(points)] / FINE_PER_PX
        # The lips themselves belong to either side.
        inner = floor[len(floor) // 6 : len(floor) - len(floor) // 6]
        dents.append((float(depth), np.asarray(inner, np.float64)))
    return dents


def _is_slanted(outline: Points, area: float) -> bool:
    """Whether an outline is an ellipse much longer than wide."""
    moments = cv2.moments(outline.astype(np.float32).reshape(-1, 1, 2))
    if not moments["m00"]:
        return False
    xx, yy, xy = (moments[name] / moments["m00"] for name in ("mu20", "mu02", "mu11"))
    mean, half = (xx + yy) / 2, hypot((xx - yy) / 2, xy)
    short, long = (2 * sqrt(max(value, 1e-9)) for value in (mean - half, mean + half))
    if short / long >= _OBLIQUE:
        return False
    _, axes = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
    middle = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
    turn = np.arange(90) * (2 * np.pi / 90)
    ellipse = middle + np.stack([short * np.cos(turn), long * np.sin(turn)], 1) @ axes.T
    low = np.floor(np.minimum(outline.min(axis=0), ellipse.min(axis=0))) - 1
    size = np.ceil(np.maximum(outline.max(axis=0), ellipse.max(axis=0)) - low).astype(int) + 2
    masks = np.zeros((2, size[1], size[0]), np.uint8)
    for mask, points in zip(masks, (outline, ellipse), strict=True):
        cv2.fillPoly(mask, [np.round(points - low).astype(np.int32)], 1)
    shared, union = (masks[0] & masks[1]).sum(), (masks[0] | masks[1]).sum()
    return bool(shared > _ELLIPTIC * union)
