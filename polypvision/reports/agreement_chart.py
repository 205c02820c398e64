"""Two ways of measuring the same polyps against each other."""

from collections.abc import Sequence
from math import isfinite

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from polypvision.reports.drawing import INK, LABEL_PT, STYLE, new_figure
from polypvision.reports.looks import BLUE, VERMILLION

_HEIGHT_IN = 2.7


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
    with mpl.rc_context(STYLE):
        figure = new_figure(_HEIGHT_IN)
        axes = figure.add_axes((0.14, 0.17, 0.66, 0.72))
        axes.set_title("diameter, machine minus person, mm", loc="left", x=-0.18, fontsize=8.5)
        for chosen, marker, colour, word in (
            (~anew, ".", BLUE, "left as it was"),
            (anew, "D", VERMILLION, "drawn anew"),
        ):
            axes.plot(
                0.5 * (ours + theirs)[chosen],
                (ours - theirs)[chosen],
                linestyle="",
                marker=marker,
                markersize=4.5,
                color=colour,
                mec="white",
                mew=0.4,
                label=f"{word} ({int(chosen.sum())})",
            )
        for height, dash, word in (
            (bias_mm, "-", "bias"),
            (limits_mm[0], "--", "lower limit"),
            (limits_mm[1], "--", "upper limit"),
        ):
            if isfinite(height):
                axes.axhline(height, color=INK, linewidth=0.9, linestyle=dash)
                axes.annotate(
                    f"{word}\n{height:+.2f}".replace("-", "−"),
                    (1.02, height),
                    xycoords=("axes fraction", "data"),
                    fontsize=LABEL_PT,
                    va="center",
                    annotation_clip=False,
                )
        _spread(axes, [bias_mm, *limits_mm, *(ours - theirs)])
        axes.set_xlabel("mean of the two, mm", loc="left")
        axes.legend(loc="upper left", fontsize=6.5, frameon=False, borderaxespad=0, handlelength=1)
    return figure


def _spread(axes: mpl.axes.Axes, heights: Sequence[float]) -> None:
    """Leave room for the words beside the lines, and for the key above the points."""
    known = [one for one in heights if isfinite(one)] or [0.0]
    low, high = min(known), max(known)
    room = max(high - low, 0.2)
    axes.set_ylim(low - 0.15 * room, high + 0.45 * room)
