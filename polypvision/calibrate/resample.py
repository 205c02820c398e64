"""The plate resampled from a photo at the view's scale."""

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.view import VIEW_PX_PER_MM
from polypvision.reading import Points

_GRID_PX = 16
"""Spacing, in view pixels, of the places that are looked up one by one; between them the way from
plate to photo is straight to a hundredth of a pixel."""
_STEP_MM = 0.5
_INTERPOLATED = 1.25
"""Photo pixels per view pixel up to which interpolation alone leaves none of them out."""


def _size(low: Points, high: Points) -> tuple[int, int]:
    """Width and height of the view, pixels."""
    width, height = np.maximum(np.ceil((high - low) * VIEW_PX_PER_MM).astype(int), 1)
    return int(width), int(height)


def _averaged(
    rgb: NDArray[np.uint8], density: float, places: Points
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Return a photo of about one pixel per view pixel, and the matrix (3, 3) into its pixels.

    Averaging first keeps what a warp by interpolation would skip over.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
    density : float
        Photo pixels per view pixel.
    places : ndarray (n, 2)
        Photo pixels round all that the view shows; the rest is left out.
    """
    if density <= _INTERPOLATED:
        return rgb, np.eye(3)
    margin, limit = int(density) + 2, np.array(rgb.shape[1::-1])
    left, top = np.floor(np.clip(places.min(axis=0) - margin, 0, limit - 1)).astype(int)
    right, bottom = np.ceil(
        np.clip(places.max(axis=0) + margin, (left + 1, top + 1), limit)
    ).astype(int)
    part = rgb[top:bottom, left:right]
    height, width = part.shape[:2]
    shrunk = (max(1, round(width / density)), max(1, round(height / density)))
    x_factor, y_factor = shrunk[0] / width, shrunk[1] / height
    small = np.asarray(cv2.resize(part, shrunk, interpolation=cv2.INTER_AREA), np.uint8)
    centre = np.array(
        [
            [x_factor, 0, (0.5 - left) * x_factor - 0.5],
            [0, y_factor, (0.5 - top) * y_factor - 0.5],
            [0, 0, 1.0],
        ]
    )
    return small, centre


def resample(
    rgb: NDArray[np.uint8], plate_to_photo: NDArray[np.float64], low: Points, high: Points
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the plate between two corners at the view's scale, and where the photo shows it.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
        Upright photo.
    plate_to_photo : ndarray (3, 3)
        Homography, mm to photo pixels.
    low, high : ndarray (2,)
        Corners in plate mm.

    Returns
    -------
    view : ndarray (h, w, 3) of uint8
    seen : ndarray (h, w) of bool
    """
    shape = _size(low, high)
    view_to_mm = np.array(
        [[1 / VIEW_PX_PER_MM, 0, low[0]], [0, 1 / VIEW_PX_PER_MM, low[1]], [0, 0, 1.0]]
    )
    to_photo = plate_to_photo @ view_to_mm
    weight = to_photo[2] @ np.append(np.array(shape) / 2, 1.0)
    density = float(np.sqrt(abs(np.linalg.det(to_photo) / weight**3)))
    corners = _corners_seen(to_photo, shape)
    inside = corners is not None and _all_inside(corners, rgb)
    rgb, centre = _averaged(rgb, density, _frame_of(rgb) if corners is None else corners)
    to_photo = centre @ to_photo
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    view = np.asarray(cv2.warpPerspective(rgb, to_photo, shape, flags=flags), np.uint8)
    if inside:
        return view, np.ones(view.shape[:2], np.bool_)
    seen = cv2.warpPerspective(np.full(rgb.shape[:2], 255, np.uint8), to_photo, shape, flags=flags)
    return view, np.asarray(seen, np.uint8) == 255


def _corners_seen(to_photo: NDArray[np.float64], shape: tuple[int, int]) -> Points | None:
    """Return where a view's corners (4, 2) are in the photo; None if one is behind the camera."""
    width, height = shape
    corners = np.array([[0, 0, 1], [width, 0, 1], [width, height, 1], [0, height, 1.0]])
    moved = corners @ to_photo.T
    weights = moved[:, 2]
    if weights.min() <= 0 <= weights.max():
        return None
    return np.asarray(moved[:, :2] / weights[:, None], np.float64)


def _frame_of(rgb: NDArray[np.uint8]) -> Points:
    """Return first and last pixel (2, 2) of a picture."""
    return np.array([[0.0, 0.0], [rgb.shape[1] - 1.0, rgb.shape[0] - 1.0]])


def _all_inside(places: Points, rgb: NDArray[np.uint8]) -> bool:
    """Tell whether places lie in a picture, and not on its outermost pixels."""
    first, last = _frame_of(rgb)
    return bool((places > first + 1).all() and (places < last - 1).all())


def resample_by(
    rgb: NDArray[np.uint8], to_photo: Callable[[Points], Points], low: Points, high: Points
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Do what `resample` does for any smooth way from plate to photo, as a curved lens makes it.

    Parameters
    ----------
    rgb, low, high
        As in `resample`.
    to_photo : callable
        Plate points (n, 2) in mm to photo pixels (n, 2).
    """
    width, height = _size(low, high)
    columns = np.arange(0, width + _GRID_PX, _GRID_PX)
    rows = np.arange(0, height + _GRID_PX, _GRID_PX)
    x, y = np.meshgrid(columns, rows)
    nodes = np.column_stack([x.ravel(), y.ravel()]) / VIEW_PX_PER_MM + low
    middle = (low + high) / 2
    near = to_photo(middle + np.array([[0.0, 0.0], [_STEP_MM, 0.0], [0.0, _STEP_MM]]))
    (ax, ay), (bx, by) = near[1:] - near[0]
    density = np.sqrt(abs(ax * by - ay * bx)) / (_STEP_MM * VIEW_PX_PER_MM)
    places = to_photo(nodes)
    known = places[np.isfinite(places).all(axis=1)]
    rgb, centre = _averaged(rgb, float(density), known if len(known) else _frame_of(rgb))
    places = places * centre[[0, 1], [0, 1]] + centre[:2, 2]
    coarse = places.reshape(len(rows), len(columns), 2)
    grid = [
        (np.arange(n) / _GRID_PX).astype(np.float32) for n in (width, height)
    ]  # fmt: skip
    grid_x, grid_y = np.meshgrid(*grid)
    maps = cv2.remap(coarse.astype(np.float32), grid_x, grid_y, cv2.INTER_LINEAR)
    ways = maps[..., 0], maps[..., 1]
    view = cv2.remap(rgb, *ways, cv2.INTER_LINEAR)
    seen = cv2.remap(np.full(rgb.shape[:2], 255, np.uint8), *ways, cv2.INTER_LINEAR)
    return np.asarray(view, np.uint8), np.asarray(seen, np.uint8) == 255
