"""The card's markers in a photo: found small, then their corners refined at full resolution."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.srgb import LINEAR_OF_CODE
from polypvision.card.code import MarkerPlace, marker_place
from polypvision.card.dictionary import DICTIONARY
from polypvision.reading import Points

# Marker search costs several times the decoding of a large photo, so it runs on a reduced one.
_SEARCH_SIDES_PX = (1600, 3200)
MODULES = DICTIONARY.markerSize + 2
_SHARPENED_PX = (2.0, 3.0, 4.5, 7.0, 10.0)
_SAMPLES_PER_EDGE = 24
_PROFILE_STEP_PX = 0.5


@dataclass(frozen=True, kw_only=True, eq=False)
class Marker:
    """One marker of a card, found in the photo.

    Attributes
    ----------
    place : MarkerPlace
        Which card, and where on it.
    corners_xy : ndarray (4, 2) of float64
        Outer corners of the black border in photo pixels: top left, then clockwise, as printed.
    edge_width_px : float
        10-90 % width of its edges, photo pixels, in the direction in which they are wider; NaN when
        it could not be measured.
    """

    place: MarkerPlace
    corners_xy: Points
    edge_width_px: float


def _detector() -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    # Wide window: markers near the camera are large, and lighting varies across a wet plate.
    parameters.adaptiveThreshWinSizeMin = 5
    parameters.adaptiveThreshWinSizeMax = 45
    parameters.adaptiveThreshWinSizeStep = 20
    parameters.minMarkerPerimeterRate = 0.02
    return cv2.aruco.ArucoDetector(DICTIONARY, parameters)


def _brightest_channel(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return max(R, G, B): paper stays bright and ink dark also where the light is all blue."""
    red, green, blue = cv2.split(rgb)
    return np.asarray(cv2.max(cv2.max(red, green), blue), dtype=np.uint8)


def _reduced(grey: NDArray[np.uint8], side_px: int) -> tuple[NDArray[np.uint8], float]:
    """Return the picture with its longer side at most ``side_px``, and the factor."""
    factor = side_px / max(grey.shape)
    if factor >= 1:
        return grey, 1.0
    height, width = (max(1, round(n * factor)) for n in grey.shape)
    small = cv2.resize(grey, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.uint8), factor


def _search(grey: NDArray[np.uint8], side_px: int) -> dict[MarkerPlace, Points]:
    """Return the corners of every marker of ours, in pixels of ``grey``."""
    small, factor = _reduced(grey, side_px)
    corners, ids, _ = _detector().detectMarkers(small)
    found: dict[MarkerPlace, Points] = {}
    if ids is None:
        return found
    for quad, marker_id in zip(corners, np.ravel(ids), strict=True):
        place = marker_place(int(marker_id))
        if place is not None:
            found[place] = (np.asarray(quad, np.float64).reshape(4, 2) + 0.5) / factor - 0.5
    return found


def find_markers(rgb: NDArray[np.uint8]) -> tuple[Marker, ...]:
    """Return the markers of reference cards in a photo, in the order of their places.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
        Upright photo.

    Returns
    -------
    tuple of Marker
        Corners refined at full resolution; empty if none is seen.
    """
    grey = _brightest_channel(rgb)
    found: dict[MarkerPlace, Points] = {}
    for side_px in _SEARCH_SIDES_PX:
        found = _search(grey, side_px) | found
        if len(found) >= 4 or side_px >= max(grey.shape):
            break
    return tuple(_refined(grey, place, found[place]) for place in sorted(found))


def seen_mirrored(rgb: NDArray[np.uint8]) -> tuple[MarkerPlace, ...]:
    """Return the markers that are readable only in the photo's mirror image."""
    grey = _brightest_channel(rgb)
    small, _ = _reduced(grey, _SEARCH_SIDES_PX[0])
    return tuple(sorted(_search(np.ascontiguousarray(small[:, ::-1]), _SEARCH_SIDES_PX[0])))


