"""Size and shape of an outline: pure geometry on polygons, in whatever unit the points have.

The outline is taken from the mask at sub-pixel places, so none of these carries the off-by-one
of pixel counting (a raster disc's maximum Feret diameter reads 1.5 to 1.8 px too long by pixels).
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import pi, sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.measure.rims import rims
from polypvision.reading import Points
from polypvision.segment.windows import Window, corner_xy, mask_box

_SMOOTH_PX = 1.0
"""Smoothing of the mask before its outline is taken. It moves the outline of a disc of radius r
inwards by sigma^2 / (2 r): 0.02 px at 2 mm radius."""
_BESIDE_PX = 4
"""How far the smoothing reaches: four standard deviations."""
FINE_PER_PX = 16
_SHEET_PX = 250_000
"""Largest sheet of several masks: one that a processor holds in its cache."""


def mask_outline(mask: NDArray[np.bool_]) -> Points:
    """Return the outer outline of a mask at sub-pixel places.

    Parameters
    ----------
    mask : ndarray (H, W) of bool
        One object; the longest outline is taken if there are several.

    Returns
    -------
    ndarray (n, 2) of float64
        x and y, first point not repeated; empty if the mask is.

    Examples
    --------
    >>> disc = np.hypot(*np.mgrid[-60:61, -60:61]) <= 50
    >>> abs(equivalent_diameter(polygon_area(mask_outline(disc))) - 100) < 0.1
    True
    """
    return mask_outlines([mask])[0]


def mask_outlines(masks: Sequence[NDArray[np.bool_]]) -> list[Points]:
    """Return the outline of each mask as `mask_outline` does.

    Small masks are laid below each other on one sheet, whose lines are found in one go.
    """
    boxes = [mask_box(mask) for mask in masks]
    found: list[Points] = []
    for first, end in _sheets(boxes):
        found += _outlines_on_sheet(masks[first:end], boxes[first:end])
    return found


def _sheets(boxes: Sequence[Window]) -> Iterator[tuple[int, int]]:
    """Yield from which to which mask one sheet holds; a large one has a sheet of its own."""
    first = height = width = 0
    for number, (rows, columns) in enumerate(boxes):
        height += rows.stop - rows.start + 2 * _BESIDE_PX
        width = max(width, columns.stop - columns.start + 2 * _BESIDE_PX)
        if number > first and height * width > _SHEET_PX:
            yield first, number
            first = number
            height = rows.stop - rows.start + 2 * _BESIDE_PX
            width = columns.stop - columns.start + 2 * _BESIDE_PX
    if boxes:
        yield first, len(boxes)


def _outlines_on_sheet(masks: Sequence[NDArray[np.bool_]], boxes: Sequence[Window]) -> list[Points]:
    corners = np.array([corner_xy(box) for box in boxes])
    sizes = np.array([[box[0].stop - box[0].start, box[1].stop - box[1].start] for box in boxes])
    sides = sizes + 2 * _BESIDE_PX
    tops = np.cumsum(sides[:, 0]) - sides[:, 0]
    sheet = np.zeros((int(sides[:, 0].sum()), int(sides[:, 1].max())), np.float32)
    for mask, box, top, (height, width) in zip(masks, boxes, tops + _BESIDE_PX, sizes, strict=True):
        sheet[top : top + height, _BESIDE_PX : _BESIDE_PX + width] = mask[box]
    side = 2 * _BESIDE_PX + 1
    smooth = np.asarray(cv2.GaussianBlur(sheet, (side, side), _SMOOTH_PX), np.float32)
    longest = [np.zeros((0, 2))] * len(masks)
    for rim in rims(smooth, 0.5):
        owner = int(np.searchsorted(tops, rim[0, 1], side="right")) - 1
        if len(rim) > len(longest[owner]):
            longest[owner] = rim
    shifts = corners - np.column_stack([np.zeros(len(tops)), tops]) - _BESIDE_PX
    return [rim + shift for rim, shift in zip(longest, shifts, strict=True)]


@dataclass(frozen=True, kw_only=True, eq=False)
class Outlines:
    """Closed polygons, one after the other, to be measured all at once.

    Attributes
    ----------
    points : ndarray (n, 2)
        x and y of all of them.
    lengths : ndarray (k,) of int64
        How many points each has.
    """

    points: Points
    lengths: NDArray[np.int64]

    @classmethod
    def of(cls, outlines: Sequence[Points]) -> "Outlines":
        """Gather polygons (n, 2), at least one."""
        lengths = np.array([len(one) for one in outlines], np.int64)
        return cls(points=np.concatenate(outlines), lengths=lengths)

    def moved(self, way: Callable[[Points], Points]) -> "Outlines":
        """Return the polygons with all points moved."""
        return Outlines(points=way(self.points), lengths=self.lengths)

    def each(self) -> list[Points]:
        """Return the polygons one by one."""
        return np.split(self.points, np.cumsum(self.lengths)[:-1])

    @cached_property
    def _sides(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """All x and all y, each in one piece: twice as quick to go through."""
        x, y = np.ascontiguousarray(self.points.T)
        return x, y

    @cached_property
    def _owner(self) -> NDArray[np.int64]:
        return np.repeat(np.arange(len(self.lengths)), self.lengths)

    def _summed(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.bincount(self._owner, values, len(self.lengths)), np.float64)

    @cached_property
    def _next(self) -> NDArray[np.int64]:
        """For each point the number of the one that follows it."""
        following = np.arange(1, len(self.points) + 1)
        ends = np.cumsum(self.lengths)
        some = self.lengths > 0
        following[ends[some] - 1] = (ends - self.lengths)[some]
        return following

    @cached_property
    def _means(self) -> Points:
        count = np.maximum(self.lengths, 1)
        return np.column_stack([self._summed(side) / count for side in self._sides])

    @cached_property
    def _moments(self) -> tuple[NDArray[np.float64], ...]:
        """Twice the signed area, and six times the first moments, about the means."""
        x, y = (
            side - np.repeat(mean, self.lengths)
            for side, mean in zip(self._sides, self._means.T, strict=True)
        )
        x_next, y_next = x.take(self._next), y.take(self._next)
        cross = x * y_next - y * x_next
        return (
            self._summed(cross),
            self._summed((x + x_next) * cross),
            self._summed((y + y_next) * cross),
        )

    @cached_property
    def areas(self) -> NDArray[np.float64]:
        """Areas (k,), by the shoelace formula; never negative."""
        return np.asarray(np.abs(self._moments[0]) / 2)

    @cached_property
    def centroids(self) -> Points:
        """Centroids (k, 2)."""
        total, x, y = self._moments
        flat = np.abs(total) < 1e-12
        shift = np.column_stack([x, y]) / np.where(flat, 1.0, 3 * total)[:, None]
        return np.asarray(self._means + np.where(flat[:, None], 0.0, shift), np.float64)

    @cached_property
    def perimeters(self) -> NDArray[np.float64]:
        """Lengths (k,) of the closed lines."""
        x, y = (side.take(self._next) - side for side in self._sides)
        return self._summed(np.hypot(x, y))


def polygon_area(outline: Points) -> float:
    """Return the area of a closed polygon (n, 2), by the shoelace formula; never negative."""
    return float(Outlines.of([outline]).areas[0])


def following(outline: Points) -> Points:
    """Return the point that follows each one of a closed polygon (n, 2)."""
    return np.concatenate([outline[1:], outline[:1]])


def polygon_centroid(outline: Points) -> Points:
    """Return the centroid (2,) of a closed polygon (n, 2)."""
    return np.asarray(Outlines.of([outline]).centroids[0], np.float64)


def perimeter(outline: Points) -> float:
    """Return the length of a closed polygon (n, 2)."""
    return float(Outlines.of([outline]).perimeters[0])


def equivalent_diameter(area: float) -> float:
    """Return the diameter of the circle of the same area.

    Examples
    --------
    >>> round(equivalent_diameter(1884.9556), 4)
    48.9898
    """
    return 2 * sqrt(max(float(area), 0.0) / pi)


def fine_points(outline: Points) -> NDArray[np.int32]:
    """Return an outline (n, 2) in whole `FINE_PER_PX` parts of its unit, as the library counts."""
    return np.rint(outline * FINE_PER_PX).astype(np.int32)


def hull_corners(outline: Points) -> NDArray[np.int32]:
    """Return the numbers of an outline's points, falling, at the corners of its convex hull.

    Parameters
    ----------
    outline : ndarray (n, 2)
        In pixels.
    """
    corners = cv2.convexHull(fine_points(outline), returnPoints=False)
    # Where an outline has equal points, the hull's numbers may not run one way round.
    return np.asarray(np.sort(np.ravel(corners))[::-1], np.int32)


def feret_max(outline: Points, corners: NDArray[np.int32] | None = None) -> float:
    """Return the maximum Feret diameter: the largest distance between two points of the outline.

    Parameters
    ----------
    outline : ndarray (n, 2)
    corners : ndarray (k,), optional
        As of `hull_corners`, where they are known.

    Examples
    --------
    >>> round(feret_max(np.array([[0.0, 0], [40, 0], [40, 20], [0, 20]])), 4)
    44.7214
    """
    if len(outline) < 2:
        return 0.0
    if corners is None:
        corners = np.ravel(cv2.convexHull(outline.astype(np.float32), returnPoints=False))
    x, y = outline[corners].T
    return float(np.sqrt(((x[:, None] - x) ** 2 + (y[:, None] - y) ** 2).max()))


def circularity(area: float, length: float) -> float:
    """Return 4 pi area / perimeter^2: 1 for a circle, 0.785 for a square.

    This is the definition without the square root that ISO 9276-6:2008 takes (from memory).

    Examples
    --------
    >>> round(circularity(100.0, 40.0), 6)
    0.785398
    """
    return 4 * pi * area / max(length, 1e-12) ** 2
