"""Neutral colour from the card: the light is measured on paper and grey, and divided out.

All in linear light. The codes on a home printer's card are no colour standard, so the balance
makes paper and grey neutral and sets the brightness; it does not claim true colours.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from polypvision.beside import in_strips
from polypvision.calibrate.slowly import node_px, stretched
from polypvision.calibrate.srgb import LINEAR_OF_CODE, multiplied
from polypvision.card.layout import BLACK, GREY, WHITE, Box, CardLayout
from polypvision.reading import Points

PAPER_LINEAR = 0.85
"""Linear light that paper white gets in the view: below 1, so that highlights keep their shape."""
_GAIN_RATIO_MAX = 8.0
"""Largest gain of a channel against the smallest; beyond it, noise would be taken for colour."""
_CLIPPED_CODE = 250
_STRIP_PX = 128
Locate = Callable[[Points], Points]


@dataclass(frozen=True, kw_only=True, eq=False)
class LightFit:
    """How much light falls where: log(paper) = a + b x + c y per channel, in plate mm.

    Attributes
    ----------
    coefficients : ndarray (3 channels, 3) of float64
    capped : bool
        Whether a channel is so dark that its gain was capped.
    contrast : float
        Paper minus ink, linear light of the brightest channel.
    clipped, grey_clipped : bool
        Whether the paper, and even the grey patch, is full in the brightest channel.
    level : float
        Light of paper in the brightest channel, 1 being the most that a photo holds; above where
        the grey patch tells it.
    """

    coefficients: NDArray[np.float64]
    capped: bool
    contrast: float
    clipped: bool
    grey_clipped: bool = False
    level: float = 1.0

    def gains(self, x_mm: NDArray[np.float64], y_mm: NDArray[np.float64]) -> NDArray[np.float32]:
        """Return factors (rows of y, columns of x, 3) that make paper neutral."""
        a, b, c = self.coefficients.T
        log_light = a[None, None, :] + y_mm[:, None, None] * c + x_mm[None, :, None] * b
        light = np.exp(log_light)
        floor = light.max(axis=2, keepdims=True) / _GAIN_RATIO_MAX
        gains: NDArray[np.float32] = (PAPER_LINEAR / np.maximum(light, floor)).astype(np.float32)
        return gains


@cache
def _grid(box: Box, steps: int) -> Points:
    x = np.linspace(box.x, box.x + box.width, steps)
    y = np.linspace(box.y, box.y + box.height, steps)
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Spot:
    """One piece of a card.

    Attributes
    ----------
    place_px : ndarray (2,)
        Its middle in the photo.
    light : ndarray (3,)
        Median linear light there.
    clipped : float
        The share of full pixels.
    """

    place_px: Points
    light: NDArray[np.float64]
    clipped: float


def _spots(
    rgb: NDArray[np.uint8], to_photo: Locate, pieces: Sequence[tuple[Box, Points]]
) -> list[_Spot | None]:
    """Return what is seen of pieces of one card, each a box and points (n, 2) to look at, in mm.

    None of a piece of which less than half is in the photo.
    """
    if not pieces:
        return []
    parts = [part for box, points in pieces for part in (points, box.corners_xy)]
    every = to_photo(np.concatenate(parts))
    ends = np.cumsum([len(points) + 4 for _, points in pieces]).tolist()
    limit = np.array(rgb.shape[1::-1])
    places = np.round(every).astype(int)
    inside: NDArray[np.bool_] = np.all((places >= 0) & (places < limit), axis=1)
    column, row = np.where(inside[:, None], places, 0).T
    all_codes = rgb[row, column]
    found: list[_Spot | None] = []
    for first, end in zip([0, *ends[:-1]], ends, strict=True):
        own, seen = every[first:end], inside[first : end - 4]
        if np.count_nonzero(seen) < 0.5 * len(seen):
            found.append(None)
            continue
        codes = all_codes[first : end - 4][seen]
        ranked, n = np.sort(codes, axis=0), len(codes)
        # The middle codes are those of the middle light.
        light = LINEAR_OF_CODE[ranked[[(n - 1) // 2, n // 2]]].mean(axis=0, dtype=np.float64)
        clipped = np.count_nonzero(codes.max(axis=1) >= _CLIPPED_CODE) / n
        found.append(_Spot(place_px=own[-4:].mean(axis=0), light=light, clipped=clipped))
    return found


@cache
def _quiet_zone(box: Box, quiet_mm: float) -> Points:
    """Points on the white margin round a marker."""
    return np.concatenate(
        [
            _grid(Box(x=box.x, y=box.y - 0.7 * quiet_mm, width=box.width, height=0.0), 5),
            _grid(
                Box(x=box.x, y=box.y + box.height + 0.7 * quiet_mm, width=box.width, height=0.0), 5
            ),
            _grid(Box(x=box.x - 0.7 * quiet_mm, y=box.y, width=0.0, height=box.height), 5),
            _grid(
                Box(x=box.x + box.width + 0.7 * quiet_mm, y=box.y, width=0.0, height=box.height), 5
            ),
        ]
    )


def measure_light(
    rgb: NDArray[np.uint8],
    cards: Sequence[tuple[CardLayout, Locate]],
    seen: Sequence[tuple[int, int]],
    to_plate: Locate,
) -> LightFit | None:
    """Measure the light on the cards' paper and patches.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
        Upright photo.
    cards : sequence of (CardLayout, callable)
        From each card's own mm (n, 2) to photo pixels (n, 2).
    seen : sequence of (card index, marker index)
        Markers that were found; paper round hidden ones is not trusted.
    to_plate : callable
        From photo pixels to the first card's own mm.

    Returns
    -------
    LightFit or None
        None if no paper and no patch can be seen.
    """
    spots: list[_Spot] = []
    inks: list[_Spot] = []
    greys: list[_Spot] = []
    kinds = {WHITE: spots, GREY: greys, BLACK: inks}
    for number, (layout, to_photo) in enumerate(cards):
        boxes = [layout.markers[marker] for card, marker in seen if card == number]
        paper = [(box, _quiet_zone(box, layout.quiet_mm)) for box in boxes]
        patches = [patch for patch in layout.patches if patch.srgb in kinds]
        inner = [patch.box.inset(0.2 * patch.box.width) for patch in patches]
        found = _spots(rgb, to_photo, paper + [(box, _grid(box, 12)) for box in inner])
        into = [spots] * len(paper) + [kinds[patch.srgb] for patch in patches]
        for spot, spots_of_kind in zip(found, into, strict=True):
            if spot is not None:
                spots_of_kind.append(spot)
    if not spots:
        return None

    ink = np.median([spot.light for spot in inks], axis=0) if inks else np.zeros(3)
    clipped = bool(np.median([spot.clipped for spot in spots]) > 0.5)
    # Where white is saturated, the grey patch still tells the light, and paper follows from the
    # ratio of the printed codes.
    told_by_grey = clipped and bool(greys)
    telling = greys if told_by_grey else spots
    whites = np.array([spot.light for spot in telling])
    whites /= float(LINEAR_OF_CODE[GREY]) if told_by_grey else 1.0
    plate_mm = to_plate(np.array([spot.place_px for spot in telling]))
    framed = cards[0][0].window is not None
    coefficients = _fit_light(plate_mm, whites, slope=framed and len(whites) >= 6)
    typical = np.exp(coefficients @ np.append(1.0, plate_mm.mean(axis=0)))
    return LightFit(
        coefficients=coefficients,
        capped=bool(typical.min() < typical.max() / _GAIN_RATIO_MAX),
        contrast=float(np.max(np.median(whites, axis=0) - ink)),
        clipped=clipped,
        grey_clipped=bool(greys) and float(np.median([spot.clipped for spot in greys])) > 0.5,
        level=float(typical.max()),
    )


def _fit_light(
    plate_mm: Points, whites: NDArray[np.float64], *, slope: bool
) -> NDArray[np.float64]:
    """Fit log paper light per channel (3, 3); a plane across a frame, else a constant.

    Spots under glare or a shadow are weighted down (Huber), by the channel that is farthest off.
    """
    logs = np.log(np.maximum(whites, 1e-4))
    if not slope:
        return np.column_stack([np.median(logs, axis=0), np.zeros(3), np.zeros(3)])
    design = np.column_stack([np.ones(len(plate_mm)), plate_mm])
    weight = np.ones(len(plate_mm))
    for _ in range(8):
        solution, *_ = np.linalg.lstsq(design * weight[:, None], logs * weight[:, None], rcond=None)
        off = np.abs(logs - design @ solution).max(axis=1)
        limit = max(1.4826 * float(np.median(off)), 0.02)
        weight = np.minimum(1.0, limit / np.maximum(off, 1e-9))
    return np.asarray(solution.T, np.float64)


def balance(
    rgb: NDArray[np.uint8],
    light: LightFit,
    origin_mm: tuple[float, float],
    px_per_mm: float,
) -> NDArray[np.uint8]:
    """Return the view (H, W, 3) with the light divided out, sRGB uint8."""
    height, width = rgb.shape[:2]
    x_mm, y_mm = (node_px(n) / px_per_mm for n in (width, height))
    nodes = light.gains(origin_mm[0] + x_mm, origin_mm[1] + y_mm)
    balanced = np.empty_like(rgb)

    def balance_strip(rows: slice) -> None:
        strip = rgb[rows]
        gains = stretched(nodes, rows.start, len(strip), width)
        balanced[rows] = multiplied(strip, gains)

    in_strips(height, _STRIP_PX, balance_strip)
    return balanced
