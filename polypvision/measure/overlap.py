"""Outlines laid over each other: how much of two is shared."""

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from polypvision.reading import Points


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
