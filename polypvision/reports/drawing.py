"""The pen of the charts: style, date axis, names at the ends of lines, bytes of a figure."""

import re
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from io import BytesIO
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter
from scipy.optimize import isotonic_regression

from polypvision.reports.looks import Look
from polypvision.track import PlateTracks

INK = "#1b1e23"
_INK_SOFT = "#1b1e24"
"""Nearly the same as `INK`, so that a page can tell the fainter lines apart and give each its own
colour in the light and in the dark."""
WIDTH_IN = 3.6
LABEL_PT = 7.5

STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "lines.solid_capstyle": "round",
    "figure.facecolor": "none",
    "axes.facecolor": "none",
}


_EPOCH = datetime(1970, 1, 1)
"""Where matplotlib counts its days from."""


def date_number(when: datetime) -> float:
    """Return a wall-clock date as matplotlib counts it."""
    return (when - _EPOCH) / timedelta(days=1)


def dates_of(tracks: PlateTracks, days: Iterable[float]) -> list[float]:
    """Return days since the first photo as the chart counts them, by the wall clock there."""
    start = tracks.photos[0].taken_at.replace(tzinfo=None)
    return [date_number(start) + float(day) for day in days]


def _day_and_month(number: float, _: int) -> str:
    date = _EPOCH + timedelta(days=number)
    return f"{date.day} {date:%b}"


_STEPS_DAYS = (1, 2, 3, 7, 14, 28, 56, 91, 182, 365)


def date_axis(axes: Axes, first: float, last: float, *, labelled: bool = True) -> None:
    """Give an axis dates from the first photo on, in whole weeks where there are some.

    Parameters
    ----------
    axes : Axes
    first, last : float
        Dates of the first and last photo, as `date_number` gives them.
    labelled : bool
        Whether the dates, and below them the year, are written.
    """
    start = float(np.floor(first))
    step = next((one for one in _STEPS_DAYS if (last - start) / one < 5), 730)
    axes.set_xticks(np.arange(start, last + 1e-6, step).tolist())
    axes.xaxis.set_major_formatter(FuncFormatter(_day_and_month))
    axes.grid(axis="y", color=_INK_SOFT, linewidth=0.4, alpha=0.2)
    axes.set_axisbelow(True)
    axes.tick_params(labelbottom=labelled)
    if labelled:
        years = sorted({(_EPOCH + timedelta(days=one)).year for one in (first, last)})
        axes.set_xlabel(" to ".join(str(year) for year in years), loc="left")


def end_labels(axes: Axes, ends: Sequence[tuple[float, float, str, str]]) -> None:
    """Write (x, y, text, colour) beside the ends of lines, pushed apart so that none overlap."""
    if not ends:
        return
    height_pt = axes.bbox.height * 72 / axes.figure.dpi
    low, high = axes.get_ylim()
    step = 1.25 * LABEL_PT * (high - low) / height_pt
    # Upwards by height; of one height the first name on top.
    wanted = sorted(
        sorted(ends, key=lambda one: one[2], reverse=True), key=lambda one: round(one[1], 6)
    )
    # Nearest to their lines with at least a step between: isotonic regression of y - n step.
    steps = step * np.arange(len(wanted))
    places = isotonic_regression([one[1] for one in wanted] - steps).x + steps
    places -= max(0.0, float(places[-1]) - high)
    places += max(0.0, low - float(places[0]))
    right = axes.get_xlim()[1]
    for (x, y, text, colour), place in zip(wanted, places, strict=True):
        axes.annotate(
            text,
            xy=(x, y),
            xytext=(right, place),
            textcoords="data",
            va="center",
            ha="left",
            fontsize=LABEL_PT,
            color=INK,
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-",
                "color": colour,
                "linewidth": 0.6,
                "shrinkA": 1,
                "shrinkB": 2,
                "relpos": (0, 0.5),
            },
        )


def draw_line(
    axes: Axes, x: Sequence[float], y: Sequence[float], err: Sequence[float], look: Look
) -> None:
    """Draw a line with error bars in the look of a state."""
    calm = not look.word
    axes.errorbar(
        x,
        y,
        yerr=np.nan_to_num(np.asarray(err, dtype=np.float64), nan=0.0),
        color=look.line,
        linestyle=look.dash,
        linewidth=1.0 if calm else 1.6,
        elinewidth=0.6,
        marker=look.marker,
        markersize=2.2 if calm else 3.8,
        alpha=0.8 if calm else 1.0,
        zorder=2 if calm else 3,
    )


