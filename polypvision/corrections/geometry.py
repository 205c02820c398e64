"""Outlines drawn by a person: checked, parted, joined."""

from itertools import pairwise

import numpy as np
import shapely
import shapely.ops
from numpy.typing import NDArray

from polypvision.errors import CorrectionError
from polypvision.reading import Points

_LEAST_PX2 = 4.0
"""A smaller outline cannot be told from a slip of the finger."""
_SLIVER = 0.01
"""A smaller part of a split polyp stays with the piece beside it."""
_BRIDGE = 0.5
"""Two are taken for one only if the gap is below this part of the smaller one's diameter."""


def check_places(places: Points, size_px: tuple[int, int] | None, what: str) -> None:
    """Refuse places (n, 2) that are no numbers or lie outside the photo.

    Raises
    ------
    CorrectionError
    """
    if not np.isfinite(places).all():
        raise CorrectionError(f"{what} has a place that is no number. Give x and y in pixels.")
    if size_px is None:
        return
    low, high = np.array([-0.5, -0.5]), np.array(size_px, np.float64) - 0.5
    outside = np.flatnonzero(((places < low) | (places > high)).any(axis=1))
    if len(outside):
        x, y = places[outside[0]]
        raise CorrectionError(
            f"{what} leaves the photo at x {x:.1f}, y {y:.1f}; the photo is {size_px[0]} x "
            f"{size_px[1]} pixels. Give places on the upright photo."
        )


def check_outline(outline: Points, size_px: tuple[int, int] | None, what: str) -> None:
    """Refuse an outline (n, 2) that is none, crosses itself or leaves the photo.

    Raises
    ------
    CorrectionError
    """
    if len(outline) < 3:
        raise CorrectionError(f"{what} has {len(outline)} points. An outline needs at least 3.")
    check_places(outline, size_px, what)
    shape = shapely.Polygon(outline)
    if not shape.is_valid:
        reason = shapely.is_valid_reason(shape)
        place = reason[reason.find("[") + 1 : -1].split() if "[" in reason else []
        where = f" near x {float(place[0]):.1f}, y {float(place[1]):.1f}" if place else ""
        raise CorrectionError(f"{what} crosses itself{where}. Draw it once round, without loops.")
    if shape.area < _LEAST_PX2:
        raise CorrectionError(f"{what} holds {shape.area:.1f} square pixels. Draw it larger.")


def ring(shape: shapely.Polygon) -> Points:
    """Return the outer outline (n, 2) of a polygon, first point not repeated."""
    return np.asarray(shape.exterior.coords, np.float64)[:-1]


def pieces_of(shape: shapely.Geometry) -> list[shapely.Polygon]:
    """Return the polygons in a geometry, largest first; lines and points are dropped."""
    parts = [one for one in shapely.get_parts(shape) if isinstance(one, shapely.Polygon)]
    if isinstance(shape, shapely.GeometryCollection):
        parts = [piece for one in shapely.get_parts(shape) for piece in shapely.get_parts(one)]
        parts = [one for one in parts if isinstance(one, shapely.Polygon)]
    return sorted((one for one in parts if one.area > 0), key=lambda one: (-one.area, one.bounds))


def split_outline(outline: Points, line: Points) -> list[Points]:
    """Return the pieces of an outline parted along a line, largest first.

    Ends of the line that lie inside are carried on straight to the margin.

    Raises
    ------
    CorrectionError
        If the line does not part it.
    """
    shape = shapely.Polygon(outline)
    parts = pieces_of(shapely.ops.split(shape, _carried_on(shape, line)))
    large = [one for one in parts if one.area >= _SLIVER * shape.area]
    if len(large) < 2:
        raise CorrectionError(
            "The line does not part the polyp in two. Draw it right across, from margin to margin."
        )
    for sliver in (one for one in parts if one.area < _SLIVER * shape.area):
        beside = max(range(len(large)), key=lambda n: large[n].intersection(sliver.boundary).length)
        joined = large[beside].union(sliver)
        large[beside] = joined if isinstance(joined, shapely.Polygon) else large[beside]
    return [ring(one) for one in large]


