"""The report to print: A4 pages with numbers, charts as they are on the pages, words in black."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image as Picture
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    Image,
    KeepTogether,
    PageBreak,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)

from polypvision import __version__
from polypvision.reports.drawing import INK, png
from polypvision.reports.page import PlatePage
from polypvision.reports.remarks import later_words
from polypvision.reports.sayings import CAUTIONS
from polypvision.today import Task, day_words

Rgb = NDArray[np.uint8]

_MARGIN = 18 * mm
_WIDTH = A4[0] - 2 * _MARGIN
_HEIGHT = A4[1] - 2 * _MARGIN - 6 * mm
_CELL_PADDING = 3
"""Above and below what stands in a table, in points, where nothing else is said."""
_CHART_HEIGHT = _HEIGHT - 2 * _CELL_PADDING - 12 * mm
"""The most that a chart may take, so that a heading stands over it on its page."""
_CHART_DPI = 220
_FONT, _BOLD = "DejaVu", "DejaVu-Bold"


@dataclass(frozen=True, kw_only=True, eq=False)
class PlatePrint:
    """What is printed of one plate.

    Attributes
    ----------
    page : PlatePage
        Its words and rows.
    overlay : bytes
        Latest photo with what was read on it, JPEG; empty without one.
    charts : sequence of bytes
        As PNG.
    strips : sequence of (str, bytes)
        Film-strips as PNG.
    """

    page: PlatePage
    overlay: bytes = b""
    charts: Sequence[bytes] = ()
    strips: Sequence[tuple[str, bytes]] = ()


def print_of(
    page: PlatePage,
    *,
    overlay: bytes = b"",
    charts: Sequence[Figure] = (),
    strips: Sequence[tuple[str, Rgb]] = (),
) -> PlatePrint:
    """Return what is printed of a plate; its charts are drawn, which takes far less memory.

    Parameters
    ----------
    page, overlay
        As of `PlatePrint`.
    charts : sequence of Figure
    strips : sequence of (str, ndarray)
        Film-strips as pictures.
    """
    return PlatePrint(
        page=page,
        overlay=overlay,
        charts=_drawn(charts),
        strips=[(name, _png(rgb)) for name, rgb in strips],
    )


@cache
def _styles() -> dict[str, ParagraphStyle]:
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    pdfmetrics.registerFont(TTFont(_FONT, str(folder / "DejaVuSans.ttf")))
    pdfmetrics.registerFont(TTFont(_BOLD, str(folder / "DejaVuSans-Bold.ttf")))
    pdfmetrics.registerFontFamily(_FONT, normal=_FONT, bold=_BOLD, italic=_FONT, boldItalic=_BOLD)
    ink = HexColor(INK)

    def style(name: str, size: float, font: str = _FONT, **more: Any) -> ParagraphStyle:
        return ParagraphStyle(
            name, fontName=font, fontSize=size, leading=1.35 * size, textColor=ink, **more
        )

    return {
        "title": style("title", 17, _BOLD, spaceAfter=6),
        "heading": style("heading", 11.5, _BOLD, spaceBefore=10, spaceAfter=4),
        "text": style("text", 9, spaceAfter=3),
        "small": style("small", 7.5),
        "head": style("head", 7, _BOLD),
        "cell": style("cell", 7),
    }


def _text(words: str, style: str = "text") -> Paragraph:
    return Paragraph(escape(words), _styles()[style])


def _picture(data: bytes, width: float, most_height: float) -> Image:
    with Picture.open(BytesIO(data)) as picture:
        wide, high = picture.size
    factor = min(width / wide, most_height / high)
    return Image(BytesIO(data), wide * factor, high * factor)


def _png(rgb: Rgb) -> bytes:
    buffer = BytesIO()
    Picture.fromarray(np.ascontiguousarray(rgb)).save(buffer, format="PNG", optimize=False)
    return buffer.getvalue()


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]], widths: Sequence[float]) -> Table:
    total = sum(widths)
    cells = [[_text(one, "head") for one in heads]]
    cells += [[_text(one, "cell") for one in row] for row in rows]
    return Table(
        cells,
        colWidths=[_WIDTH * one / total for one in widths],
        repeatRows=1,
        style=TableStyle(
            [
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor(INK)),
                ("LINEBELOW", (0, 1), (-1, -1), 0.25, HexColor("#9a9a9a")),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
            ]
        ),
    )


def _over_next(words: str, style: str) -> Paragraph:
    """Return words that are on the same page as what comes next."""
    text = _text(words, style)
    text.keepWithNext = True
    return text


def _strips(strips: Sequence[tuple[str, bytes]]) -> list[Flowable]:
    """Return the film-strips one below the other, frames of all equally large."""
    pictures = [Image(BytesIO(strip), hAlign="LEFT") for _, strip in strips]
    widest = max(one.drawWidth for one in pictures)
    highest = max(one.drawHeight for one in pictures)
    factor = min(_WIDTH / widest, 0.2 * _HEIGHT / highest)
    for one in pictures:
        one.drawWidth, one.drawHeight = factor * one.drawWidth, factor * one.drawHeight
    names = [_over_next(name, "text") for name, _ in strips]
    return [part for both in zip(names, pictures, strict=True) for part in both]


def _drawn(figures: Sequence[Figure]) -> list[bytes]:
    return [png(one, dpi=_CHART_DPI) for one in figures]


def _charts(charts: Sequence[bytes]) -> list[Flowable]:
    """Return the charts two to a row, each as wide as half the page."""
    half = _WIDTH / 2 - 3 * mm
    images = [_picture(one, half, _CHART_HEIGHT) for one in charts]
    rows: list[Flowable] = []
    for n in range(0, len(images), 2):
        pair = images[n : n + 2]
        cells: list[Any] = [*pair, *[""] * (2 - len(pair))]
        rows.append(
            Table(
                [cells],
                colWidths=[_WIDTH / 2] * 2,
                style=TableStyle(
                    [("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)]
                ),
            )
        )
        rows.append(Spacer(1, 4 * mm))
    return rows


def _plate(one: PlatePrint) -> list[Flowable]:
    page = one.page
    parts: list[Flowable] = [
        _text(page.title, "title"),
        _text(f"{page.line}, {page.span}" if page.line else page.span),
        _table([tile.label for tile in page.tiles], [[tile.value for tile in page.tiles]], [1] * 5),
    ]
    if page.remarks:
        parts += [_text("To know first", "heading"), *map(_text, page.remarks)]
    if one.overlay:
        parts += [
            _text("Latest photo", "heading"),
            _picture(one.overlay, _WIDTH, 0.36 * _HEIGHT),
        ]
    parts.append(_text(page.picture_words, "small"))
    parts.append(_text("What to look at", "heading"))
    parts += [
        _text(f"{advice.heading}{f' {advice.who}' if advice.who else ''}: {advice.text}")
        for advice in page.advice
    ] or [_text("Nothing was flagged.")]
    said = [*page.division_words, *page.dates_words, *page.growth_notes]
    if said:
        parts += [_text("What is expected", "heading"), *map(_text, said)]
    if one.charts:
        parts += [_over_next("Charts", "heading"), *_charts(one.charts)]
        parts += [_text(f"{page.growth_words} {page.wound_words} {page.stock_words}")]
    if one.strips:
        parts += [_over_next("Side by side", "heading"), *_strips(one.strips)]
    parts += _rows(page)
    return parts


def _rows(page: PlatePage) -> list[Flowable]:
    parts: list[Flowable] = []
    if page.polyps:
        heads = (
            "polyp",
            "status",
            "diameter, mm",
            "growth a week",
            "wound, mm²",
            "closed",
            "flags",
        )
        rows = [
            (
                row.name,
                row.status,
                row.diameter,
                f"{row.growth} {row.growth_note}".strip(),
                row.wound,
                row.closure,
                row.flags,
            )
            for row in page.polyps
        ]
        parts += [
            CondPageBreak(0.2 * _HEIGHT),
            _text("Every polyp", "heading"),
            _table(heads, rows, (0.7, 1.2, 1.2, 1.9, 1.2, 1.2, 2)),
        ]
    parts += [_text(sentence) for sentence in page.gone]
    if page.happenings:
        parts += [
            CondPageBreak(0.15 * _HEIGHT),
            _text("What happened", "heading"),
            _table(
                ("date", "what", "who", "more", "from"),
                [(one.date, one.what, one.who, one.text, one.source) for one in page.happenings],
                (1.1, 0.9, 1.3, 4, 0.8),
            ),
        ]
    return parts


def _today(tasks: Sequence[Task], on: date, later: int) -> list[Flowable]:
    parts: list[Flowable] = [_text(f"What to do on {day_words(on)}", "title")]
    if later:
        parts.append(_text(later_words(later, on)))
    for n, task in enumerate(tasks, 1):
        place = f"Plate {task.plate}: " if task.plate else ""
        what = f"<b>{n}. {escape(place + task.what)}</b> {escape(task.why)}"
        parts.append(
            KeepTogether(
                [
                    Paragraph(what, _styles()["text"]),
                    _text(f"{task.evidence}.", "small"),
                    Spacer(1, 2 * mm),
                ]
            )
        )
    return parts if tasks else [*parts, _text("Nothing needs you.")]


class _Numbered(Canvas):
    """A canvas that writes "page n of m" below each page, which needs all pages first."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._pages: list[dict[str, Any]] = []

    def showPage(self) -> None:  # noqa: N802  (named by the library)
        self._pages.append(dict(self.__dict__))
        self._startPage()  # type: ignore[attr-defined]  # missing from the stubs

    def save(self) -> None:
        for n, page in enumerate(self._pages, 1):
            self.__dict__.update(page)
            self.setFont(_FONT, 7.5)
            self.drawString(_MARGIN, 10 * mm, f"polypvision {__version__}")
            self.drawRightString(A4[0] - _MARGIN, 10 * mm, f"page {n} of {len(self._pages)}")
            super().showPage()
        super().save()


def report_pdf(
    plates: Sequence[PlatePrint],
    *,
    tasks: Sequence[Task],
    on: date,
    later: int = 0,
    room_charts: Sequence[Figure] = (),
    room_words: Sequence[str] = (),
) -> bytes:
    """Return the report as PDF; the same report, the same bytes.

    Parameters
    ----------
    plates : sequence of PlatePrint
    tasks : sequence of Task
        Today's list, which comes first.
    on : date
        The day it is for.
    later : int
        Photos left out of it because they are dated later.
    room_charts, room_words
        Of all plates together.
    """
    _styles()
    parts = _today(tasks, on, later)
    if room_charts or room_words:
        parts.append(_over_next("All plates", "heading"))
        parts += [*_charts(_drawn(room_charts)), *map(_text, room_words)]
    for plate in plates:
        parts += [PageBreak(), *_plate(plate)]
    parts.append(_text("Take care", "heading"))
    parts += [_text(sentence, "small") for sentence in CAUTIONS]
    buffer = BytesIO()
    SimpleDocTemplate(
        buffer,
        pagesize=A4,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN,
        title="polypvision report",
        invariant=1,
    ).build(parts, canvasmaker=_Numbered)
    return buffer.getvalue()