def new_figure(height_in: float) -> Figure:
    """Return an empty figure of the width of a phone."""
    figure = Figure(figsize=(WIDTH_IN, height_in))
    FigureCanvasAgg(figure)
    return figure


def right_margin(labels: Iterable[str]) -> float:
    """Return the part of the width that the plot may fill beside these labels."""
    longest = max((len(label) for label in labels), default=0)
    return 0.95 - min(0.4, (longest * 0.62 * LABEL_PT) / 72 / WIDTH_IN)


def png(figure: Figure, *, dpi: int = 200) -> bytes:
    """Return a chart as PNG on white; the same chart gives the same bytes."""
    buffer = BytesIO()
    FigureCanvasAgg(figure)
    with mpl.rc_context(STYLE):
        figure.savefig(
            buffer, format="png", dpi=dpi, facecolor="white", metadata={"Software": None}
        )
    return buffer.getvalue()


def svg(figure: Figure) -> bytes:
    """Return a chart as SVG on white, its letters as outlines; the same chart, the same bytes."""
    return _svg(figure, salt="polypvision", fonts="path", background="white")


def inline_svg(figure: Figure, *, name: str, description: str) -> str:
    """Return a chart as an SVG element for a page: transparent, its ink the page's text colour.

    Parameters
    ----------
    figure : Figure
    name : str
        Different for every chart on a page; keeps their inner names apart.
    description : str
        Read out instead of the picture.
    """
    text = _screen_text(figure, salt=name, ink="currentColor")
    text = re.sub(r"(<svg[^>]*?) width=\"[^\"]*\"", r"\1", text, count=1)
    text = re.sub(r"(<svg[^>]*?) height=\"[^\"]*\"", r"\1", text, count=1)
    safe = description.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")
    return text.replace("<svg", f'<svg role="img" aria-label="{safe}"', 1)


def screen_svg(figure: Figure, *, ink: str) -> bytes:
    """Return a chart as an SVG file for a page to load: transparent, its ink a given colour.

    Parameters
    ----------
    figure : Figure
    ink : str
        The page's text colour, #rrggbb.
    """
    return _screen_text(figure, salt="polypvision", ink=ink).encode()


def _screen_text(figure: Figure, *, salt: str, ink: str) -> str:
    text = _svg(figure, salt=salt, fonts="none", background="none").decode()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'<g id="[^"]*"', "<g", text)
    text = text.replace(INK, ink).replace(_INK_SOFT, ink)
    return _without_styles(_rounded(text))


def _rounded(text: str) -> str:
    """Return an SVG with its numbers to a hundredth of a point: half the bytes, nothing seen."""
    return re.sub(
        r"-?\d+\.\d{3,}", lambda one: f"{float(one[0]):.2f}".rstrip("0").rstrip("."), text
    )


def _without_styles(text: str) -> str:
    """Return an SVG whose styles are plain attributes: a strict page takes no styles written in it.

    Every property that matplotlib writes is also a presentation attribute (SVG 1.1, section 6.1,
    from memory), but for the shorthand ``font``.
    """
    text = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", text, flags=re.DOTALL)
    text = text.replace("<svg", '<svg stroke-linejoin="round" stroke-linecap="butt"', 1)

    def attributes(match: re.Match[str]) -> str:
        pairs = [one.partition(":") for one in match[1].split(";") if one.strip()]
        found = []
        for name, _, value in pairs:
            key, said = name.strip(), value.strip().replace("&quot;", "'")
            if key == "font":
                size, _, family = said.partition(" ")
                found += [f'font-size="{size}"', f'font-family="{family}"']
            else:
                found.append(f'{key}="{said}"')
        return " ".join(found)

    return re.sub(r'style="([^"]*)"', attributes, text)


def _svg(figure: Figure, *, salt: str, fonts: str, background: str) -> bytes:
    buffer = BytesIO()
    with mpl.rc_context({**STYLE, "svg.hashsalt": salt, "svg.fonttype": fonts}):
        FigureCanvasSVG(figure)
        figure.savefig(
            buffer,
            format="svg",
            facecolor=background,
            metadata={"Date": None, "Creator": None},
        )
    return buffer.getvalue()