def _carried_on(shape: shapely.Polygon, line: Points) -> shapely.LineString:
    reach = 2 * float(np.ptp(np.asarray(shape.exterior.coords), axis=0).sum())
    points = line.copy()
    for end, inner in ((0, 1), (-1, -2)):
        way = line[end] - line[inner]
        if shape.contains(shapely.Point(line[end])):
            points[end] = line[end] + way * reach / float(np.linalg.norm(way))
    return shapely.LineString(points)


def merge_outlines(outlines: list[Points]) -> Points:
    """Return the one outline round several; what lies in the gap between them is taken in.

    Raises
    ------
    CorrectionError
        If they stand too far apart to be one.
    """
    shapes = [shapely.Polygon(one) for one in outlines]
    union = shapely.union_all(shapes)
    if len(pieces_of(union)) > 1:
        union = union.union(_bridged(shapes, union))
    return ring(pieces_of(union)[0])


def _bridged(shapes: list[shapely.Polygon], union: shapely.Geometry) -> shapely.Geometry:
    smallest = 2 * np.sqrt(min(one.area for one in shapes) / np.pi)
    # Growing by the gap and shrinking again fills what lies between; just enough is looked for.
    for part in (0.05, 0.1, 0.2, 0.35, _BRIDGE):
        width = part * smallest
        closed = union.buffer(width).buffer(-width)
        if len(pieces_of(closed.union(union))) == 1:
            return closed
    raise CorrectionError(
        "They stand too far apart to be one polyp. Delete one, and reshape the other."
    )


def brush(stroke: Points, radius: float) -> Points:
    """Return the outline (n, 2) of a stroke (n, 2) with a round brush."""
    line = shapely.LineString(stroke) if len(stroke) > 1 else shapely.Point(stroke[0])
    return ring(pieces_of(line.buffer(radius))[0])


def circle(centre: Points, radius: float, n: int = 64) -> Points:
    """Return a circle as an outline (n, 2)."""
    angle = np.arange(n) * (2 * np.pi / n)
    return centre + radius * np.column_stack([np.cos(angle), np.sin(angle)])


def check_line(line: Points, size_px: tuple[int, int] | None) -> None:
    """Refuse a line to part a polyp along that is none.

    Raises
    ------
    CorrectionError
    """
    check_places(line, size_px, "The line")
    if len(line) < 2 or any(bool((a == b).all()) for a, b in pairwise(line)):
        raise CorrectionError("The line needs at least 2 points, each another place.")


def inside_mask(outline: Points, shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Return a mask (h, w): 1 where a pixel's centre lies inside the outline (n, 2), by even-odd.

    Row by row between the crossings (scan conversion: Foley et al. 1990, Computer Graphics, 3.6;
    from memory). Asking every pixel about every edge, as scikit-image does, takes a hundred times
    as long, and a person waits for it.
    """
    height, width = shape
    ends = np.roll(outline, -1, axis=0)
    upper = np.where((outline[:, 1] <= ends[:, 1])[:, None], outline, ends)
    lower = np.where((outline[:, 1] <= ends[:, 1])[:, None], ends, outline)
    first = np.clip(np.ceil(upper[:, 1]), 0, height).astype(int)
    rows_of = np.clip(np.ceil(lower[:, 1]), 0, height).astype(int) - first
    edge = np.repeat(np.arange(len(outline)), rows_of)
    row = np.arange(len(edge)) - np.repeat(np.cumsum(rows_of) - rows_of, rows_of) + first[edge]
    (x0, y0), (x1, y1) = upper[edge].T, lower[edge].T
    crossed = x0 + (row - y0) * (x1 - x0) / (y1 - y0)
    turns = np.zeros((height, width + 1), np.uint8)
    np.bitwise_xor.at(turns, (row, np.clip(np.ceil(crossed), 0, width).astype(int)), 1)
    return np.bitwise_xor.accumulate(turns, axis=1)[:, :width]
