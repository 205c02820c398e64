"""Overlap of outlines, and which found outline belongs to which true one."""

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from polypvision.measure.overlap import polygons
from polypvision.reading import Points

MATCH_IOU = 0.5
"""A found polyp is a true one if their IoU is above this (Kirillov et al. 2019, CVPR)."""


STRICT_IOU = 0.75
"""The same for outlines that must fit well (Lin et al. 2014, Microsoft COCO; from memory)."""


def union_iou(found: Sequence[Points], true: Sequence[Points]) -> float:
    """Return the intersection over union of all found areas together with all true ones.

    NaN where both are empty.
    """
    ours, theirs = shapely.union_all(polygons(found)), shapely.union_all(polygons(true))
    union = shapely.union(ours, theirs).area
    return float(shapely.intersection(ours, theirs).area / union) if union else float("nan")


def match(iou: NDArray[np.float64], *, above: float = MATCH_IOU) -> list[tuple[int, int]]:
    """Return the pairs (found, true): most pairs first, then the greatest overlap.

    Parameters
    ----------
    iou : ndarray (m, n) of float64
        As from `iou_matrix`.
    above : float
        A pair needs a greater IoU than this.

    Returns
    -------
    list of (int, int)
        Each row and column at most once, in the order of the rows.

    References
    ----------
    Kuhn HW 1955, The Hungarian method for the assignment problem, Naval Res Logist Q 2:83-97.
    """
    # One pair more always outweighs any gain in overlap, which is at most 1 a pair.
    worth = np.where(iou > above, min(iou.shape) + 1 + iou, 0.0)
    rows, columns = linear_sum_assignment(worth, maximize=True)
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if iou[i, j] > above]
