"""Two ways of measuring the same polyps against each other, and one way against itself."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike, NDArray

from polypvision.reports.drawing import INK, LABEL_PT, STYLE, new_figure
from polypvision.reports.looks import BLUE, SKY_BLUE, VERMILLION

_HEIGHT_IN = 2.7
Band = tuple[float, float]
_NO_BAND: Band = (nan, nan)


@dataclass(frozen=True, kw_only=True)
class ChartLine:
    """A level across a chart: how high, how it is dashed, its word, its confidence interval."""

    height: float
    dash: str
    word: str
    band: Band = _NO_BAND


@dataclass(frozen=True, kw_only=True, eq=False)
class _Points:
    """Points of one look; ``word`` stands in the key, if any."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    marker: str
    colour: str
    word: str = ""


def agreement_chart(
    machine_mm: Sequence[float],
    person_mm: Sequence[float],
    redrawn: Sequence[bool],
    *,
    bias_mm: float,
    limits_mm: tuple[float, float],
) -> Figure:
    """Return differences of diameters against their means.

    Parameters
    ----------
    machine_mm, person_mm : sequence of n floats
        Of the same polyps.
    redrawn : sequence of n bools
        Whose outline a person drew anew; the others were left as the machine drew them.
    bias_mm : float
        Mean of machine minus person; NaN where unknown.
    limits_mm : tuple of 2 floats
        Limits of agreement; NaN where unknown.

    References
    ----------
    Bland JM, Altman DG 1986, Statistical methods for assessing agreement between two methods of
    clinical measurement, Lancet i:307-310.
    """
    ours, theirs = np.asarray(machine_mm, np.float64), np.asarray(person_mm, np.float64)
    anew = np.asarray(redrawn, bool)
    mean, apart = 0.5 * (ours + theirs), ours - theirs
    looks = ((~anew, ".", BLUE, "left as it was"), (anew, "D", VERMILLION, "drawn anew"))
    points = [
        _Points(
            x=mean[some], y=apart[some], marker=marker, colour=colour, word=f"{word} ({some.sum()})"
        )
        for some, marker, colour, word in looks
    ]
    return _differences(
        points,
        _limit_lines(bias_mm, limits_mm),
        title="diameter, machine minus person, mm",
        under="mean of the two, mm",
    )


def hand_chart(
    machine: ArrayLike,
    hand: ArrayLike,
    *,
    bias: float,
    limits: tuple[float, float],
    bands: tuple[Band, Band, Band] = (_NO_BAND, _NO_BAND, _NO_BAND),
    what: str,
    unit: str,
) -> Figure:
    """Return differences of machine and hand against their means (Bland and Altman 1986).

    Parameters
    ----------
    machine, hand : array_like (n,)
    bias : float
    limits : tuple of 2 floats
        NaN where unknown.
    bands : tuple of 3 intervals
        Confidence intervals of bias, lower and upper limit.
    what, unit : str
        What was measured, and in which unit; empty for numbers.
    """
    ours, theirs = np.asarray(machine, np.float64), np.asarray(hand, np.float64)
    tail = f", {unit}" if unit else ""
    return _differences(
        [_Points(x=0.5 * (ours + theirs), y=ours - theirs, marker="o", colour=BLUE)],
        _limit_lines(bias, limits, bands),
        title=f"{what}, machine minus hand{tail}",
        under=f"mean of the two{tail}",
    )


def repeat_chart(readings: Sequence[Sequence[float]], *, sd: float, what: str, unit: str) -> Figure:
    """Return how far each reading is from the mean of its polyp's readings.

    Parameters
    ----------
    readings : sequence of sequence of float
        Of each polyp; those read once are left out.
    sd : float
        Repeatability standard deviation; NaN where unknown.
    what, unit : str

    Notes
    -----
    Deviations from a mean of k readings are narrower than single ones by sqrt((k - 1) / k).
    """
    several = [np.asarray(one, np.float64) for one in readings if len(one) > 1]
    empty = np.empty(0)
    means = [np.full(len(one), one.mean()) for one in several]
    points = _Points(
        x=np.concatenate(means) if several else empty,
        y=np.concatenate([one - one.mean() for one in several]) if several else empty,
        marker="o",
        colour=BLUE,
    )
    lines = [
        ChartLine(height=0.0, dash="-", word="mean"),
        ChartLine(height=-1.96 * sd, dash="--", word="−1.96 SD"),
        ChartLine(height=1.96 * sd, dash="--", word="+1.96 SD"),
    ]
    return _differences(
        [points],
        lines,
        title=f"{what}, reading minus mean of the polyp's, {unit}",
        under=f"mean of the polyp's readings, {unit}",
    )


