"""How often something was so against how surely it was said."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from polypvision.reports.drawing import INK, LABEL_PT, STYLE, new_figure
from polypvision.reports.looks import BLUE, VERMILLION

_HEIGHT_IN = 4.1
_LOOKS = {"before": ("D", VERMILLION), "after": ("o", BLUE)}


@dataclass(frozen=True, kw_only=True)
class Reliability:
    """One line of the chart: said, share, and its 95 % interval, of each bin (k,)."""

    said: Sequence[float]
    share: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]


def reliability_chart(panels: Mapping[str, Mapping[str, Reliability]], *, what: str) -> Figure:
    """Return a reliability diagram of up to four groups, before and after calibration.

    Parameters
    ----------
    panels : mapping of str to mapping
        Of each group, under its name, the lines 'before' and 'after'.
    what : str
        What was said.

    References
    ----------
    Murphy AH, Winkler RL 1977, Reliability of subjective probability forecasts of precipitation
    and temperature, Applied Statistics 26:41-47 (from memory).
    """
    with mpl.rc_context(STYLE):
        figure = new_figure(_HEIGHT_IN)
        figure.text(0.02, 0.965, f"{what}: how often it was so", fontsize=8.5)
        for place, (name, lines) in enumerate(panels.items()):
            row, column = divmod(place, 2)
            axes = figure.add_axes((0.12 + 0.46 * column, 0.55 - 0.455 * row, 0.36, 0.325))
            _panel(axes, name, lines)
            if row == 1 or place + 2 >= len(panels):
                axes.set_xlabel("probability said", loc="left")
        if panels:
            figure.axes[0].legend(
                loc="upper left", fontsize=6.5, frameon=False, borderaxespad=0, handlelength=1
            )
    return figure


def _panel(axes: Axes, name: str, lines: Mapping[str, Reliability]) -> None:
    axes.set_title(name, loc="left", fontsize=LABEL_PT, pad=3)
    axes.plot([0, 1], [0, 1], color=INK, linewidth=0.7, linestyle="--")
    for when, line in lines.items():
        marker, colour = _LOOKS[when]
        share = np.asarray(line.share)
        reach = np.abs([share - np.asarray(line.low), np.asarray(line.high) - share])
        axes.errorbar(
            line.said,
            share,
            yerr=reach,
            linestyle="-",
            linewidth=0.8,
            elinewidth=0.6,
            marker=marker,
            markersize=3.6,
            color=colour,
            mec="white",
            mew=0.4,
            label=when,
        )
    axes.set_xlim(-0.03, 1.03)
    axes.set_ylim(-0.03, 1.03)
    axes.set_xticks([0, 0.5, 1], ["0", "0.5", "1"])
    axes.set_yticks([0, 0.5, 1], ["0", "0.5", "1"])
