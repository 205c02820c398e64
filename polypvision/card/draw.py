"""Cards drawn for print: vector PDF and SVG, or PNG, all from one drawing in mm.

The paper's true size is the figure's size, so a viewer that prints at 100 % prints true to scale.
"""

import math
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from io import BytesIO
from typing import Literal

import cv2
import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.collections import PatchCollection
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from polypvision.card.board import BOARD
from polypvision.card.code import CardName, marker_ids
from polypvision.card.dictionary import DICTIONARY
from polypvision.card.layout import A4_MM, Box, card_layout

CardFormat = Literal["pdf", "svg", "png"]
_MM_PER_INCH = 25.4
_POINTS_PER_MM = 72 / _MM_PER_INCH
_SHEET_MARGIN_MM = 12.0
_SHEET_GAP_MM = 4.0


@dataclass(frozen=True, kw_only=True)
class CardPlace:
    """One card on a page: which, of which plate, and where its first corner lies (mm)."""

    code: int
    name: CardName
    x: float = 0.0
    y: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Page:
    """A page of cards. ``cut_lines`` draws the outlines to cut along; or the board for a lens."""

    size_mm: tuple[float, float]
    cards: tuple[CardPlace, ...]
    cut_lines: bool = False
    board: bool = False


def single_page(code: int, name: CardName) -> Page:
    """Return a page of exactly one card's size."""
    return Page(size_mm=card_layout(name.kind).size_mm, cards=(CardPlace(code=code, name=name),))


def board_page() -> Page:
    """Return the page that holds the board for calibrating a lens."""
    return Page(size_mm=BOARD.size_mm, cards=(), board=True)