def seen_enlarged(rgb: NDArray[np.uint8]) -> tuple[MarkerPlace, ...]:
    """Return the markers that are readable where the photo is drawn twice and thrice as large."""
    grey, _ = _reduced(_brightest_channel(rgb), _SEARCH_SIDES_PX[0])
    found: set[MarkerPlace] = set()
    for factor in (2, 3):
        size = (grey.shape[1] * factor, grey.shape[0] * factor)
        large = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_CUBIC), np.uint8)
        found |= _search(large, max(size)).keys()
    return tuple(sorted(found))


def seen_sharpened(rgb: NDArray[np.uint8]) -> tuple[MarkerPlace, ...]:
    """Return the markers that are readable once edges are sharpened (unsharp masking)."""
    grey, _ = _reduced(_brightest_channel(rgb), _SEARCH_SIDES_PX[0])
    plain = grey.astype(np.float32)
    found: set[MarkerPlace] = set()
    for sigma in _SHARPENED_PX:
        calm = cv2.GaussianBlur(plain, (0, 0), 0.4 * sigma)
        sharp = calm + 6.0 * (calm - cv2.GaussianBlur(plain, (0, 0), 1.6 * sigma))
        found |= _search(np.clip(sharp, 0, 255).astype(np.uint8), _SEARCH_SIDES_PX[0]).keys()
    return tuple(sorted(found))


def sharpest_edge_px(rgb: NDArray[np.uint8]) -> float:
    """Return the 10-90 % width of the sharpest strong edges in a photo, in photo pixels.

    Of four directions that one counts in which they are widest: a shaken camera leaves the edges
    along its motion sharp. For a Gaussian blur of an edge with contrast C the steepest slope is
    C / (sigma sqrt(2 pi)), and the 10-90 % width is 2.563 sigma. Used only where no card is there
    to measure on.
    """
    small, factor = _reduced(_brightest_channel(rgb), 1000)
    smooth = cv2.GaussianBlur(small.astype(np.float32), (0, 0), 1.0)
    across = cv2.Scharr(smooth, cv2.CV_32F, 1, 0) / 32
    down = cv2.Scharr(smooth, cv2.CV_32F, 0, 1) / 32
    slope = np.hypot(across, down)
    # Lines, not arrows: an edge and its opposite have one direction.
    sector = np.round(np.arctan2(down, across) / (np.pi / 4)).astype(np.int8) % 4
    steepest = min(
        float(np.percentile(np.where(sector == one, slope, 0.0), 99.95)) for one in range(4)
    )
    contrast = float(np.percentile(smooth, 99) - np.percentile(smooth, 1))
    sigma = contrast / max(steepest * np.sqrt(2 * np.pi), 1e-6)
    # The smoothing above is no blur of the photo's.
    return float(2.563 * np.sqrt(max(sigma**2 - 1.0, 0.0)) / factor)


