"""Film-strips: one individual through the dates, its crops side by side at one scale and one turn.

Each crop is turned and scaled as the plate lay on its first photo, by the outline that is known
both on the photo and on the plate.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO

import cv2
import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

from polypvision.healing import WoundCourse
from polypvision.reading import Points
from polypvision.reports.drawing import INK, STYLE, png
from polypvision.reports.looks import state_of
from polypvision.track import Individual, Observation, PlateTracks

Rgb = NDArray[np.uint8]

MOST_STRIPS = 6
_CROP_PX = 180
_ROOM = 1.25
"""Side of a crop over the individual's largest extent."""
_FRAME_IN = 1.05
_BAR_MM = 10


@dataclass(frozen=True, kw_only=True, eq=False)
class Frame:
    """One crop of a film-strip.

    Attributes
    ----------
    name : str
        The individual it shows, which may be the one that the strip's individual came from.
    taken_at : datetime
    rgb : ndarray (n, n, 3) of uint8
    mm_per_px : float
        The same for all frames of a strip.
    diameter_mm, diameter_mm_err : float
    """

    name: str
    taken_at: datetime
    rgb: Rgb
    mm_per_px: float
    diameter_mm: float
    diameter_mm_err: float


def strip_names(
    tracks: PlateTracks, courses: Sequence[WoundCourse], most: int = MOST_STRIPS
) -> tuple[str, ...]:
    """Return whose strips a page shows: first those that ask for a look, then those that healed.

    Daughters of a division stand for the one that divided. Seen on one photo only there is nothing
    to compare.
    """
    by_name = {one.name: one for one in courses}
    order = {"worsening": 0, "stalled": 1, "two mouths": 2, "open wound": 4, "calm": 9}

    def rank(one: Individual) -> tuple[int, float, str]:
        course = by_name.get(one.name)
        place = order[state_of(one, by_name)]
        if place == 9 and one.parents:
            place = 3
        elif place == 9 and one.end == "lost":
            place = 5
        elif place == 9 and course is not None and course.status == "closed":
            place = 6
        largest = max((point.wound_mm2 for point in course.points), default=0.0) if course else 0.0
        return place, -float(np.nan_to_num(largest)), one.name

    shown = [
        one
        for one in tracks.individuals
        if one.end != "divided" and len(history(tracks, one.name)) > 1
    ]
    return tuple(one.name for one in sorted(shown, key=rank)[:most])


def history(tracks: PlateTracks, name: str) -> tuple[tuple[str, Observation], ...]:
    """Return the sightings of an individual, those of the one it divided off before them."""
    one = tracks.individual(name)
    found = [(name, seen) for seen in one.observations]
    parents = [parent for parent in one.parents if tracks.individual(parent).end == "divided"]
    return (history(tracks, parents[0]) if parents else ()) + tuple(found)


def strip_side_mm(seen: Sequence[Observation]) -> float:
    """Return the side of the square that every crop of a strip shows, mm."""
    return _ROOM * max(one.polyp.feret_max_mm for one in seen)


def crop(rgb: Rgb, seen: Observation, side_mm: float) -> Rgb | None:
    """Return an individual as the plate lay on its first photo; None without an outline.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
        The upright photo of the sighting.
    seen : Observation
    side_mm : float
        Of the square shown.

    Returns
    -------
    ndarray (180, 180, 3) of uint8 or None
    """
    plate, photo = seen.outline_mm, seen.polyp.outline_px
    if len(photo) != len(plate) or len(photo) < 8:
        return None
    to_photo = _affine(plate, photo)
    step = side_mm / _CROP_PX
    corner = np.array([seen.x_mm, seen.y_mm]) - side_mm / 2
    # Pixel (u, v) of the crop shows corner + step (u, v) + step / 2 on the plate.
    linear = to_photo[:, :2] * step
    offset = to_photo[:, :2] @ (corner + step / 2) + to_photo[:, 2]
    warped = cv2.warpAffine(
        rgb,
        np.column_stack([linear, offset]),
        (_CROP_PX, _CROP_PX),
        flags=cv2.INTER_AREA | cv2.WARP_INVERSE_MAP,
        borderValue=(128, 128, 128),
    )
    return np.asarray(warped, np.uint8)