def sheets(cards: Sequence[tuple[int, CardName]]) -> list[Page]:
    """Return A4 pages (ISO 216) that hold all these cards, in order, with lines to cut along.

    Frames get a page each, of their own size.
    """
    pages: list[Page] = []
    waiting: list[tuple[int, CardName]] = []
    width, height = card_layout("small").size_mm
    step_x, step_y = width + _SHEET_GAP_MM, height + _SHEET_GAP_MM
    columns = int((A4_MM[0] - 2 * _SHEET_MARGIN_MM + _SHEET_GAP_MM) // step_x)
    rows = int((A4_MM[1] - 2 * _SHEET_MARGIN_MM + _SHEET_GAP_MM) // step_y)

    def flush() -> None:
        for start in range(0, len(waiting), columns * rows):
            some = waiting[start : start + columns * rows]
            pages.append(
                Page(
                    size_mm=A4_MM,
                    cut_lines=True,
                    cards=tuple(
                        CardPlace(
                            code=code,
                            name=name,
                            x=_SHEET_MARGIN_MM + index % columns * step_x,
                            y=_SHEET_MARGIN_MM + index // columns * step_y,
                        )
                        for index, (code, name) in enumerate(some)
                    ),
                )
            )
        waiting.clear()

    for code, name in cards:
        if name.kind == "small":
            waiting.append((code, name))
        else:
            flush()
            pages.append(single_page(code, name))
    flush()
    return pages


def _bits(marker_id: int) -> NDArray[np.uint8]:
    """Return the marker's modules (8, 8), black border included; 0 black, 255 white."""
    side = DICTIONARY.markerSize + 2
    return np.asarray(cv2.aruco.generateImageMarker(DICTIONARY, marker_id, side), dtype=np.uint8)


def _runs(line: NDArray[np.uint8]) -> list[tuple[int, int]]:
    """Return (start, stop) of each run of white modules."""
    steps = np.flatnonzero(np.diff(np.concatenate([[0], line > 0, [0]]).astype(np.int8)))
    return [(int(start), int(stop)) for start, stop in steps.reshape(-1, 2)]


def _marker_boxes(box: Box, marker_id: int) -> list[Rectangle]:
    """White modules of a marker as runs along rows and along columns.

    Drawn both ways they cover the hairlines that viewers leave between touching rectangles.
    """
    bits = _bits(marker_id)
    module = box.width / len(bits)
    white: list[Rectangle] = []
    for index in range(len(bits)):
        for start, stop in _runs(bits[index]):
            corner = (box.x + start * module, box.y + index * module)
            white.append(Rectangle(corner, (stop - start) * module, module))
        for start, stop in _runs(bits[:, index]):
            corner = (box.x + index * module, box.y + start * module)
            white.append(Rectangle(corner, module, (stop - start) * module))
    return white


def _fill(axes: Axes, boxes: Sequence[Box], colour: str) -> None:
    rectangles = [Rectangle((box.x, box.y), box.width, box.height) for box in boxes]
    axes.add_collection(
        PatchCollection(rectangles, facecolor=colour, edgecolor="none", linewidth=0)
    )


def _text(axes: Axes, box: Box, text: str, *, height_mm: float, weight: str = "normal") -> None:
    axes.text(
        box.x,
        box.y + box.height / 2,
        text,
        fontsize=height_mm * _POINTS_PER_MM,
        weight=weight,
        va="center",
        ha="left",
        color="black",
        linespacing=1.25,
    )


def _draw_bar(axes: Axes, bar: Box, length_mm: float) -> None:
    """A ruled bar: end lines at the stated length, a tick every 5 mm, longer every 10 mm."""
    line = 0.25
    boxes = [Box(x=bar.x, y=bar.y + bar.height - line, width=bar.width, height=line)]
    for tick in range(0, int(length_mm) + 1, 5):
        tall = (
            bar.height if tick in (0, int(length_mm)) else bar.height * (0.45, 0.25)[tick % 10 // 5]
        )
        # End lines lie inside the stated length, so outer edge to outer edge is the length.
        shift = {0: 0.0, int(length_mm): -line}.get(tick, -line / 2)
        boxes.append(
            Box(x=bar.x + tick + shift, y=bar.y + bar.height - tall, width=line, height=tall)
        )
    _fill(axes, boxes, "black")
    axes.text(
        bar.x + bar.width / 2,
        bar.y + bar.height * 0.2,
        f"{length_mm:.0f} mm between the outer edges of the end lines",
        fontsize=1.5 * _POINTS_PER_MM,
        ha="center",
        va="center",
        color="black",
    )


def _draw_card(axes: Axes, card: CardPlace, *, cut_lines: bool) -> None:
    layout = card_layout(card.name.kind)

    def shifted(box: Box) -> Box:
        return Box(x=box.x + card.x, y=box.y + card.y, width=box.width, height=box.height)

    markers = [shifted(box) for box in layout.markers]
    _fill(axes, markers, "black")
    white: list[Rectangle] = []
    for box, marker_id in zip(markers, marker_ids(card.code, card.name), strict=True):
        white += _marker_boxes(box, marker_id)
    axes.add_collection(PatchCollection(white, facecolor="white", edgecolor="none", linewidth=0))
    for patch in layout.patches:
        level = patch.srgb / 255
        _fill(axes, [shifted(patch.box)], f"{level:.6f}")
    outlines = [patch for patch in layout.patches if patch.srgb == 255]
    for patch in outlines:
        box = shifted(patch.box)
        axes.add_patch(
            Rectangle((box.x, box.y), box.width, box.height, fill=False, ec="0.6", lw=0.3)
        )
    _draw_bar(axes, shifted(layout.bar), layout.bar_mm)
    copy = f" {'ABC'[card.name.copy]}" if layout.kind == "small" else ""
    small = layout.kind == "small"
    _text(
        axes,
        shifted(layout.texts["code"]),
        f"plate {card.code:04d}{copy}",
        height_mm=5.2 if small else 6.0,
        weight="bold",
    )
    note = "matte waterproof paper · lay flat · print at 100 %"
    if not small:
        note = (
            "Print at 100 % on matte waterproof paper;\nglare and curl spoil the scale.\n"
            "Measure the bar with callipers\nand tell polypvision its length."
        )
    _text(axes, shifted(layout.texts["note"]), note, height_mm=1.7 if small else 2.0)
    if layout.window is not None:
        box = shifted(layout.window)
        axes.add_patch(
            Rectangle((box.x, box.y), box.width, box.height, fill=False, ec="0.5", lw=0.5)
        )
    if cut_lines:
        axes.add_patch(
            Rectangle(
                (card.x, card.y), *layout.size_mm, fill=False, ec="0.5", lw=0.3, ls=(0, (6, 4))
            )
        )


def _draw_board(axes: Axes) -> None:
    _fill(axes, BOARD.black, "black")
    _fill(axes, [box for box, _ in BOARD.markers], "black")
    white = [part for box, number in BOARD.markers for part in _marker_boxes(box, number)]
    axes.add_collection(PatchCollection(white, facecolor="white", edgecolor="none", linewidth=0))
    note = (
        "Board for a lens profile: matte paper, glued flat on something stiff; a curled board\n"
        "spoils the profile. Take 10 to 20 sharp photos without zoom, from all sides, tilted up\n"
        "to 45 degrees, the board in every corner of the picture in turn.\n"
        "Then: polypvision lens PHOTOS"
    )
    _text(axes, BOARD.text, note, height_mm=3.0)


def _figure(page: Page, canvas_mm: tuple[float, float] | None = None) -> Figure:
    """Return the page drawn into the first corner of a canvas, of its own size by default."""
    width, height = canvas_mm or page.size_mm
    figure = Figure(figsize=(width / _MM_PER_INCH, height / _MM_PER_INCH), facecolor="white")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    axes.set_axis_off()
    if page.board:
        _draw_board(axes)
    for card in page.cards:
        _draw_card(axes, card, cut_lines=page.cut_lines)
    return figure


def _repeatable() -> AbstractContextManager[None]:
    """Same bytes each time: no dates or random identifiers in what we write."""
    return mpl.rc_context(
        {
            "svg.hashsalt": "polypvision",
            "svg.fonttype": "path",
            "pdf.fonttype": 42,
            # Edges stay where they are computed instead of moving to whole pixels.
            "path.snap": False,
        }
    )


def draw_pdf(pages: Sequence[Page]) -> bytes:
    """Return the pages as one vector PDF at true size."""
    buffer = BytesIO()
    with _repeatable(), PdfPages(buffer, metadata={"CreationDate": None}) as pdf:
        for page in pages:
            pdf.savefig(_figure(page))
    return buffer.getvalue()


def draw_svg(page: Page) -> bytes:
    """Return one page as SVG at true size."""
    buffer = BytesIO()
    with _repeatable():
        _figure(page).savefig(buffer, format="svg", metadata={"Date": None})
    return buffer.getvalue()


def _png(figure: Figure, dpi: float) -> bytes:
    buffer = BytesIO()
    figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
    return buffer.getvalue()


def _whole_pixels(page: Page, px_per_mm: float) -> tuple[int, int]:
    """Return width and height in pixels, rounded up: rounded down, the top row is cut off."""
    width, height = (math.ceil(side * px_per_mm - 1e-6) for side in page.size_mm)
    return width, height


def _padded(page: Page, px_per_mm: float) -> Figure:
    width, height = _whole_pixels(page, px_per_mm)
    # A trace of slack keeps the canvas, which truncates, at the full number of pixels.
    return _figure(page, ((width + 1e-6) / px_per_mm, (height + 1e-6) / px_per_mm))


def draw_png(page: Page, *, dpi: float = 300.0) -> bytes:
    """Return one page as PNG, the resolution stored in the file."""
    with _repeatable():
        return _png(_padded(page, dpi / _MM_PER_INCH), dpi)


def card_pixels(page: Page, px_per_mm: float) -> NDArray[np.uint8]:
    """Return one page as grey pixels, for rendering and for checks.

    Parameters
    ----------
    page : Page
    px_per_mm : float

    Returns
    -------
    ndarray (H, W) of uint8
        Exactly ``px_per_mm``: the place x mm lies at pixel ``x * px_per_mm - 0.5`` (pixel centres
        are integers), y likewise. H and W are rounded up; what is over is white.
    """
    width, height = _whole_pixels(page, px_per_mm)
    with _repeatable():
        png = _png(_padded(page, px_per_mm), px_per_mm * _MM_PER_INCH)
    pixels = cv2.imdecode(np.frombuffer(png, dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
    return np.asarray(pixels, dtype=np.uint8)[:height, :width]
