"""Charts of the whole room: ways of cutting compared, and how many pieces will be ready when."""

from collections.abc import Callable, Sequence
from math import isfinite

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from polypvision.outcomes import Comparison, Curve, Group, group_words
from polypvision.plan import StockForecast
from polypvision.reports.drawing import (
    INK,
    LABEL_PT,
    STYLE,
    date_axis,
    date_number,
    end_labels,
    new_figure,
    right_margin,
)
from polypvision.reports.looks import BLUE, GREEN, VERMILLION, Look

_MOST_GROUPS = 6
_MOST_STOCKS = 8
_LONGEST_NAME = 44
_LOOKS = tuple(
    Look(line=colour, over=colour, marker=marker, dash=dash, word="")
    for colour, marker, dash in (
        (BLUE, "o", "-"),
        (VERMILLION, "s", "--"),
        (GREEN, "^", "-."),
        ("#7A7F87", "D", ":"),
        (BLUE, "v", ":"),
        (VERMILLION, "P", "-."),
    )
)
_LEFT = 0.125


def shown_groups(comparison: Comparison) -> tuple[Group, ...]:
    """Return the groups a chart has room for: those of most pieces, in the order of their names."""
    most = sorted(comparison.groups, key=lambda one: (-one.n, one.name))[:_MOST_GROUPS]
    return tuple(sorted(most, key=lambda one: one.name))


def comparison_chart(comparison: Comparison) -> Figure:
    """Return the comparison of groups of pieces: who lived, and when they were sealed and had a
    mouth.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    matplotlib.figure.Figure
        Bars are 95 % intervals. A sloping line is a fall between two photos, when within nobody
        knows. Without any group it says so.
    """
    groups = shown_groups(comparison)
    words = [group_words(comparison.by, one.name) for one in groups]
    with mpl.rc_context(STYLE):
        lived_in = 0.24 * max(len(groups), 1) + 0.12
        total = 0.32 + lived_in + 0.68 + 1.5 + 0.85 + 1.5 + 0.45
        figure = new_figure(total)
        longest = max((len(one) for one in words), default=0)
        names_in = min(1.5, 0.066 * longest + 0.15) / 3.6
        top = figure.add_axes(
            (names_in, 1 - (0.32 + lived_in) / total, 0.8 - names_in, lived_in / total)
        )
        right = right_margin(words)
        middle, low = (
            figure.add_axes((_LEFT, bottom / total, right - _LEFT, 1.5 / total))
            for bottom in (0.45 + 1.5 + 0.85, 0.45)
        )
        if not groups:
            for axes in (middle, low):
                axes.set_axis_off()
            top.set_axis_off()
            top.text(0.5, 0.5, "no cut piece to compare", ha="center", transform=top.transAxes)
            return figure
        _draw_lived(top, comparison, groups, words)
        sides: tuple[tuple[Axes, str, Callable[[Group], Curve]], ...] = (
            (middle, "sealed, % of the pieces", lambda one: one.sealed),
            (low, "with a mouth, % of the pieces", lambda one: one.mouth),
        )
        last = _last_day(groups)
        for axes, title, curve_of in sides:
            axes.set_title(title, loc="left", fontsize=8.5, color=INK)
            _draw_times(axes, groups, words, curve_of, last)
    return figure


def _draw_lived(
    axes: Axes, comparison: Comparison, groups: Sequence[Group], words: Sequence[str]
) -> None:
    days = comparison.horizon_days
    axes.set_title(
        f"alive {days} {'day' if days == 1 else 'days'} after the cut, %",
        loc="left",
        x=-axes.get_position().x0 / axes.get_position().width + 0.03,
        fontsize=8.5,
        color=INK,
    )
    for row, (group, look) in enumerate(zip(groups, _LOOKS, strict=False)):
        y = len(groups) - 1 - row
        if group.n_known:
            share = 100 * group.n_lived / group.n_known
            axes.plot(
                [100 * group.lived_low, 100 * group.lived_high],
                [y, y],
                color=look.line,
                linewidth=1.4,
                linestyle=look.dash,
            )
            axes.plot(share, y, marker=look.marker, color=look.line, markersize=5, clip_on=False)
        axes.annotate(
            f"{group.n_lived} of {group.n_known}" if group.n_known else "not known yet",
            (1.03, y),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=LABEL_PT,
        )
    axes.set_yticks(range(len(groups)), list(reversed(words)))
    axes.set_ylim(-0.6, len(groups) - 0.4)
    axes.set_xlim(-2, 102)
    axes.set_xticks([0, 25, 50, 75, 100])
    axes.tick_params(left=False)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x", color=INK, linewidth=0.4, alpha=0.2)
    axes.set_axisbelow(True)


def _last_day(groups: Sequence[Group]) -> float:
    """Return until when times are drawn: a week after the last fall, or the last photo of all."""
    ends = [
        span.high if span.happened else span.low
        for group in groups
        for curve in (group.sealed, group.mouth)
        for span in curve.spans
    ]
    falls = [
        day
        for group in groups
        for curve in (group.sealed, group.mouth)
        for day in curve.right
        if isfinite(day)
    ]
    return float(min(max(ends, default=7.0), max(falls, default=7.0) + 7))


