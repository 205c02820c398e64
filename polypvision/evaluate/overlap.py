"""Overlap of outlines, and which found outline belongs to which true one."""

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from polypvision.reading import Points

MATCH_IOU = 0.5
"""A found polyp is a true one if their IoU is above this (Kirillov et al. 2019, CVPR)."""


STRICT_IOU = 0.75
"""The same for outlines that must fit well (Lin et al. 2014, Microsoft COCO; from memory)."""


def polygons(outlines: Sequence[Points]) -> NDArray[np.object_]:
    """Return outlines (n, 2) as shapely polygons, one each.

    An outline that crosses itself is taken as the area it encloses; one with fewer than three
    points is an empty polygon, which overlaps nothing.
    """
    made = np.empty(len(outlines), dtype=np.object_)
    for index, outline in enumerate(outlines):
        points = np.asarray(outline, dtype=np.float64)
        polygon = shapely.Polygon(points) if len(points) >= 3 else shapely.Polygon()
        made[index] = polygon if polygon.is_valid else _area_only(shapely.make_valid(polygon))
    return made


def _area_only(shape: shapely.Geometry) -> shapely.Geometry:
    """Drop the lines and points that mending an outline can leave over."""
    parts = shapely.get_parts(shape, return_index=False)
    return shapely.union_all(parts[shapely.get_dimensions(parts) == 2])


def iou_matrix(found: Sequence[Points], true: Sequence[Points]) -> NDArray[np.float64]:
    """Return the intersection over union of every found outline with every true one.

    Parameters
    ----------
    found, true : sequence of ndarray (n, 2)
        Outlines, closed without repeating the first point, in the same pixels or mm.

    Returns
    -------
    ndarray (len(found), len(true)) of float64
        0 to 1.

    Examples
    --------
    >>> box = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    >>> iou_matrix([box], [box, box + [5.0, 0.0]]).round(3).tolist()
    [[1.0, 0.333]]
    """
    matrix = np.zeros((len(found), len(true)), dtype=np.float64)
    if not matrix.size:
        return matrix
    ours, theirs = polygons(found), polygons(true)
    rows, columns = shapely.STRtree(theirs).query(ours, predicate="intersects")
    shared = shapely.area(shapely.intersection(ours[rows], theirs[columns]))
    union = shapely.area(ours)[rows] + shapely.area(theirs)[columns] - shared
    matrix[rows, columns] = np.divide(shared, union, out=np.zeros_like(shared), where=union > 0)
    return matrix


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