def mouth_chart(table: ArrayLike, classes: Sequence[str]) -> Figure:
    """Return how often machine (rows) and person (columns) count so many mouths.

    Parameters
    ----------
    table : array_like (n, n) of int
    classes : sequence of n str
    """
    counts = np.asarray(table, np.int64)
    most = max(int(counts.max(initial=0)), 1)
    with mpl.rc_context(STYLE):
        figure = new_figure(_HEIGHT_IN)
        axes = figure.add_axes((0.2, 0.08, 0.62, 0.72))
        axes.set_title("mouths of a polyp, how many polyps", loc="left", x=-0.25, fontsize=8.5)
        for row, column in np.ndindex(*counts.shape):
            share = counts[row, column] / most
            colour = BLUE if row == column else VERMILLION
            box = mpl.patches.Rectangle(
                (column - 0.5, row - 0.5), 1, 1, facecolor=colour, alpha=0.35 * share, lw=0
            )
            axes.add_patch(box)
            axes.text(column, row, str(counts[row, column]), ha="center", va="center", fontsize=9)
            if row == column:
                axes.add_patch(
                    mpl.patches.Rectangle(
                        (column - 0.47, row - 0.47), 0.94, 0.94, fill=False, edgecolor=INK, lw=0.7
                    )
                )
        axes.set_xlim(-0.5, len(classes) - 0.5)
        axes.set_ylim(len(classes) - 0.5, -0.5)
        axes.set_xticks(range(len(classes)), classes)
        axes.set_yticks(range(len(classes)), classes)
        axes.xaxis.tick_top()
        axes.set_xlabel("by hand (framed: agreed)", loc="left")
        axes.set_ylabel("by the machine")
    return figure


def _limit_lines(
    bias: float,
    limits: tuple[float, float],
    bands: tuple[Band, Band, Band] = (_NO_BAND, _NO_BAND, _NO_BAND),
) -> list[ChartLine]:
    return [
        ChartLine(height=bias, dash="-", word="bias", band=bands[0]),
        ChartLine(height=limits[0], dash="--", word="lower limit", band=bands[1]),
        ChartLine(height=limits[1], dash="--", word="upper limit", band=bands[2]),
    ]


def _differences(
    points: Sequence[_Points], lines: Sequence[ChartLine], *, title: str, under: str
) -> Figure:
    with mpl.rc_context(STYLE):
        figure = new_figure(_HEIGHT_IN)
        axes = figure.add_axes((0.14, 0.17, 0.66, 0.72))
        axes.set_title(title, loc="left", x=-0.18, fontsize=8.5)
        for some in points:
            axes.plot(
                some.x,
                some.y,
                linestyle="",
                marker=some.marker,
                markersize=4.5,
                color=some.colour,
                mec="white",
                mew=0.4,
                label=some.word,
            )
        for line in lines:
            _level(axes, line)
        bands = [edge for line in lines for edge in line.band]
        _spread(axes, [*(line.height for line in lines), *bands, *(y for p in points for y in p.y)])
        axes.set_xlabel(under, loc="left")
        if any(some.word for some in points):
            axes.legend(
                loc="upper left", fontsize=6.5, frameon=False, borderaxespad=0, handlelength=1
            )
    return figure


def _level(axes: Axes, line: ChartLine) -> None:
    if not isfinite(line.height):
        return
    if isfinite(line.band[0]):
        axes.axhspan(*line.band, color=SKY_BLUE, alpha=0.25, linewidth=0)
    axes.axhline(line.height, color=INK, linewidth=0.9, linestyle=line.dash)
    axes.annotate(
        f"{line.word}\n{line.height:+.2f}".replace("-", "−"),
        (1.02, line.height),
        xycoords=("axes fraction", "data"),
        fontsize=LABEL_PT,
        va="center",
        annotation_clip=False,
    )


def _spread(axes: Axes, heights: Sequence[float]) -> None:
    """Leave room for the words beside the lines, and for the key above the points."""
    known = [one for one in heights if isfinite(one)] or [0.0]
    low, high = min(known), max(known)
    room = max(high - low, 0.2)
    axes.set_ylim(low - 0.15 * room, high + 0.45 * room)
