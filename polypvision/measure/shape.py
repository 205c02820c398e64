"""Size and shape of an outline: pure geometry on polygons, in whatever unit the points have.

The outline is taken from the mask at sub-pixel places, so none of these carries the off-by-one
of pixel counting (a raster disc's maximum Feret diameter reads 1.5 to 1.8 px too long by pixels).
"""

import cv2
import numpy as np
from contourpy import FillType, LineType, SerialContourGenerator, ZInterp
from numpy.typing import NDArray

from polypvision.reading import Points
from polypvision.segment.windows import corner_xy, mask_box

_SMOOTH_PX = 1.0
"""Smoothing of the mask before its outline is taken. It moves the outline of a disc of radius r
inwards by sigma^2 / (2 r): 0.02 px at 2 mm radius."""
_BESIDE_PX = 4
"""How far the smoothing reaches: four standard deviations."""
_NO_MASK = np.array(False)


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
    box = mask_box(mask)
    own = mask[box].astype(np.float32)
    padded = cv2.copyMakeBorder(own, *(_BESIDE_PX,) * 4, cv2.BORDER_CONSTANT, value=0)
    side = 2 * _BESIDE_PX + 1
    smooth = np.asarray(cv2.GaussianBlur(padded, (side, side), _SMOOTH_PX), np.float64)
    outlines = _contours(smooth, 0.5)
    if not outlines:
        return np.zeros((0, 2))
    longest = max(outlines, key=len)[:-1]
    return longest + corner_xy(box) - _BESIDE_PX


def _contours(field: NDArray[np.float64], level: float) -> list[Points]:
    """Return the lines (n, 2) along which a map (H, W) has a level, x and y."""
    height, width = field.shape
    x, y = np.meshgrid(np.arange(width, dtype=np.float64), np.arange(height, dtype=np.float64))
    # Not through `contour_generator`: looking for holes in the map takes it longer than the lines.
    generator = SerialContourGenerator(
        x,
        y,
        field,
        _NO_MASK,
        corner_mask=False,
        line_type=LineType.Separate,
        fill_type=FillType.OuterOffset,
        quad_as_tri=False,
        z_interp=ZInterp.Linear,
    )
    return [np.asarray(line, np.float64) for line in generator.lines(level)]


def polygon_area(outline: Points) -> float:
    """Return the area of a closed polygon (n, 2), by the shoelace formula; never negative."""
    if len(outline) < 3:
        return 0.0
    centred = outline - outline.mean(axis=0)
    (x, y), (x_next, y_next) = centred.T, following(centred).T
    return float(abs(np.dot(x, y_next) - np.dot(y, x_next)) / 2)


def following(outline: Points) -> Points:
    """Return the point that follows each one of a closed polygon (n, 2)."""
    return np.concatenate([outline[1:], outline[:1]])


def polygon_centroid(outline: Points) -> Points:
    """Return the centroid (2,) of a closed polygon (n, 2)."""
    shift = outline.mean(axis=0)
    centred = outline - shift
    (x, y), (x_next, y_next) = centred.T, following(centred).T
    cross = x * y_next - y * x_next
    total = cross.sum()
    if abs(total) < 1e-12:
        return np.asarray(shift, np.float64)
    centre = np.array([((x + x_next) * cross).sum(), ((y + y_next) * cross).sum()])
    return np.asarray(shift + centre / (3 * total), np.float64)


def perimeter(outline: Points) -> float:
    """Return the length of a closed polygon (n, 2)."""
    x, y = (following(outline) - outline).T
    return float(np.hypot(x, y).sum())


def equivalent_diameter(area: float) -> float:
    """Return the diameter of the circle of the same area.

    Examples
    --------
    >>> round(equivalent_diameter(1884.9556), 4)
    48.9898
    """
    return float(2 * np.sqrt(max(area, 0.0) / np.pi))


def feret_max(outline: Points) -> float:
    """Return the maximum Feret diameter: the largest distance between two points of the outline.

    Examples
    --------
    >>> round(feret_max(np.array([[0.0, 0], [40, 0], [40, 20], [0, 20]])), 4)
    44.7214
    """
    if len(outline) < 2:
        return 0.0
    corners = cv2.convexHull(outline.astype(np.float32), returnPoints=False)
    x, y = outline[np.ravel(corners)].T
    return float(np.sqrt(((x[:, None] - x) ** 2 + (y[:, None] - y) ** 2).max()))


def circularity(area: float, length: float) -> float:
    """Return 4 pi area / perimeter^2: 1 for a circle, 0.785 for a square.

    This is the definition without the square root that ISO 9276-6:2008 takes (from memory).

    Examples
    --------
    >>> round(circularity(100.0, 40.0), 6)
    0.785398
    """
    return float(4 * np.pi * area / max(length, 1e-12) ** 2)