def _affine(start: Points, end: Points) -> NDArray[np.float64]:
    """Return the affine map (2, 3) that takes points onto others with the least squares."""
    design = np.column_stack([start, np.ones(len(start))])
    return np.asarray(np.linalg.lstsq(design, end, rcond=None)[0].T, np.float64)


def strip_frames(tracks: PlateTracks, name: str, crops: Mapping[str, Rgb]) -> tuple[Frame, ...]:
    """Return the frames of a strip.

    Parameters
    ----------
    tracks : PlateTracks
    name : str
    crops : mapping of str to ndarray
        By the photo's hash; photos that are missing are left out.
    """
    seen = history(tracks, name)
    side = strip_side_mm([one for _, one in seen])
    return tuple(
        Frame(
            name=who,
            taken_at=one.taken_at,
            rgb=crops[one.sha256],
            mm_per_px=side / _CROP_PX,
            diameter_mm=one.polyp.diameter_mm,
            diameter_mm_err=one.polyp.diameter_mm_err,
        )
        for who, one in seen
        if one.sha256 in crops
    )


def film_strip(name: str, frames: Sequence[Frame], *, columns: int = 8) -> Figure:
    """Return the frames side by side, date and diameter under each, with a bar of 10 mm.

    Parameters
    ----------
    name : str
        Whose strip it is.
    frames : sequence of Frame
        At least one.
    columns : int
        Frames in one row.
    """
    if not frames:
        raise ValueError("a film-strip needs a frame")
    columns = min(columns, len(frames))
    n_rows = -(-len(frames) // columns)
    each = _FRAME_IN + 0.42
    width, height = columns * (_FRAME_IN + 0.06) + 0.06, n_rows * each + 0.05
    figure = Figure(figsize=(width, height))
    FigureCanvasAgg(figure)
    with mpl.rc_context(STYLE):
        for n, frame in enumerate(frames):
            row, column = divmod(n, columns)
            x = (0.06 + column * (_FRAME_IN + 0.06)) / width
            y = 1 - (0.03 + row * each + _FRAME_IN) / height
            axes = figure.add_axes((x, y, _FRAME_IN / width, _FRAME_IN / height))
            axes.imshow(frame.rgb, interpolation="bilinear", aspect="auto")
            axes.set_axis_off()
            error = f" ± {frame.diameter_mm_err:.1f}" if np.isfinite(frame.diameter_mm_err) else ""
            year = f" {frame.taken_at.year}" if n == 0 else ""
            other = f"{frame.name}, " if frame.name != name else ""
            axes.text(
                0,
                -0.04,
                f"{other}{frame.taken_at.day} {frame.taken_at:%b}{year}\n"
                f"{frame.diameter_mm:.1f}{error} mm",
                transform=axes.transAxes,
                fontsize=7.5,
                color=INK,
                va="top",
                linespacing=1.25,
            )
            if column == 0:
                _draw_bar(figure, (x, y, _FRAME_IN / width), frame)
    return figure


def _draw_bar(figure: Figure, place: tuple[float, float, float], frame: Frame) -> None:
    """Draw how long 10 mm are into the lower left corner of a frame, dark about light."""
    x, y, wide = place
    side_px = frame.rgb.shape[1]
    length = wide * _BAR_MM / (frame.mm_per_px * side_px)
    low = y + 0.07 / figure.get_figheight()
    left = x + 0.06 / figure.get_figwidth()
    for colour, width in (("#101216", 4.0), ("#FFFFFF", 2.0)):
        figure.add_artist(
            mpl.lines.Line2D(
                [left, left + length],
                [low, low],
                color=colour,
                linewidth=width,
                solid_capstyle="butt",
                zorder=10,
            )
        )
    figure.text(
        left,
        low + 0.04 / figure.get_figheight(),
        f"{_BAR_MM} mm",
        fontsize=6.5,
        color="white",
        zorder=11,
        bbox={"facecolor": "#101216", "edgecolor": "none", "pad": 0.8, "alpha": 0.75},
    )


def picture(figure: Figure, *, dpi: int = 150) -> Rgb:
    """Return a figure as a picture on white, (H, W, 3) of uint8."""
    with Image.open(BytesIO(png(figure, dpi=dpi))) as drawn:
        return np.asarray(drawn.convert("RGB"), np.uint8).copy()
