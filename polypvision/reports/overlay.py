"""A photo with what was read on it: outlines, names, mouths, wounds, and marks of state.

Every line is light with a dark casing, so that it shows on pale and on dark tissue alike, and every
state has a mark of its own shape, the same as in the charts.
"""

from collections.abc import Mapping, Sequence
from io import BytesIO

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from polypvision.reading import PlateReading, Points, Polyp
from polypvision.reports.looks import LOOKS, MARKS, ORANGE, State

Rgb = NDArray[np.uint8]

_CASING = (16, 18, 22)
_WHITE = (255, 255, 255)
_SHIFT = 4
"""Binary places of a pixel that OpenCV is given."""


def _colour(code: str) -> tuple[int, int, int]:
    return int(code[1:3], 16), int(code[3:5], 16), int(code[5:7], 16)


class _Sheet:
    """A photo being drawn upon, and how its pixels lie on those of the original."""

    def __init__(self, rgb: Rgb, max_side_px: int) -> None:
        height, width = rgb.shape[:2]
        self.factor = min(1.0, max_side_px / max(height, width))
        size = max(1, round(width * self.factor)), max(1, round(height * self.factor))
        self.rgb: Rgb = (
            np.ascontiguousarray(rgb)
            if self.factor == 1.0
            else np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
        ).copy()
        self.side = max(size)
        self.line_px = max(2, round(self.side / 700))
        self.texts: list[tuple[float, float, str]] = []

    def place(self, points_px: Points) -> Points:
        """Return pixels of the original as pixels of the sheet; centres are whole numbers."""
        moved: Points = (np.asarray(points_px, np.float64) + 0.5) * self.factor - 0.5
        return moved

    def _fixed(self, points: Points) -> NDArray[np.int32]:
        return np.rint(points * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)

    def stroke(
        self,
        points: Points,
        colour: tuple[int, int, int],
        *,
        closed: bool = True,
        dashed: bool = False,
    ) -> None:
        """Draw a line through sheet pixels, over its dark casing."""
        if len(points) < 2:
            return
        fixed = [self._fixed(points)]
        cv2.polylines(self.rgb, fixed, closed, _CASING, self.line_px + 2, cv2.LINE_AA, _SHIFT)
        pieces = _dashes(points, 9.0 * self.line_px) if dashed else [points]
        for piece in pieces:
            cv2.polylines(
                self.rgb,
                [self._fixed(piece)],
                closed and not dashed,
                colour,
                self.line_px,
                cv2.LINE_AA,
                _SHIFT,
            )

    def fill(self, points: Points, colour: tuple[int, int, int]) -> None:
        """Fill a shape, over a dark casing."""
        fixed = [self._fixed(points)]
        cv2.polylines(self.rgb, fixed, True, _CASING, self.line_px + 3, cv2.LINE_AA, _SHIFT)
        cv2.fillPoly(self.rgb, fixed, colour, cv2.LINE_AA, _SHIFT)

    def write(self, size_px: int) -> None:
        """Write all texts that were asked for, light with a dark edge."""
        image = Image.fromarray(self.rgb)
        pen = ImageDraw.Draw(image)
        font = ImageFont.load_default(size=size_px)
        for x, y, text in self.texts:
            pen.text(
                (x, y),
                text,
                font=font,
                fill=_WHITE,
                anchor="mm",
                stroke_width=max(2, size_px // 9),
                stroke_fill=_CASING,
            )
        self.rgb = np.asarray(image, dtype=np.uint8).copy()


def _dashes(outline: Points, length_px: float) -> list[Points]:
    """Return every other piece of a closed outline, each about this long."""
    closed = np.vstack([outline, outline[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    n_pieces = max(2, 2 * round(along[-1] / (2 * length_px)))
    cuts = np.linspace(0, along[-1], n_pieces + 1)
    pieces = []
    for start, end in zip(cuts[:-1:2], cuts[1::2], strict=True):
        steps = np.linspace(start, end, 8)
        pieces.append(np.column_stack([np.interp(steps, along, closed[:, k]) for k in range(2)]))
    return pieces


def _text_px(sheet: _Sheet, polyps: Sequence[Polyp]) -> int:
    """Return the size of the names: from the discs, within what can be read and does not shout."""
    sizes = [
        float(np.ptp(sheet.place(polyp.outline_px)[:, 1]))
        for polyp in polyps
        if len(polyp.outline_px)
    ]
    wanted = 0.36 * float(np.median(sizes)) if sizes else 0.0
    return round(float(np.clip(wanted, 0.02 * sheet.side, 0.034 * sheet.side)))


def draw_overlay(
    rgb: Rgb,
    reading: PlateReading,
    *,
    names: Mapping[int, str] | None = None,
    states: Mapping[int, State] | None = None,
    wounds_px: Mapping[int, Sequence[Points]] | None = None,
    max_side_px: int = 1600,
) -> Rgb:
    """Return the upright photo with what was read drawn upon it.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
        The upright photo that the reading is of; not changed.
    reading : PlateReading
    names : mapping of int to str, optional
        What to write on each polyp, by label; the label itself where missing.
    states : mapping of int to State, optional
        How each stands, by label; where missing, two mouths and a wound are marked by the
        reading's flags.
    wounds_px : mapping of int to sequence of ndarray (n, 2), optional
        Outlines of wounds in photo pixels, by label.
    max_side_px : int
        A larger photo is reduced to this first.

    Returns
    -------
    ndarray (h, w, 3) of uint8

    Raises
    ------
    ValueError
        If `rgb` is no such array.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
        raise ValueError(f"rgb must be (H, W, 3) uint8, got {rgb.shape} {rgb.dtype}")
    sheet = _Sheet(rgb, max_side_px)
    text_px = _text_px(sheet, reading.polyps)
    for polyp in reading.polyps:
        state = (states or {}).get(polyp.label) or _flagged(polyp)
        _draw_polyp(sheet, polyp, state, (names or {}).get(polyp.label, str(polyp.label)), text_px)
        for wound in (wounds_px or {}).get(polyp.label, ()):
            sheet.stroke(sheet.place(wound), _colour(ORANGE))
    _draw_bar(sheet, reading, text_px)
    sheet.write(text_px)
    return sheet.rgb


def _flagged(polyp: Polyp) -> State:
    if "two-mouths" in polyp.flags:
        return "two mouths"
    return "open wound" if "wound" in polyp.flags else "calm"


def _draw_polyp(sheet: _Sheet, polyp: Polyp, state: State, name: str, text_px: int) -> None:
    look = LOOKS[state]
    colour = _colour(look.over)
    outline = sheet.place(polyp.outline_px)
    sheet.stroke(outline, colour, dashed=look.dash != "-")
    radius = max(2.0, 0.16 * text_px)
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    for mouth in polyp.mouths:
        sheet.stroke(sheet.place(np.array([[mouth.x_px, mouth.y_px]])) + ring, _WHITE)
    middle = sheet.place(np.array([[polyp.x_px, polyp.y_px]]))[0]
    low = float(outline[:, 1].max()) if len(outline) else float(middle[1])
    deep = low - float(middle[1])
    # Inside the lower part of a disc that has room, so that neighbours are not written over.
    y = low - 0.95 * text_px if deep > 1.6 * text_px else low + 0.65 * text_px
    height, width = sheet.rgb.shape[:2]
    room = 0.4 * text_px * len(name)
    y = float(np.clip(y, 0.7 * text_px, height - 0.7 * text_px))
    x = float(np.clip(middle[0], room, max(room, width - room)))
    mark = MARKS.get(state)
    if mark is not None:
        half = 0.36 * text_px
        wide = 0.32 * text_px * len(name)
        sheet.fill(np.array([(x - wide, y)]) + half * np.array(mark), colour)
        x += half
    sheet.texts.append((x, y, name))


def _draw_bar(sheet: _Sheet, reading: PlateReading, text_px: int) -> None:
    """Draw how long 10 mm (or 50 on a wide plate) are."""
    px_per_mm = sheet.factor / reading.scale.mm_per_px
    if not np.isfinite(px_per_mm) or px_per_mm <= 0:
        return
    length_mm = 10 if 10 * px_per_mm > 0.06 * sheet.side else 50
    y = sheet.rgb.shape[0] - 1.2 * text_px
    x = 1.0 * text_px
    end = x + length_mm * px_per_mm
    tick = 0.3 * text_px
    sheet.stroke(np.array([[x, y - tick], [x, y], [end, y], [end, y - tick]]), _WHITE, closed=False)
    sheet.texts.append((0.5 * (x + end), y - 0.75 * text_px, f"{length_mm} mm"))


def jpeg(rgb: Rgb, *, max_bytes: int = 900_000) -> bytes:
    """Return a picture as JPEG without any metadata, coarser or smaller until it fits.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
    max_bytes : int
        Not more than this, unless even a picture of 200 px is larger.
    """
    image = Image.fromarray(np.ascontiguousarray(rgb))
    while True:
        for quality in (88, 80, 72):
            buffer = BytesIO()
            image.save(buffer, format="JPEG", quality=quality, optimize=True, progressive=True)
            if buffer.tell() <= max_bytes:
                return buffer.getvalue()
        if max(image.size) <= 200:
            return buffer.getvalue()
        smaller = max(1, image.width * 3 // 4), max(1, image.height * 3 // 4)
        image = image.resize(smaller, Image.Resampling.LANCZOS)
