"""Three usual ways to find round things with libraries alone, to measure ourselves against.

Each takes the same picture that our own segmentation gets (metric, upright, colour-balanced) and
returns outlines in its pixels. Their settings are those that did best of a grid on the sample
plates (``segmentation.py --tune``), so on those plates the comparison favours them.
"""

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.color import rgb2lab
from skimage.feature import blob_log, peak_local_max
from skimage.filters import threshold_otsu
from skimage.measure import find_contours, regionprops
from skimage.segmentation import watershed

Rgb = NDArray[np.uint8]
Mask = NDArray[np.bool_]
Outlines = list[NDArray[np.float64]]

# What all three may know: the range of disc diameters on a plate.
DIAMETER_MM = (4.0, 60.0)

SETTINGS: dict[str, dict[str, Any]] = {
    "hough": {"threshold": 40.0, "apart_mm": 6.0},
    "otsu-watershed": {"apart_mm": 4.0, "solidity": 0.8},
    "blob-log": {"threshold": 0.1, "overlap": 0.5},
}
GRID: dict[str, dict[str, tuple[float, ...]]] = {
    "hough": {"threshold": (20.0, 30.0, 40.0, 60.0), "apart_mm": (4.0, 6.0, 9.0, 13.0)},
    "otsu-watershed": {"apart_mm": (2.0, 4.0, 6.0, 9.0), "solidity": (0.0, 0.8, 0.9)},
    "blob-log": {"threshold": (0.03, 0.06, 0.1, 0.2), "overlap": (0.2, 0.5)},
}


def background_distance(rgb: Rgb, valid: Mask) -> NDArray[np.float64]:
    """Return the CIELAB distance of each pixel from the most common colour, smoothed."""
    lab = np.stack(
        [ndimage.gaussian_filter(plane, 2.0) for plane in np.moveaxis(rgb2lab(rgb), 2, 0)], 2
    )
    coarse = np.round(lab[valid] / 6).astype(np.int64)
    cells, counts = np.unique(coarse, axis=0, return_counts=True)
    if not len(cells):
        return np.zeros(rgb.shape[:2])
    return np.asarray(np.linalg.norm(lab - 6.0 * cells[counts.argmax()], axis=2), np.float64)


def circle(x: float, y: float, radius: float) -> NDArray[np.float64]:
    """Return a circle as an outline (72, 2)."""
    angle = np.arange(72) * (2 * np.pi / 72)
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])


def hough(
    rgb: Rgb, valid: Mask, px_per_mm: float, *, threshold: float, apart_mm: float
) -> Outlines:
    """Circles by OpenCV's gradient Hough transform, at 4 px/mm."""
    scale = 4.0 / px_per_mm
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    found = cv2.HoughCircles(
        cv2.medianBlur(small, 5),
        cv2.HOUGH_GRADIENT,
        dp=1.0,
        minDist=apart_mm * 4.0,
        param1=100.0,
        param2=threshold,
        minRadius=round(DIAMETER_MM[0] / 2 * 4.0),
        maxRadius=round(DIAMETER_MM[1] / 2 * 4.0),
    )
    circles = np.asarray([] if found is None else found, np.float64).reshape(-1, 3) / scale
    return [circle(x, y, radius) for x, y, radius in circles if _inside(x, y, valid)]


def otsu_watershed(
    rgb: Rgb, valid: Mask, px_per_mm: float, *, apart_mm: float, solidity: float
) -> Outlines:
    """Otsu's threshold on the distance from the background colour, split by a watershed."""
    distance = background_distance(rgb, valid)
    mask = (distance > threshold_otsu(distance[valid])) & valid if valid.any() else valid
    mask = ndimage.binary_fill_holes(ndimage.binary_opening(mask, iterations=4))
    depth = ndimage.gaussian_filter(ndimage.distance_transform_edt(mask), 0.25 * px_per_mm)
    peaks = peak_local_max(
        depth, min_distance=max(1, round(apart_mm * px_per_mm)), labels=mask.astype(np.int32)
    )
    seeds = np.zeros(mask.shape, np.int32)
    seeds[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
    labels = watershed(-depth, seeds, mask=mask)
    outlines: Outlines = []
    for region in regionprops(labels):
        diameter = region.equivalent_diameter_area / px_per_mm
        if DIAMETER_MM[0] <= diameter <= DIAMETER_MM[1] and region.solidity >= solidity:
            rows = np.pad(region.image_filled, 1).astype(np.float64)
            contour = max(find_contours(rows, 0.5), key=len)[:-1]
            outlines.append(contour[:, ::-1] + [region.bbox[1] - 1, region.bbox[0] - 1])
    return outlines


def blob(rgb: Rgb, valid: Mask, px_per_mm: float, *, threshold: float, overlap: float) -> Outlines:
    """Blobs by the Laplacian of Gaussian on the distance from the background, at 1 px/mm.

    A disc of radius r answers most at sigma = r / sqrt 2 (Lindeberg T 1998, Feature detection
    with automatic scale selection, IJCV 30:79-116; from memory).
    """
    distance = np.where(valid, background_distance(rgb, valid), 0.0)
    small = cv2.resize(
        distance, None, fx=1 / px_per_mm, fy=1 / px_per_mm, interpolation=cv2.INTER_AREA
    )
    low, high = (side / 2 / np.sqrt(2) for side in DIAMETER_MM)
    found = blob_log(
        small / max(float(small.max()), 1e-9),
        min_sigma=low,
        max_sigma=high,
        num_sigma=15,
        threshold=threshold,
        overlap=overlap,
    )
    outlines: Outlines = []
    for row, column, sigma in found:
        x, y = (column + 0.5) * px_per_mm - 0.5, (row + 0.5) * px_per_mm - 0.5
        if _inside(x, y, valid):
            outlines.append(circle(x, y, sigma * np.sqrt(2) * px_per_mm))
    return outlines


def _inside(x: float, y: float, valid: Mask) -> bool:
    row, column = round(y), round(x)
    return bool(0 <= row < valid.shape[0] and 0 <= column < valid.shape[1] and valid[row, column])


RECIPES: dict[str, Callable[..., Outlines]] = {
    "hough": hough,
    "otsu-watershed": otsu_watershed,
    "blob-log": blob,
}
