"""Charts of one plate through time: growth, and the closing of wounds.

Narrow enough for a phone at full size. Lines carry their names at their ends; colour says how a
polyp stands, and so do the marker and the dash.
"""

from collections.abc import Mapping, Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from polypvision.events import LogEntry
from polypvision.forecasts import DayForecast
from polypvision.growth import PlateGrowth
from polypvision.healing import ClosureCurve, WoundCourse, WoundPoint
from polypvision.reports.drawing import (
    INK,
    LABEL_PT,
    STYLE,
    date_axis,
    dates_of,
    draw_line,
    end_labels,
    new_figure,
    right_margin,
)
from polypvision.reports.looks import (
    LOOKS,
    SKY_BLUE,
    VERMILLION,
    Look,
    State,
    state_of,
)
from polypvision.track import Individual, PlateTracks

_MOST_LABELS = 24


def _span(tracks: PlateTracks) -> tuple[float, float]:
    first, last = dates_of(tracks, [tracks.photos[0].day, tracks.photos[-1].day])
    return first, last


_NEAR_DAYS = 7.0
"""A cut so near the first or the last photo is drawn, however few days the photos span."""


def _cut_lines(axes: Axes, tracks: PlateTracks, log: Sequence[LogEntry]) -> None:
    first_cuts = {
        entry.at.date(): tracks.day_of(entry.at)
        for entry in sorted(log, key=lambda one: -tracks.day_of(one.at))
        if entry.kind == "cut"
    }
    first, last = tracks.photos[0].day, tracks.photos[-1].day
    # One of long before or after would press all photos together; the log on the page has it.
    near = max(_NEAR_DAYS, (last - first) / 4)
    days = sorted(day for day in first_cuts.values() if first - near <= day <= last + near)
    for n, x in enumerate(dates_of(tracks, days)):
        axes.axvline(x, color=INK, linewidth=0.8, linestyle=(0, (2, 2)), alpha=0.7)
        if n == 0 or len(days) <= 3:
            axes.annotate(
                "cut",
                (x, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(2, 1),
                textcoords="offset points",
                fontsize=LABEL_PT,
                va="bottom",
            )


def _label(individual: Individual, word: str) -> str:
    word = individual.end or word
    return f"{individual.name} {word}".strip()


def _label_here(axes: Axes, x: float, y: float, words: str) -> None:
    """Name one that ended before the last photo where it ended."""
    axes.annotate(
        words, (x, y), xytext=(5, 4), textcoords="offset points", fontsize=LABEL_PT, zorder=4
    )


def _labelled(individuals: Sequence[Individual], calm: set[str]) -> set[str]:
    """Return whose names are written: all, or where there are too many those that stand out and
    the rest from the smallest to the largest in even steps."""
    if len(individuals) <= _MOST_LABELS:
        return {one.name for one in individuals}
    chosen = [one.name for one in individuals if one.name not in calm][:_MOST_LABELS]
    others = sorted(
        (one for one in individuals if one.name in calm),
        key=lambda one: (one.last.polyp.diameter_mm, one.name),
    )
    room = _MOST_LABELS - len(chosen)
    if room and others:
        steps = np.linspace(0, len(others) - 1, min(room, 5)).round().astype(int)
        chosen += [others[step].name for step in steps]
    return set(chosen)


def growth_chart(
    tracks: PlateTracks,
    growth: PlateGrowth,
    courses: Sequence[WoundCourse] = (),
    log: Sequence[LogEntry] = (),
) -> Figure:
    """Return the growth chart: every diameter against the date with the plate's median, below it
    how far the discs of each photo were open all together, and the planform area of the whole
    plate with the number of polyps at each point.

    Parameters
    ----------
    tracks : PlateTracks
    growth : PlateGrowth
        Of the same tracks.
    courses : sequence of WoundCourse
        For how each polyp stands.
    log : sequence of LogEntry
        For the cuts.

    Returns
    -------
    matplotlib.figure.Figure
        Error bars are one standard uncertainty, those of the expansion 95 %. A cross ends who was
        lost or sold, a dotted line joins a polyp that divided to its daughters.
    """
    by_name = {one.name: one for one in courses}
    states = {one.name: state_of(one, by_name) for one in tracks.individuals}
    calm = {name for name, state in states.items() if state == "calm"}
    shown = _labelled(tracks.individuals, calm)
    labels = {
        one.name: _label(one, LOOKS[states[one.name]].word)
        for one in tracks.individuals
        if one.name in shown and one.end is None
    }
    upper_in = float(np.clip(0.145 * len(labels) + 0.4, 2.4, 4.2))
    with mpl.rc_context(STYLE):
        total = upper_in + 3.6
        figure = new_figure(total)
        right = right_margin(labels.values())

        def panel(bottom_in: float, height_in: float) -> Axes:
            return figure.add_axes((0.145, bottom_in / total, right - 0.145, height_in / total))

        top, middle, low = panel(3.2, upper_in), panel(2.05, 0.7), panel(0.42, 1.2)
        if tracks.photos:
            _draw_diameters(top, tracks, growth, states, labels, log)
            _draw_expansion(middle, tracks, growth)
            _draw_totals(low, tracks, growth, log)
            middle.set_xlim(top.get_xlim())
            low.set_xlim(top.get_xlim())
        for axes, words in (
            (top, "diameter of each polyp, mm; thick: the plate's median"),
            (middle, "discs open against usual, all together, %"),
            (low, "planform area of all, mm², and how many"),
        ):
            axes.set_title(words, loc="left", x=-0.16, fontsize=8.5, color=INK, pad=12)
    return figure


def _draw_expansion(axes: Axes, tracks: PlateTracks, growth: PlateGrowth) -> None:
    """Draw a bar for each photo; that of a contracted plate is hatched and says so."""
    known = [one for one in growth.expansions if np.isfinite(one.percent)]
    date_axis(axes, *_span(tracks), labelled=False)
    if not known:
        axes.set_yticks([])
        axes.text(
            0.5,
            0.5,
            "needs more polyps seen on three dates",
            ha="center",
            va="center",
            fontsize=LABEL_PT,
            transform=axes.transAxes,
        )
        return
    first, last = _span(tracks)
    wide = max((last - first) / 40, 0.3)
    for one in known:
        (x,) = dates_of(tracks, [one.day])
        axes.bar(
            x,
            one.percent,
            width=wide,
            color=VERMILLION if one.contracted else SKY_BLUE,
            hatch="////" if one.contracted else "",
            edgecolor=INK,
            linewidth=0.6,
        )
        error = 1.96 * float(np.nan_to_num(one.percent_err, nan=0.0))
        axes.plot([x, x], [one.percent - error, one.percent + error], color=INK, linewidth=0.7)
        if one.contracted:
            axes.annotate(
                "contracted",
                (x, 0),
                xytext=(0, 3),
                textcoords="offset points",
                ha="center",
                fontsize=6.5,
            )
    axes.axhline(0, color=INK, linewidth=0.6)
    reach = max(
        3.0,
        *(abs(one.percent) + 2 * float(np.nan_to_num(one.percent_err, nan=0.0)) for one in known),
    )
    axes.set_ylim(-1.1 * reach, 1.1 * reach)


def _draw_diameters(
    axes: Axes,
    tracks: PlateTracks,
    growth: PlateGrowth,
    states: Mapping[str, State],
    labels: Mapping[str, str],
    log: Sequence[LogEntry],
) -> None:
    ends = []
    curves = {course.name: course for course in growth.individuals}
    for individual in tracks.individuals:
        course = curves[individual.name]
        look = LOOKS[states[individual.name]]
        x = dates_of(tracks, course.days)
        draw_line(axes, x, course.diameter_mm.tolist(), course.diameter_mm_err.tolist(), look)
        for parent in individual.parents:
            before = curves[parent]
            if tracks.individual(parent).end == "divided":
                axes.plot(
                    [dates_of(tracks, before.days[-1:])[0], x[0]],
                    [before.diameter_mm[-1], course.diameter_mm[0]],
                    color=look.line,
                    linewidth=0.9,
                    linestyle=":",
                )
        if individual.end in ("lost", "sold"):
            axes.plot(x[-1], course.diameter_mm[-1], marker="x", markersize=6, color=INK, mew=1.4)
        if individual.end is not None:
            _label_here(axes, x[-1], float(course.diameter_mm[-1]), _label(individual, ""))
        elif individual.name in labels:
            ends.append((x[-1], float(course.diameter_mm[-1]), labels[individual.name], look.line))
    known = [one for one in growth.photos if np.isfinite(one.median_diameter_mm)]
    axes.plot(
        dates_of(tracks, [one.day for one in known]),
        [one.median_diameter_mm for one in known],
        color=INK,
        linewidth=2.6,
        alpha=0.75,
        zorder=1.5,
    )
    axes.margins(x=0.03, y=0.06)
    date_axis(axes, *_span(tracks), labelled=False)
    _cut_lines(axes, tracks, log)
    end_labels(axes, ends)


def _draw_totals(
    axes: Axes, tracks: PlateTracks, growth: PlateGrowth, log: Sequence[LogEntry]
) -> None:
    x = dates_of(tracks, [one.day for one in growth.photos])
    area = [one.area_mm2 for one in growth.photos]
    axes.errorbar(
        x,
        area,
        yerr=[np.nan_to_num(one.area_mm2_err, nan=0.0) for one in growth.photos],
        color=INK,
        linewidth=1.3,
        marker="o",
        markersize=3,
        elinewidth=0.6,
    )
    previous = -np.inf
    room = (x[-1] - x[0]) / 16 if len(x) > 1 else 0.0
    for place, value, one in zip(x, area, growth.photos, strict=True):
        if place - previous < room:
            continue
        previous = place
        axes.annotate(
            str(one.n_polyps),
            (place, value),
            # The first stands clear of the line of a cut.
            xytext=(3 if place == x[0] else 0, 6),
            textcoords="offset points",
            ha="left" if place == x[0] else "center",
            fontsize=LABEL_PT,
        )
    axes.set_ylim(0, 1.22 * max([*area, 1.0]))
    date_axis(axes, *_span(tracks))
    _cut_lines(axes, tracks, log)


def wound_chart(
    tracks: PlateTracks, courses: Sequence[WoundCourse], log: Sequence[LogEntry] = ()
) -> Figure:
    """Return the wound-closure chart: percent closed since the first photo after the cut.

    Parameters
    ----------
    tracks : PlateTracks
    courses : sequence of WoundCourse
        Of the same tracks; those without a wound are left out.
    log : sequence of LogEntry
        For the cuts.

    Returns
    -------
    matplotlib.figure.Figure
        Below 0 a wound is larger than it was at first. Without any wound it says so.
    """
    wounded = [one for one in courses if one.status != "no wound"]
    ended = {one.name: one.end for one in tracks.individuals if one.end is not None}
    words = {
        one.name: f"{one.name} {'' if one.status in ('open', 'closed') else one.status}".strip()
        for one in wounded
        if one.name not in ended
    }
    with mpl.rc_context(STYLE):
        height = float(np.clip(0.145 * len(words) + 0.4, 2.2, 4.2))
        figure = new_figure(height + 0.85)
        right = right_margin(words.values())
        axes = figure.add_axes(
            (0.145, 0.42 / (height + 0.85), right - 0.145, height / (height + 0.85))
        )
        axes.set_title(
            "wound closed since the cut, %",
            loc="left",
            fontsize=8.5,
            color=INK,
            pad=12,
        )
        if not wounded:
            axes.text(0.5, 0.5, "no wound was seen", ha="center", transform=axes.transAxes)
            axes.set_axis_off()
            return figure
        ends = []
        lowest = 0.0
        for course in wounded:
            points = [one for one in course.points if np.isfinite(one.closure_percent)]
            look = _wound_look(course)
            x = dates_of(tracks, [one.day for one in points])
            y = [one.closure_percent for one in points]
            draw_line(axes, x, y, [one.closure_percent_err for one in points], look)
            if course.name in ended:
                axes.plot(x[-1], y[-1], marker="x", markersize=6, color=INK, mew=1.4)
                _label_here(axes, x[-1], y[-1], f"{course.name} {ended[course.name]}")
            else:
                ends.append((x[-1], y[-1], words[course.name], look.line))
            lowest = min(lowest, *(one.closure_percent - _bar(one) for one in points))
        axes.set_ylim(max(-120.0, min(-6.0, 1.05 * lowest)), 106)
        axes.margins(x=0.03)
        axes.axhline(0, color=INK, linewidth=0.6)
        axes.axhline(100, color=INK, linewidth=0.6, linestyle=(0, (1, 2)))
        date_axis(axes, *_span(tracks))
        _cut_lines(axes, tracks, log)
        end_labels(axes, ends)
    return figure


def _bar(point: WoundPoint) -> float:
    """Length of its error bar."""
    return float(np.nan_to_num(point.closure_percent_err, nan=0.0))


def _wound_look(course: WoundCourse) -> Look:
    if course.status == "stalled":
        return LOOKS["stalled"]
    if course.status == "worsening":
        return LOOKS["worsening"]
    return LOOKS["open wound"] if course.status == "open" else LOOKS["calm"]


MOST_WOUNDS = 24
_URGENCY = ("worsening", "stalled", "open", "closed")


def healing_chart(
    tracks: PlateTracks,
    courses: Sequence[WoundCourse],
    *,
    closures: Mapping[str, DayForecast],
    curves: Sequence[ClosureCurve],
) -> Figure:
    """Return the healing chart: a small panel for each wound, its area with the fitted form.

    Parameters
    ----------
    tracks : PlateTracks
    courses : sequence of WoundCourse
        Of the same tracks; those without a wound are left out.
    closures : mapping of str to DayForecast
        When each is closed, by the individual's name.
    curves : sequence of ClosureCurve

    Returns
    -------
    matplotlib.figure.Figure
        Error bars are one standard uncertainty; the line is the closing that the areas speak for,
        the band its 95 % limits. The bar at the foot of a panel is when the wound closed or is
        expected to, with 95 % probability; the title says how it stands. Without any wound it says
        so.
    """
    wounded = sorted(
        (one for one in courses if one.status in _URGENCY),
        key=lambda one: (_URGENCY.index(one.status), one.name),
    )
    shown = wounded[:MOST_WOUNDS]
    ended = {one.name: one.end for one in tracks.individuals}
    with mpl.rc_context(STYLE):
        if not shown:
            figure = new_figure(1.0)
            axes = figure.add_axes((0, 0, 1, 1))
            axes.set_axis_off()
            axes.text(0.5, 0.5, "no wound was seen", ha="center", transform=axes.transAxes)
            return figure
        n_rows = -(-len(shown) // 2)
        each, gap = 0.85, 0.47
        total = 0.3 + n_rows * (each + gap)
        figure = new_figure(total)
        more = len(wounded) - len(shown)
        figure.text(
            0.02,
            1 - 0.13 / total,
            f"area of each wound, mm², {_years(tracks)}"
            + (f"; {more} more wounds" if more else ""),
            fontsize=8.5,
            va="center",
        )
        by_name = {one.name: one for one in curves}
        for n, course in enumerate(shown):
            row, column = divmod(n, 2)
            bottom = total - 0.3 - (row + 1) * (each + gap) + gap - 0.2
            axes = figure.add_axes((0.1 + 0.49 * column, bottom / total, 0.36, each / total))
            _draw_wound(
                axes,
                tracks,
                course,
                closures.get(course.name) if ended[course.name] is None else None,
                by_name.get(course.name),
                ended[course.name],
            )
    return figure


def _years(tracks: PlateTracks) -> str:
    first, last = tracks.photos[0].taken_at.year, tracks.photos[-1].taken_at.year
    return str(first) if first == last else f"{first} to {last}"


_WOUND_WORDS = {
    "worsening": "▼ growing",
    "stalled": "■ stalled",
    "open": "▲ closing",
    "closed": "closed",
}


def _draw_wound(
    axes: Axes,
    tracks: PlateTracks,
    course: WoundCourse,
    when: DayForecast | None,
    curve: ClosureCurve | None,
    end: str | None,
) -> None:
    look = _wound_look(course)
    baseline = next(one for one in course.points if one.sha256 == course.baseline_sha256)
    points = [one for one in course.points if np.isfinite(one.wound_mm2)]
    last = tracks.photos[-1].day
    stop = last if end is None else course.last.day
    if when is not None and not when.happened and when.day is not None:
        stop = min(max(last, when.high_day), last + 42)
    top = max(one.wound_mm2 + np.nan_to_num(one.wound_mm2_err, nan=0.0) for one in points)
    if curve is not None:
        inside = curve.days <= stop
        x = dates_of(tracks, curve.days[inside])
        axes.fill_between(
            x, curve.low_mm2[inside], curve.high_mm2[inside], color=look.line, alpha=0.22, lw=0
        )
        axes.plot(x, curve.mm2[inside], color=look.line, linewidth=1.3, linestyle=look.dash)
    axes.errorbar(
        dates_of(tracks, [one.day for one in points]),
        [one.wound_mm2 for one in points],
        yerr=[np.nan_to_num(one.wound_mm2_err, nan=0.0) for one in points],
        color=INK,
        linestyle="none",
        marker=look.marker,
        markersize=2.8,
        elinewidth=0.6,
        zorder=3,
    )
    axes.set_ylim(-0.16 * top, 1.1 * top)
    if when is not None and when.day is not None:
        low, middle, high = dates_of(
            tracks, [max(when.low_day, baseline.day), min(when.day, stop), min(when.high_day, stop)]
        )
        axes.plot(
            [low, high],
            [-0.08 * top] * 2,
            color=INK,
            linewidth=3.2,
            solid_capstyle="butt",
            zorder=4,
        )
        if not when.happened and when.day <= stop:
            axes.plot(
                middle, -0.08 * top, marker="D", color="white", mec=INK, markersize=4, zorder=5
            )
    start, finish = dates_of(tracks, [tracks.photos[0].day, max(stop, last, 1.0)])
    date_axis(axes, start, finish)
    days = np.linspace(np.floor(start), np.floor(finish), 3)
    axes.set_xticks(np.floor(days).tolist())
    axes.set_xlabel("")
    axes.set_xlim(start - 0.03 * (finish - start), finish + 0.03 * (finish - start))
    axes.locator_params(axis="y", nbins=3)
    axes.tick_params(labelsize=6.5)
    words = _WOUND_WORDS[course.status]
    if end is not None:
        words = f"{end}; wound was {course.status}"
    axes.set_title(
        f"{course.name} {words}",
        loc="left",
        fontsize=LABEL_PT,
        fontweight="bold" if course.status in ("stalled", "worsening") else "normal",
        color=INK,
        pad=3,
    )
