"""Geometry of the reference cards, in mm, as printed: origin top left, x right, y down.

Sizes: ISO/IEC 7810 ID-1 (85.60 x 53.98 mm) for the small card, ISO 216 (A5 148 x 210 mm,
A4 210 x 297 mm) for the frames. A paper's edge is never used as a ruler; the markers are.
"""

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

CardKind = Literal["small", "a5", "a4"]
CARD_KINDS: tuple[CardKind, ...] = ("small", "a5", "a4")

ID1_MM = (85.60, 53.98)
A5_MM = (148.0, 210.0)
A4_MM = (210.0, 297.0)

SMALL_COPIES = 3
"""A plate may carry up to three small cards, A, B and C; their markers differ."""


@dataclass(frozen=True, kw_only=True)
class Box:
    """An upright rectangle in mm: left, top, width, height."""

    x: float
    y: float
    width: float
    height: float

    @property
    def corners_xy(self) -> NDArray[np.float64]:
        """Corners (4, 2): top left, top right, bottom right, bottom left."""
        x1, y1 = self.x + self.width, self.y + self.height
        return np.array([[self.x, self.y], [x1, self.y], [x1, y1], [self.x, y1]])

    def inset(self, margin: float) -> "Box":
        """Return the box made smaller by ``margin`` mm on every side."""
        return Box(
            x=self.x + margin,
            y=self.y + margin,
            width=self.width - 2 * margin,
            height=self.height - 2 * margin,
        )


@dataclass(frozen=True, kw_only=True)
class Patch:
    """A neutral patch and the sRGB code with which it is printed."""

    box: Box
    srgb: int


@dataclass(frozen=True, kw_only=True)
class CardLayout:
    """One kind of card.

    Attributes
    ----------
    kind : {'small', 'a5', 'a4'}
    size_mm : tuple of 2 floats
        Width and height.
    markers : tuple of Box
        Outer edge of each marker's black border, in reading order.
    patches : tuple of Patch
    bar : Box
        The ruled bar; its longer side is the stated length.
    texts : dict of str to Box
        Where the plate code ("code") and the hints ("note") are printed.
    window : Box or None
        The opening into which the plate is set; None for the small card.
    quiet_mm : float
        White margin that every marker keeps.
    """

    kind: CardKind
    size_mm: tuple[float, float]
    markers: tuple[Box, ...]
    patches: tuple[Patch, ...]
    bar: Box
    texts: dict[str, Box]
    window: Box | None
    quiet_mm: float

    @property
    def bar_mm(self) -> float:
        """Stated length of the ruled bar, mm."""
        return max(self.bar.width, self.bar.height)


# The printed codes of the neutral patches. 119 is the 8-bit sRGB grey nearest to L* = 50
# (CIE definition of L*; IEC 61966-2-1 transfer); paper white and full black end the scale.
WHITE, GREY, BLACK = 255, 119, 0


def _patches(x: float, y: float, side: float) -> tuple[Patch, ...]:
    return tuple(
        Patch(box=Box(x=x + index * side, y=y, width=side, height=side), srgb=code)
        for index, code in enumerate((WHITE, GREY, BLACK))
    )


def _small() -> CardLayout:
    width, height = ID1_MM
    side, edge = 14.0, 3.5
    columns = (edge, (width - side) / 2, width - edge - side)
    rows = (edge, height - edge - side)
    bar = 75.0
    return CardLayout(
        kind="small",
        size_mm=ID1_MM,
        markers=tuple(Box(x=x, y=y, width=side, height=side) for y in rows for x in columns),
        patches=_patches(5.3, 20.0, 9.0),
        bar=Box(x=(width - bar) / 2, y=31.0, width=bar, height=2.6),
        texts={
            "code": Box(x=34.5, y=20.0, width=46.0, height=7.0),
            "note": Box(x=34.5, y=27.2, width=46.0, height=2.4),
        },
        window=None,
        quiet_mm=1.75,
    )


def _ring(size: tuple[float, float], side: float, edge: float, per_side: int) -> tuple[Box, ...]:
    """Markers round a frame: three along top and bottom, ``per_side`` more down each side."""
    width, height = size
    columns = (edge, (width - side) / 2, width - edge - side)
    rows = np.linspace(edge, height - edge - side, per_side + 2)
    boxes: list[Box] = []
    for index, y in enumerate(rows):
        across = columns if index in (0, len(rows) - 1) else (columns[0], columns[-1])
        boxes += [Box(x=float(x), y=float(y), width=side, height=side) for x in across]
    return tuple(boxes)


def _frame(kind: CardKind, size: tuple[float, float], side: float, per_side: int) -> CardLayout:
    width, height = size
    edge, quiet = 6.0, 2.0
    inner = edge + side + quiet
    middle, last = (width - side) / 2, width - edge - side
    patch = 11.0
    top = edge + (side - patch) / 2
    bottom = height - edge - side + (side - patch) / 2
    first_gap = (edge + side + middle) / 2
    second_gap = (middle + side + last) / 2
    text_width = last - middle - side - 2 * quiet
    bar = 100.0
    return CardLayout(
        kind=kind,
        size_mm=size,
        markers=_ring(size, side, edge, per_side),
        patches=_patches(first_gap - 1.5 * patch, top, patch)
        + _patches(second_gap - 1.5 * patch, bottom, patch),
        bar=Box(x=(width - bar) / 2, y=inner, width=bar, height=3.0),
        texts={
            "code": Box(x=middle + side + quiet, y=top, width=text_width, height=7.0),
            "note": Box(x=edge + side + quiet, y=bottom, width=text_width, height=patch),
        },
        window=Box(
            x=inner, y=inner + 5.0, width=width - 2 * inner, height=height - 2 * inner - 5.0
        ),
        quiet_mm=quiet,
    )


@cache
def card_layout(kind: CardKind) -> CardLayout:
    """Return the geometry of one kind of card.

    Parameters
    ----------
    kind : {'small', 'a5', 'a4'}
        'small' lies on the plate (ISO/IEC 7810 ID-1); 'a5' and 'a4' are frames (ISO 216)
        into whose window the plate is set.

    Raises
    ------
    ValueError
        If the kind is none of these.

    Examples
    --------
    >>> card_layout("small").size_mm
    (85.6, 53.98)
    """
    match kind:
        case "small":
            return _small()
        case "a5":
            return _frame("a5", A5_MM, side=14.0, per_side=2)
        case "a4":
            return _frame("a4", A4_MM, side=16.0, per_side=4)
    raise ValueError(f"no card of kind {kind!r}; choose from {', '.join(CARD_KINDS)}")
