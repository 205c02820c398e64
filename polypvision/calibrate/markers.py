"""The card's markers in a photo: found small, then their corners refined at full resolution."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.squares import read_squares
from polypvision.calibrate.srgb import LINEAR_OF_CODE
from polypvision.card.code import AGREEING, CardName, MarkerPlace, marker_place
from polypvision.card.dictionary import DICTIONARY
from polypvision.card.layout import card_layout
from polypvision.reading import Points

# Marker search costs several times the decoding of a large photo, so it runs on a reduced one.
_SEARCH_SIDES_PX = (1600, 3200)
MODULES = DICTIONARY.markerSize + 2
_GLANCE_PX = 1000
"""About the longer side of the picture in which cards that are near are found."""
_NEAR_PX = 4.0 * MODULES
"""Side of a marker that is near, there. One of two thirds of it is still read, so no other card is
missed beside such a one unless it is much farther away."""
_GLANCE_WINDOW_PX = 23
_SHARPENED_PX = (2.0, 3.0, 4.5, 7.0, 10.0)
_SAMPLES_PER_EDGE = 24
_PROFILE_STEP_PX = 0.5
_LEAST_PER_LINE = 6


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


def _square_finder() -> cv2.aruco.ArucoDetector:
    """Return a detector that finds all that may be a marker, but knows one of them only.

    The library compares each square with every marker of its dictionary, one by one: on egg-crate
    that takes twenty times as long as finding the squares.
    """
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = _GLANCE_WINDOW_PX
    parameters.adaptiveThreshWinSizeMax = _GLANCE_WINDOW_PX
    parameters.minMarkerPerimeterRate = 2 * _NEAR_PX / _GLANCE_PX
    one = cv2.aruco.Dictionary(DICTIONARY.bytesList[:1], DICTIONARY.markerSize)
    return cv2.aruco.ArucoDetector(one, parameters)


def _brightest_channel(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return max(R, G, B): paper stays bright and ink dark also where the light is all blue."""
    # Of a window that is no picture of its own the library parts the channels row by row.
    red, green, blue = cv2.split(np.ascontiguousarray(rgb))
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


def _search_quickly(grey: NDArray[np.uint8]) -> dict[MarkerPlace, Points]:
    """Return the corners of markers of ours that are large in a picture."""
    named, _, others = _square_finder().detectMarkers(grey)
    squares = [np.asarray(quad, np.float64).reshape(4, 2) for quad in (*named, *others)]
    return dict(read_squares(grey, squares))


