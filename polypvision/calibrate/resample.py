"""The plate resampled from a photo at the view's scale."""

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.slowly import node_px, stretched
from polypvision.calibrate.view import VIEW_PX_PER_MM
from polypvision.reading import Points

_STEP_MM = 0.5
_INTERPOLATED = 1.25
"""Photo pixels per view pixel up to which interpolation alone leaves none of them out."""
_NOWHERE_PX = -1e4
"""Outside of every photo."""
_ROUNDED_PX = 1 / 64
"""By how much places are rounded when pixels are interpolated (OpenCV, INTER_BITS; from memory)."""


def _size(low: Points, high: Points) -> tuple[int, int]:
    """Width and height of the view, pixels."""
    width, height = np.maximum(np.ceil((high - low) * VIEW_PX_PER_MM).astype(int), 1)
    return int(width), int(height)


def _density(to_photo: Callable[[Points], Points], place_mm: Points) -> float:
    """Return photo pixels per view pixel at one place (2,) of the plate."""
    near = to_photo(place_mm + np.array([[0.0, 0.0], [_STEP_MM, 0.0], [0.0, _STEP_MM]]))
    (ax, ay), (bx, by) = near[1:] - near[0]
    return float(np.sqrt(abs(ax * by - ay * bx)) / (_STEP_MM * VIEW_PX_PER_MM))


def _averaged(
    rgb: NDArray[np.uint8], density: float, places: Points
) -> tuple[NDArray[np.uint8], int, Points]:
    """Return a photo from which a warp by interpolation leaves nothing out.

    Averaged are whole pixels, many times faster than parts of them; what is left is a blur. With
    it, light is spread as by averages of ``density`` pixels and straight lines between these: with
    a variance of (density^2 - 1) / 12 + density^2 / 6 (moments of a box and of a triangle).

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
    density : float
        Photo pixels per view pixel.
    places : ndarray (n, 2)
        Photo pixels round all that the view shows; the rest is left out.

    Returns
    -------
    rgb : ndarray (h, w, 3) of uint8
    n : int
        How many pixels of the photo, each way, are one of these.
    first : ndarray (2,)
        The photo's pixel with which these begin.
    """
    if density <= _INTERPOLATED:
        return rgb, 1, np.zeros(2)
    n = int(density)
    margin, limit = n + 2, np.array(rgb.shape[1::-1])
    low = np.floor(np.clip(places.min(axis=0) - margin, 0, limit - 1)).astype(int)
    high = np.ceil(np.clip(places.max(axis=0) + margin, low + 1, limit)).astype(int)
    width, height = np.maximum((high - low) // n, 1)
    part = rgb[low[1] : low[1] + height * n, low[0] : low[0] + width * n]
    if n > 1:
        size = (int(width), int(height))
        part = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), np.uint8)
    left = density / n
    if left > _INTERPOLATED:
        blurred = cv2.GaussianBlur(part, (5, 5), 0.5 * np.sqrt(left**2 - 1))
        part = np.asarray(blurred, np.uint8)
    return part, n, low


def resample(
    rgb: NDArray[np.uint8], to_photo: Callable[[Points], Points], low: Points, high: Points
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the plate between two corners at the view's scale, and where the photo shows it.

    Between the nodes the way from plate to photo is straight to some hundredths of a pixel.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
        Upright photo.
    to_photo : callable
        Plate points (n, 2) in mm to photo pixels (n, 2), not finite where there are none.
    low, high : ndarray (2,)
        Corners in plate mm.

    Returns
    -------
    view : ndarray (h, w, 3) of uint8
    seen : ndarray (h, w) of bool
    """
    width, height = _size(low, high)
    x, y = np.meshgrid(node_px(width), node_px(height))
    places = to_photo(np.column_stack([x.ravel(), y.ravel()]) / VIEW_PX_PER_MM + low)
    limit = np.array(rgb.shape[1::-1])
    # Far outside is nowhere: beyond the horizon neighbours would lie on both sides of the photo.
    known = (np.abs(places - limit / 2) < 2 * limit).all(axis=1)
    shown = places[known] if known.any() else np.array([[0, 0], limit])
    small, n, first = _averaged(rgb, _density(to_photo, (low + high) / 2), shown)
    nodes = ((places - first + 0.5) / n - 0.5).astype(np.float32)
    nodes[~known] = np.nan
    ways = stretched(nodes.reshape(*x.shape, 2), 0, height, width)
    if not known.all():
        ways = np.nan_to_num(ways, copy=False, nan=_NOWHERE_PX)
    # The library's types do not know that x and y may come as one.
    view = cv2.remap(small, ways, None, cv2.INTER_LINEAR)  # type: ignore[call-overload]
    low_px, high_px = -_ROUNDED_PX, np.array(small.shape[1::-1]) - 1 + _ROUNDED_PX
    if ((nodes >= low_px) & (nodes <= high_px)).all():
        # So is all that lies between them.
        return np.asarray(view, np.uint8), np.ones((height, width), np.bool_)
    seen = cv2.inRange(ways, (low_px,) * 2, tuple(high_px.tolist()))
    return np.asarray(view, np.uint8), seen.astype(np.bool_)