def _edge_profiles(
    grey: NDArray[np.uint8], start: Points, stop: Points, reach_px: float
) -> tuple[Points, NDArray[np.float64], NDArray[np.float32], NDArray[np.float64]]:
    """Sample linear light across one edge, from the ink outwards to the paper."""
    along = np.linspace(0.12, 0.88, _SAMPLES_PER_EDGE)
    feet = start + along[:, None] * (stop - start)
    direction = (stop - start) / np.linalg.norm(stop - start)
    # Corners run clockwise on the picture (y down), so this normal points outwards.
    normal = np.array([direction[1], -direction[0]])
    offsets = np.arange(-reach_px, reach_px + 1e-9, _PROFILE_STEP_PX)
    places = feet[:, None, :] + offsets[None, :, None] * normal
    x0, y0 = np.floor(places.reshape(-1, 2).min(axis=0)).astype(int) - 1
    x1, y1 = np.ceil(places.reshape(-1, 2).max(axis=0)).astype(int) + 2
    x0, y0 = max(x0, 0), max(y0, 0)
    window = LINEAR_OF_CODE[grey[y0:y1, x0:x1]]
    if window.size == 0:
        return feet, normal, np.zeros((len(feet), len(offsets)), np.float32), offsets
    profiles = cv2.remap(
        window,
        (places[..., 0] - x0).astype(np.float32),
        (places[..., 1] - y0).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return feet, normal, np.asarray(profiles, np.float32), offsets


def _crossing(
    profiles: NDArray[np.float32], offsets: NDArray[np.float64], level: float
) -> NDArray[np.float64]:
    """Return where each profile (n, m) first rises through ``level`` between its ends; NaN if not.

    The ends' means stand for ink (0) and paper (1), so uneven light does not move the edge.
    """
    end = max(1, profiles.shape[1] // 6)
    ink = profiles[:, :end].mean(axis=1)
    paper = profiles[:, -end:].mean(axis=1)
    contrast = paper - ink
    usable = contrast > 0.02
    scaled = (profiles - ink[:, None]) / np.where(usable, contrast, 1.0)[:, None]
    above = scaled >= level
    index = np.argmax(above, axis=1)
    usable &= above.any(axis=1) & (index > 0)
    rows = np.arange(len(profiles))
    low, high = scaled[rows, index - 1], scaled[rows, index]
    share = (level - low) / np.where(high > low, high - low, 1.0)
    step = offsets[1] - offsets[0]
    return np.where(usable, offsets[index - 1] + share * step, np.nan)


def _line(points: Points) -> tuple[Points, Points] | None:
    """Return centre and direction of the line through points, outliers dropped once."""
    for _ in range(2):
        if len(points) < 6:
            return None
        centre = points.mean(axis=0)
        _, _, axes = np.linalg.svd(points - centre, full_matrices=False)
        distance = np.abs((points - centre) @ axes[1])
        keep = distance <= max(3 * 1.4826 * float(np.median(distance)), 0.05)
        points = points[keep]
    return centre, axes[0]


def _meet(first: tuple[Points, Points], second: tuple[Points, Points]) -> Points | None:
    """Return the crossing of two lines (centre, direction), or None if they are parallel."""
    matrix = np.column_stack([first[1], -second[1]])
    if abs(np.linalg.det(matrix)) < 0.1:
        return None
    share = np.linalg.solve(matrix, second[0] - first[0])
    corner: Points = first[0] + share[0] * first[1]
    return corner


def _worse_direction(widths: NDArray[np.float64]) -> float:
    """Return the edge width across the more blurred of a marker's two directions; NaN without.

    A shaken camera smears the edges across its motion and leaves those along it sharp.
    """
    pairs = [pair[np.isfinite(pair)] for pair in (widths[::2], widths[1::2])]
    return max((float(pair.mean()) for pair in pairs if len(pair)), default=float("nan"))


def _refined(grey: NDArray[np.uint8], place: MarkerPlace, corners: Points) -> Marker:
    """Fit a line to each edge in linear light and let the lines meet in the corners.

    Blur is symmetric in linear light and moves no edge there, while corner operators drift
    inwards with it. A corner whose lines cannot be fitted keeps its first place.
    """
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    reach = float(np.clip(0.75 * sides.min() / MODULES, 2.0, 12.0))
    lines: list[tuple[Points, Points] | None] = []
    widths = np.full(4, np.nan)
    for index in range(4):
        feet, normal, profiles, offsets = _edge_profiles(
            grey, corners[index], corners[(index + 1) % 4], reach
        )
        middle = _crossing(profiles, offsets, 0.5)
        edge = feet + middle[:, None] * normal
        lines.append(_line(edge[np.isfinite(middle)]))
        width = _crossing(profiles, offsets, 0.9) - _crossing(profiles, offsets, 0.1)
        if np.isfinite(width).sum() >= _SAMPLES_PER_EDGE // 2:
            widths[index] = np.nanmedian(width)
    refined = corners.copy()
    for index in range(4):
        before, after = lines[index - 1], lines[index]
        if before is None or after is None:
            continue
        corner = _meet(before, after)
        if corner is not None and np.linalg.norm(corner - corners[index]) <= reach + 2.0:
            refined[index] = corner
    return Marker(
        place=place,
        corners_xy=refined,
        edge_width_px=_worse_direction(widths),
    )