def _draw_times(
    axes: Axes,
    groups: Sequence[Group],
    words: Sequence[str],
    curve_of: Callable[[Group], Curve],
    last: float,
) -> None:
    ends = []
    for n, (group, word, look) in enumerate(zip(groups, words, _LOOKS, strict=False)):
        curve = curve_of(group)
        if not curve.n:
            continue
        x, y = [0.0], [0.0]
        done = 0.0
        for left, right, mass in zip(curve.left, curve.right, curve.mass, strict=True):
            x += [float(left), float(right)]
            y += [100 * done, 100 * (done + float(mass))]
            done += float(mass)
        x.append(last)
        y.append(y[-1])
        axes.plot(x, y, color=look.line, linestyle=look.dash, linewidth=1.4, zorder=3)
        # A little apart, so that bars of groups seen on the same days do not hide each other.
        apart = 0.006 * last * (n - (len(groups) - 1) / 2)
        for day, share in zip(curve.right, np.cumsum(curve.mass), strict=True):
            low, high = curve.interval_after(float(day))
            axes.plot(
                [day + apart] * 2,
                [100 - 100 * high, 100 - 100 * low],
                color=look.line,
                linewidth=0.6,
                zorder=2,
            )
            axes.plot(day, 100 * share, marker=look.marker, color=look.line, markersize=3.6)
        ends.append((last, y[-1], word, look.line))
    axes.set_ylim(-3, 103)
    axes.set_yticks([0, 50, 100])
    axes.set_xlim(0, max(last, 1.0))
    axes.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    axes.set_xlabel("days since the cut", loc="left")
    axes.grid(axis="y", color=INK, linewidth=0.4, alpha=0.2)
    axes.set_axisbelow(True)
    end_labels(axes, ends)


def stock_chart(forecasts: Sequence[StockForecast]) -> Figure:
    """Return the stock forecast: how many pieces will be ready on each date, one panel for each.

    Parameters
    ----------
    forecasts : sequence of StockForecast
        Of plates or lines, at the same dates.

    Returns
    -------
    matplotlib.figure.Figure
        Bars are 95 % intervals, dots what is expected; the dotted line above is all that live now.
    """
    shown = list(forecasts)[:_MOST_STOCKS]
    each = 1.15
    gap, head, foot = 0.36, 0.3, 0.42
    total = head + max(len(shown), 1) * (each + gap) + foot
    with mpl.rc_context(STYLE):
        figure = new_figure(total)
        if not any(one.weeks for one in shown):
            axes = figure.add_axes((0, 0, 1, 1))
            axes.set_axis_off()
            axes.text(0.5, 0.5, "nothing to forecast", ha="center", transform=axes.transAxes)
            return figure
        figure.text(
            0.02,
            1 - 0.14 / total,
            f"pieces ready: sealed, with a mouth, {shown[0].size_mm:g} mm or more",
            fontsize=8.5,
            va="center",
        )
        for n, one in enumerate(shown):
            bottom = total - head - (n + 1) * (each + gap)
            axes = figure.add_axes((_LEFT, bottom / total, 0.77 - _LEFT, each / total))
            axes.set_title(_short(one.name), loc="left", fontsize=8.5, color=INK)
            axes.set_ylabel("number", fontsize=LABEL_PT)
            _draw_stock(axes, one, labelled=n == len(shown) - 1)
    return figure


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"


def _draw_stock(axes: Axes, forecast: StockForecast, *, labelled: bool) -> None:
    x = [date_number(week.on.replace(tzinfo=None)) for week in forecast.weeks]
    expected = [week.expected for week in forecast.weeks]
    start = 2 * x[0] - x[1] if len(x) > 1 else x[0] - 7
    axes.axhline(forecast.n_pieces, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
    axes.plot(
        [start, x[0]], [forecast.n_ready, expected[0]], color=BLUE, linewidth=0.8, linestyle=":"
    )
    axes.plot(start, forecast.n_ready, marker="D", color=INK, markersize=4.5)
    for place, week in zip(x, forecast.weeks, strict=True):
        axes.plot(
            [place, place],
            [week.low, week.high],
            color=BLUE,
            linewidth=4.5,
            alpha=0.45,
            solid_capstyle="butt",
        )
    axes.plot(x, expected, color=BLUE, linewidth=1.2, marker="o", markersize=3.4)
    last = forecast.weeks[-1]
    axes.set_xlim(start - 2, x[-1] + 2)
    axes.set_ylim(-0.4, 1.12 * max(forecast.n_pieces, 1))
    axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
    date_axis(axes, start, x[-1], labelled=labelled)
    words = f"{last.low}" if last.low == last.high else f"{last.low} to {last.high}"
    ends = [(x[-1], last.expected, f"{words} ready", BLUE)]
    if forecast.n_pieces > last.expected + 0.15 * max(forecast.n_pieces, 1):
        ends.append((x[-1], float(forecast.n_pieces), f"{forecast.n_pieces} live now", INK))
    end_labels(axes, ends)
