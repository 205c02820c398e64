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
_STRIP_PX = 64
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


def _median_light(
    rgb: NDArray[np.uint8], to_photo: Locate, points_mm: Points
) -> tuple[NDArray[np.float64], float] | None:
    """Median linear light (3,) at points of the plate, and the share of clipped ones."""
    places = np.round(to_photo(points_mm)).astype(int)
    inside = (
        (places[:, 0] >= 0)
        & (places[:, 1] >= 0)
        & (places[:, 0] < rgb.shape[1])
        & (places[:, 1] < rgb.shape[0])
    )
    if inside.sum() < 0.5 * len(places):
        return None
    codes = rgb[places[inside, 1], places[inside, 0]]
    median = np.median(LINEAR_OF_CODE[codes], axis=0).astype(np.float64)
    return median, float((codes.max(axis=1) >= _CLIPPED_CODE).mean())


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
    spots: list[tuple[Points, NDArray[np.float64], float]] = []
    inks: list[NDArray[np.float64]] = []
    greys: list[tuple[Points, NDArray[np.float64], float]] = []

    for card, marker in seen:
        layout, to_photo = cards[card]
        box = layout.markers[marker]
        light = _median_light(rgb, to_photo, _quiet_zone(box, layout.quiet_mm))
        if light is not None:
            spots.append((to_photo(box.corners_xy).mean(axis=0), *light))
    for layout, to_photo in cards:
        for patch in layout.patches:
            box = patch.box.inset(0.2 * patch.box.width)
            light = _median_light(rgb, to_photo, _grid(box, 12))
            if light is None:
                continue
            centre = to_photo(box.corners_xy).mean(axis=0)
            if patch.srgb == WHITE:
                spots.append((centre, *light))
            elif patch.srgb == GREY:
                greys.append((centre, *light))
            elif patch.srgb == BLACK:
                inks.append(light[0])
    if not spots:
        return None

    ink = np.median(inks, axis=0) if inks else np.zeros(3)
    whites = np.array([light for _, light, _ in spots])
    clipped = bool(np.median([share for _, _, share in spots]) > 0.5)
    places = np.array([place for place, _, _ in spots])
    if clipped and greys:
        # White is saturated: the grey patch still tells the light, and paper follows from the
        # ratio of the printed codes.
        whites = np.array([light for _, light, _ in greys]) / float(LINEAR_OF_CODE[GREY])
        places = np.array([place for place, _, _ in greys])
    plate_mm = to_plate(places)
    framed = cards[0][0].window is not None
    coefficients = _fit_light(plate_mm, whites, slope=framed and len(whites) >= 6)
    typical = np.exp(coefficients @ np.append(1.0, plate_mm.mean(axis=0)))
    return LightFit(
        coefficients=coefficients,
        capped=bool(typical.min() < typical.max() / _GAIN_RATIO_MAX),
        contrast=float(np.max(np.median(whites, axis=0) - ink)),
        clipped=clipped,
        grey_clipped=bool(greys) and float(np.median([share for *_, share in greys])) > 0.5,
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