def _glance(rgb: NDArray[np.uint8]) -> dict[MarkerPlace, Points]:
    """Return the markers' corners if cards that are near are all there is; else nothing."""
    height, width = rgb.shape[:2]
    # Whole numbers of pixels are averaged many times faster.
    n = max(1, round(max(height, width) / _GLANCE_PX))
    even = rgb[: height // n * n, : width // n * n]
    small = cv2.resize(even, (width // n, height // n), interpolation=cv2.INTER_AREA)
    seen = _search_quickly(_brightest_channel(np.asarray(small, np.uint8)))
    found = {place: (quad + 0.5) * n - 0.5 for place, quad in seen.items()}
    cards: dict[CardName, dict[int, Points]] = {}
    for place, quad in found.items():
        cards.setdefault(place.card, {})[place.place] = quad
    one_of_each = sum(map(len, cards.values())) == len(found)
    enough = all(len(quads) >= AGREEING for quads in cards.values())
    near = not found or float(_sides(np.stack(list(found.values()))).min()) >= _NEAR_PX * n
    if not (one_of_each and enough and near):
        return {}
    for card, quads in cards.items():
        found |= _missing(rgb, card, quads)
    return found


def _missing(
    rgb: NDArray[np.uint8], card: CardName, quads: Mapping[int, Points]
) -> dict[MarkerPlace, Points]:
    """Look for a card's missing markers where the others say that they must be."""
    boxes = card_layout(card.kind).markers
    if len(quads) == len(boxes):
        return {}
    known = np.concatenate([boxes[place].corners_xy for place in quads])
    card_to_own, _ = cv2.findHomography(known, np.concatenate(list(quads.values())), cv2.RANSAC)
    found: dict[MarkerPlace, Points] = {}
    for place, box in enumerate(boxes):
        if place in quads or card_to_own is None:
            continue
        wide = box.inset(-0.5 * box.width).corners_xy[None].astype(np.float64)
        corners = cv2.perspectiveTransform(wide, card_to_own)[0]
        low = np.clip(np.floor(corners.min(axis=0)), 0, None).astype(int)
        high = np.clip(np.ceil(corners.max(axis=0)), 0, None).astype(int)
        window = rgb[low[1] : high[1], low[0] : high[0]]
        if min(window.shape[:2]) < _NEAR_PX:
            continue
        for seen, quad in _search_quickly(_brightest_channel(window)).items():
            if (seen.card, seen.place) == (card, place):
                found[seen] = quad + low
    return found


def _sides(quad: Points) -> NDArray[np.float64]:
    """Return the lengths (..., 4) of the sides of quadrilaterals (..., 4, 2)."""
    way = np.roll(quad, -1, axis=-2) - quad
    return np.asarray(np.linalg.norm(way, axis=-1), np.float64)


def _search_closely(grey: NDArray[np.uint8]) -> dict[MarkerPlace, Points]:
    """Return the markers' corners from a search that ends at the first size with enough."""
    found: dict[MarkerPlace, Points] = {}
    for side_px in _SEARCH_SIDES_PX:
        found = _search(grey, side_px) | found
        if len(found) >= 4 or side_px >= max(grey.shape):
            break
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
    found = _glance(rgb) or _search_closely(_brightest_channel(rgb))
    return _refined(rgb, [(place, found[place]) for place in sorted(found)])


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


def _light_at(rgb: NDArray[np.uint8], places: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return linear light (e, n, k) of the brightest channel at places (2, e, n, k) of a picture.

    Places are x, then y. The n times k places of each e lie in a parallelogram.
    """
    outer = places[:, :, :: places.shape[2] - 1, :: places.shape[3] - 1].reshape(2, -1)
    limit = np.array(rgb.shape[1::-1])
    low = np.clip(np.floor(outer.min(axis=1)).astype(int) - 1, 0, limit)
    high = np.clip(np.ceil(outer.max(axis=1)).astype(int) + 2, 0, limit)
    window = rgb[low[1] : high[1], low[0] : high[0]]
    shape = places.shape[1:]
    if window.size == 0:
        return np.zeros(shape, np.float32)
    light = cv2.LUT(_brightest_channel(window), LINEAR_OF_CODE)
    x, y = (places - low[:, None, None, None]).reshape(2, -1, shape[-1]).astype(np.float32)
    seen = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, np.float32).reshape(shape)


def _edges(
    rgb: NDArray[np.uint8], corners: Points, reach: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Find the edges of markers by the light across them, from the ink outwards to the paper.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
    corners : ndarray (m, 4, 2)
    reach : ndarray (m,)
        How far from its edges each marker's light is looked at, pixels.

    Returns
    -------
    places : ndarray (m, 4, n, 2)
        On each edge; NaN where there is none.
    widths : ndarray (m, 4, n)
        From 10 to 90 %, there.
    """
    along = np.linspace(0.12, 0.88, _SAMPLES_PER_EDGE)[:, None]
    way = np.roll(corners, -1, axis=1) - corners
    feet = corners[:, :, None] + along * way[:, :, None]
    # Corners run clockwise on the picture (y down), so these normals point outwards.
    normals = np.stack([way[..., 1], -way[..., 0]], axis=-1) / _sides(corners)[..., None]
    steps = int(np.ceil(reach.max() / _PROFILE_STEP_PX))
    offsets = reach[:, None] * np.linspace(-1, 1, 2 * steps + 1)
    # All x, then all y: loops over the last of many axes are quick only where it is long.
    feet_x_y, normals_x_y = np.moveaxis(feet, -1, 1), np.moveaxis(normals, -1, 1)
    across = offsets[:, None, None, None] * normals_x_y[..., None, None]
    profiles = np.stack([_light_at(rgb, one) for one in feet_x_y[..., None] + across])
    risen = _crossings(profiles, (0.1, 0.5, 0.9)) / steps - 1
    low, middle, high = risen * reach[:, None, None]
    return feet + middle[..., None] * normals[:, :, None], high - low


def _crossings(profiles: NDArray[np.float32], levels: Sequence[float]) -> NDArray[np.float64]:
    """Return where (levels, ...) in profiles (..., k) light first rises through levels; else NaN.

    The ends' means stand for ink (0) and paper (1), so uneven light does not move the edge.
    """
    end = max(1, profiles.shape[-1] // 6)
    ink = profiles[..., :end].mean(axis=-1)
    contrast = profiles[..., -end:].mean(axis=-1) - ink
    usable = contrast > 0.02
    scaled = (profiles - ink[..., None]) / np.where(usable, contrast, 1.0)[..., None]
    found = []
    for level in levels:
        above = scaled >= level
        index = np.argmax(above, axis=-1)[..., None]
        low, high = (np.take_along_axis(scaled, one, -1)[..., 0] for one in (index - 1, index))
        rises = usable & (high >= level) & (index[..., 0] > 0)
        share = (level - low) / np.where(high > low, high - low, 1.0)
        found.append(np.where(rises, index[..., 0] - 1 + share, np.nan))
    return np.stack(found)


def _median(values: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the median (k,) of each row's (k, n) known values; infinite for a row without."""
    ranked = np.sort(np.where(known, values, np.inf), axis=1)
    count, rows = known.sum(axis=1), np.arange(len(values))
    low, high = ranked[rows, np.maximum(count - 1, 0) // 2], ranked[rows, count // 2]
    return np.asarray((low + high) / 2, np.float64)


def _lines(
    points: NDArray[np.float64], known: NDArray[np.bool_]
) -> tuple[Points, Points, NDArray[np.bool_]]:
    """Return centre and direction (k, 2) of the lines through points (k, n, 2) that are known.

    Outliers are dropped once. The third result is False for a line through too few points.
    """
    found = np.ones(len(points), np.bool_)
    points = np.where(known[..., None], points, 0.0)
    for _ in range(2):
        count = known.sum(axis=1)
        found &= count >= _LEAST_PER_LINE
        centre = (points * known[..., None]).sum(axis=1) / np.maximum(count, 1)[:, None]
        x, y = np.moveaxis((points - centre[:, None]) * known[..., None], -1, 0)
        # The main axis of the points' spread: least squares of the distances across the line.
        turn = 0.5 * np.arctan2(2 * (x * y).sum(axis=1), (x * x - y * y).sum(axis=1))
        direction = np.column_stack([np.cos(turn), np.sin(turn)])
        distance = np.abs(y * direction[:, :1] - x * direction[:, 1:])
        limit = np.maximum(3 * 1.4826 * _median(distance, known), 0.05)
        known = known & (distance <= limit[:, None])
    return centre, direction, found


def _meetings(centre: Points, direction: Points) -> tuple[Points, NDArray[np.bool_]]:
    """Return where each of 4 lines of every marker meets the one before it, and if it does.

    Parameters
    ----------
    centre, direction : ndarray (m, 4, 2)
    """
    before, along = np.roll(centre, 1, axis=1), np.roll(direction, 1, axis=1)
    turn = _cross(along, direction)
    meet = np.abs(turn) >= 0.1
    share = _cross(centre - before, direction) / np.where(meet, turn, 1.0)
    return np.asarray(before + share[..., None] * along, np.float64), meet


def _cross(first: Points, second: Points) -> NDArray[np.float64]:
    return np.asarray(first[..., 0] * second[..., 1] - first[..., 1] * second[..., 0], np.float64)


def _worse_direction(widths: NDArray[np.float64]) -> float:
    """Return the edge width across the more blurred of a marker's two directions; NaN without.

    A shaken camera smears the edges across its motion and leaves those along it sharp.
    """
    pairs = [pair[np.isfinite(pair)] for pair in (widths[::2], widths[1::2])]
    return max((float(pair.mean()) for pair in pairs if len(pair)), default=float("nan"))


def _refined(
    rgb: NDArray[np.uint8], seen: Sequence[tuple[MarkerPlace, Points]]
) -> tuple[Marker, ...]:
    """Fit a line to each edge in linear light and let the lines meet in the corners.

    Blur is symmetric in linear light and moves no edge there, while corner operators drift
    inwards with it. A corner whose lines cannot be fitted keeps its first place.
    """
    if not seen:
        return ()
    corners = np.stack([quad for _, quad in seen])
    reach = np.clip(0.75 * _sides(corners).min(axis=1) / MODULES, 2.0, 12.0)
    edges, widths = _edges(rgb, corners, reach)
    lined = edges.reshape(-1, _SAMPLES_PER_EDGE, 2)
    centre, direction, found = _lines(lined, np.isfinite(lined[..., 0]))
    shape = (len(seen), 4)
    refined, meet = _meetings(centre.reshape(*shape, 2), direction.reshape(*shape, 2))
    found = found.reshape(shape)
    near = np.linalg.norm(refined - corners, axis=2) <= reach[:, None] + 2.0
    good = meet & near & found & np.roll(found, 1, axis=1)
    refined = np.where(good[..., None], refined, corners)
    known = np.isfinite(widths).reshape(-1, _SAMPLES_PER_EDGE)
    width = _median(widths.reshape(known.shape), known)
    width = np.where(known.sum(axis=1) >= _SAMPLES_PER_EDGE // 2, width, np.nan).reshape(shape)
    return tuple(
        Marker(place=place, corners_xy=own, edge_width_px=_worse_direction(wide))
        for (place, _), own, wide in zip(seen, refined, width, strict=True)
    )
