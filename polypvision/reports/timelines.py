"""Charts with a row for each polyp along the dates: lineage, stages of pieces, dates to come.

Photos are taken on some days only, so what happened between two photos is a bar between them, and
what is still to come a bar of 95 % probability. Shape and word say what colour says.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, isfinite, isnan

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from polypvision.forecasts import DayForecast
from polypvision.healing import PieceProgress
from polypvision.reports.drawing import (
    INK,
    LABEL_PT,
    STYLE,
    WIDTH_IN,
    date_axis,
    dates_of,
    new_figure,
)
from polypvision.reports.looks import BLUE, GREEN, LOOKS, ORANGE, VERMILLION
from polypvision.track import FissionCourse, Individual, PlateTracks

MOST_ROWS = 40
_ROW_IN = 0.2
_LATEST_SHOWN_DAYS = 182.0
"""A bar is cut off, with an arrow, so long after the last photo: later is nothing to plan with."""


@dataclass(frozen=True, kw_only=True)
class _Row:
    """When one thing is expected of one polyp."""

    name: str
    what: str
    colour: str
    marker: str
    when: DayForecast


def _rows_figure(n_rows: int, left: float, *, row_in: float = _ROW_IN) -> tuple[Figure, Axes]:
    height = row_in * max(n_rows, 2) + 0.12
    total = height + 0.95
    figure = new_figure(total)
    axes = figure.add_axes((left, 0.45 / total, 0.97 - left, height / total))
    axes.set_ylim(n_rows - 0.4, -0.6)
    return figure, axes


def _left_margin(labels: Sequence[str]) -> float:
    longest = max((len(one) for one in labels), default=3)
    return min(0.45, 0.05 + longest * 0.6 * LABEL_PT / 72 / WIDTH_IN)


def _finish(axes: Axes, tracks: PlateTracks, last: float, labels: Sequence[str]) -> None:
    start, end = dates_of(tracks, [0.0, last])
    date_axis(axes, start, end)
    axes.grid(axis="y", visible=False)
    axes.grid(axis="x", color=INK, linewidth=0.4, alpha=0.15)
    axes.set_yticks(range(len(labels)), labels, fontsize=LABEL_PT)
    axes.tick_params(axis="y", left=False)
    axes.spines["left"].set_visible(False)
    pad = 0.03 * max(end - start, 1.0)
    axes.set_xlim(start - pad, end + pad)


def _title(axes: Axes, words: str) -> None:
    axes.annotate(
        words,
        (0.02, 1.0),
        xycoords=("figure fraction", "axes fraction"),
        xytext=(0, 8),
        textcoords="offset points",
        fontsize=8.5,
        va="bottom",
        annotation_clip=False,
    )


def _today_line(axes: Axes, tracks: PlateTracks) -> None:
    (x,) = dates_of(tracks, [tracks.photos[-1].day])
    axes.axvline(x, color=INK, linewidth=0.8, alpha=0.7)
    axes.annotate(
        "last photo",
        (x, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(-2, 1),
        textcoords="offset points",
        fontsize=6.5,
        ha="right",
        va="bottom",
    )


def _empty(words: str) -> Figure:
    with mpl.rc_context(STYLE):
        figure = new_figure(1.0)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_axis_off()
        axes.text(0.5, 0.5, words, ha="center", va="center", transform=axes.transAxes)
    return figure


# ---------------------------------------------------------------------------------- dates to come


def _expected(
    closures: Mapping[str, DayForecast],
    sizes: Mapping[str, DayForecast],
    fissions: Sequence[FissionCourse],
    living: Sequence[str],
    size_mm: float,
) -> list[_Row]:
    parting = {one.name: one for one in fissions if not isnan(one.expected_day)}
    rows = []
    for name in living:
        closing = closures.get(name)
        if closing is not None and not closing.happened:
            rows.append(_Row(name=name, what="closed", colour=GREEN, marker="^", when=closing))
        if name in parting:
            one = parting[name]
            rows.append(
                _Row(
                    name=name,
                    what="apart",
                    colour=BLUE,
                    marker="D",
                    when=DayForecast(
                        made_on_day=one.low_day,
                        day=one.expected_day,
                        low_day=one.low_day,
                        high_day=one.high_day,
                        days=(one.low_day, one.expected_day, one.high_day),
                        probability=(0.025, 0.5, 0.975),
                    ),
                )
            )
        size = sizes.get(name)
        if size is not None and not _large_already(size):
            rows.append(
                _Row(name=name, what=f"{size_mm:g} mm", colour=VERMILLION, marker="s", when=size)
            )
    return rows


def _large_already(when: DayForecast) -> bool:
    return (when.told and when.day == when.made_on_day) or when.probability[0] >= 0.975


def dates_chart(
    tracks: PlateTracks,
    *,
    closures: Mapping[str, DayForecast],
    sizes: Mapping[str, DayForecast],
    fissions: Sequence[FissionCourse] = (),
    size_mm: float,
) -> Figure:
    """Return what is expected when: wounds closed, halves apart, the size asked for reached.

    Parameters
    ----------
    tracks : PlateTracks
    closures, sizes : mapping of str to DayForecast
        By the individual's name.
    fissions : sequence of FissionCourse
    size_mm : float
        The diameter that `sizes` are about.

    Returns
    -------
    matplotlib.figure.Figure
        A mark on the middle date, a bar over the 95 % interval, with an arrow where it goes on.
        Where no date can be given a row says so. Without anything to come it says so.
    """
    living = [one.name for one in tracks.individuals if one.end is None]
    rows = _expected(closures, sizes, fissions, living, size_mm)
    rows.sort(key=lambda one: (not one.when.told, one.when.day or inf, one.name, one.what))
    left_out = max(0, len(rows) - MOST_ROWS)
    rows = rows[:MOST_ROWS]
    if not rows or not tracks.photos:
        return _empty(
            f"nothing to wait for: no wound open, none dividing,\nnone surely below {size_mm:g} mm"
        )
    last = tracks.photos[-1].day
    ends = [one.when.high_day for one in rows if one.when.told and isfinite(one.when.high_day)]
    ends += [one.when.day or last for one in rows if one.when.told]
    end = float(np.clip(max(ends, default=last + 28), last + 21, last + _LATEST_SHOWN_DAYS))
    labels = [f"{one.name} {one.what}" for one in rows]
    with mpl.rc_context(STYLE):
        figure, axes = _rows_figure(len(rows), _left_margin(labels))
        start = dates_of(tracks, [last])[0]
        for y, row in enumerate(rows):
            _draw_expected(axes, tracks, y, row, end)
        more = f" ({left_out} later ones left out)" if left_out else ""
        _title(axes, f"expected dates, with 95 % intervals{more}")
        _finish(axes, tracks, end, labels)
        stop = dates_of(tracks, [end])[0]
        date_axis(axes, start, stop)
        axes.grid(axis="y", visible=False)
        axes.set_xlim(start - 0.02 * (stop - start), stop + 0.04 * (stop - start))
    return figure


def _draw_expected(axes: Axes, tracks: PlateTracks, y: int, row: _Row, end: float) -> None:
    when = row.when
    if when.day is None:
        (x,) = dates_of(tracks, [tracks.photos[-1].day])
        axes.annotate(
            "no date can be given",
            (x, y),
            xytext=(3, 0),
            textcoords="offset points",
            fontsize=LABEL_PT,
            va="center",
        )
        return
    low, high = max(when.low_day, tracks.photos[-1].day), min(when.high_day, end)
    x_low, x, x_high = dates_of(tracks, [min(low, end), min(when.day, end), high])
    axes.plot([x_low, x_high], [y, y], color=row.colour, linewidth=3.2, solid_capstyle="butt")
    if when.high_day > end:
        axes.annotate(
            "",
            (x_high, y),
            xytext=(9, 0),
            textcoords="offset points",
            arrowprops={"arrowstyle": "<-", "color": INK, "linewidth": 1.0, "shrinkA": 0},
            annotation_clip=False,
        )
    if when.day <= end:
        axes.plot(
            x,
            y,
            marker=row.marker,
            color=row.colour,
            markersize=5.5,
            mec="white",
            mew=0.9,
            zorder=4,
        )


# ------------------------------------------------------------------------------- stages of pieces

_STAGE_BARS = (
    ("sealed", GREEN, ""),
    ("mouth formed", BLUE, "/////"),
    ("round", ORANGE, "...."),
)


def stages_chart(tracks: PlateTracks, progress: Sequence[PieceProgress]) -> Figure:
    """Return between which photos each cut piece was sealed, had a mouth and was round.

    Parameters
    ----------
    tracks : PlateTracks
    progress : sequence of PieceProgress
        Of the same tracks.

    Returns
    -------
    matplotlib.figure.Figure
        Each bar goes from the last photo without the stage to the first with it, or from the cut;
        an open end with an arrow has not come yet. Without a cut piece it says so.
    """
    shown = list(progress)[:MOST_ROWS]
    if not shown or not tracks.photos:
        return _empty("no cut piece was seen on this plate")
    labels = [one.name for one in shown]
    with mpl.rc_context({**STYLE, "hatch.linewidth": 0.5}):
        figure, axes = _rows_figure(len(shown), _left_margin(labels), row_in=0.36)
        last = tracks.photos[-1].day
        start = min([0.0, *(one.cut_day for one in shown if one.cut_day is not None)])
        for y, piece in enumerate(shown):
            for n, (stage, colour, hatch) in enumerate(_STAGE_BARS):
                reached = next(one for one in piece.stages if one.stage == stage)
                one = tracks.individual(piece.name)
                ended = one.last.day
                low = max(reached.after_day, start)
                high = reached.by_day if reached.reached else ended
                _draw_stage(
                    axes,
                    tracks,
                    y - 0.27 + 0.27 * n,
                    (low, high),
                    (colour, hatch),
                    missing="" if reached.reached else _missing_words(one),
                )
            if y:
                axes.axhline(y - 0.5, color=INK, linewidth=0.3, alpha=0.25)
        left_out = len(progress) - len(shown)
        _title(
            axes,
            "between which photos each stage was reached"
            + (f" ({left_out} more pieces)" if left_out else ""),
        )
        _finish(axes, tracks, last, labels)
        figure.set_size_inches(WIDTH_IN, figure.get_figheight() + 0.25)
        _stage_key(figure, axes)
    return figure


def _missing_words(one: Individual) -> str:
    if one.end is None:
        return "not yet"
    return "unknown" if one.end == "open" else f"not before it was {one.end}"


def _draw_stage(
    axes: Axes,
    tracks: PlateTracks,
    y: float,
    days: tuple[float, float],
    look: tuple[str, str],
    *,
    missing: str,
) -> None:
    """Draw one bar, or where the stage has not come, a mark and why at the last sighting."""
    low, high = dates_of(tracks, days)
    colour, hatch = look
    if missing:
        axes.annotate(
            missing,
            (high, y),
            xytext=(-4, 0),
            textcoords="offset points",
            fontsize=6.5,
            ha="right",
            va="center",
        )
        axes.plot(high, y, marker=">", color=colour, markersize=4, mec=INK, mew=0.4)
        return
    # Known to the day: still a bar that can be seen.
    wide = max(high - low, 0.6)
    axes.barh(
        y, wide, left=high - wide, height=0.23, color=colour, hatch=hatch, edgecolor=INK, lw=0.5
    )


def _stage_key(figure: Figure, axes: Axes) -> None:
    """Write below the dates which bar is which, in their order from the top of each row."""
    total = figure.get_figheight()
    box = axes.get_position()
    old = total - 0.25
    axes.set_position((box.x0, (box.y0 * old + 0.25) / total, box.width, box.height * old / total))
    key = figure.add_axes((0.02, 0.02 / total, 0.96, 0.2 / total))
    key.set_axis_off()
    key.set_xlim(0, 1)
    key.set_ylim(0, 1)
    for n, (stage, colour, hatch) in enumerate(_STAGE_BARS):
        x = (0.0, 0.3, 0.72)[n]
        key.barh(0.5, 0.06, left=x, height=0.6, color=colour, hatch=hatch, edgecolor=INK, lw=0.5)
        place = ("top", "middle", "low")[n]
        key.text(x + 0.07, 0.5, f"{stage} ({place})", fontsize=6.5, va="center")


# ---------------------------------------------------------------------------------------- lineage


def family_order(tracks: PlateTracks) -> tuple[Individual, ...]:
    """Return the individuals with daughters right below the one they came from."""
    known = {one.name for one in tracks.individuals}
    order: list[Individual] = []

    def add(one: Individual) -> None:
        if one in order:
            return
        order.append(one)
        for child in tracks.individuals:
            if child.parents and child.parents[0] == one.name:
                add(child)

    for one in tracks.individuals:
        if not known.intersection(one.parents):
            add(one)
    for one in tracks.individuals:
        add(one)
    return tuple(order)


def _with_history(tracks: PlateTracks, fissions: Sequence[FissionCourse]) -> list[Individual]:
    """Return all, or where there are too many first those to whom something happened."""
    order = list(family_order(tracks))
    if len(order) <= MOST_ROWS:
        return order
    told = {one.name for one in fissions}
    told |= {name for event in tracks.events for name in event.individuals}
    told |= {one.name for one in order if one.end is not None or one.parents}
    chosen = {one.name for one in [o for o in order if o.name in told][:MOST_ROWS]}
    for one in order:
        if len(chosen) < MOST_ROWS:
            chosen.add(one.name)
    return [one for one in order if one.name in chosen]


def lineage_chart(tracks: PlateTracks, fissions: Sequence[FissionCourse] = ()) -> Figure:
    """Return who came from whom, from when to when each was seen, and what became of it.

    Parameters
    ----------
    tracks : PlateTracks
    fissions : sequence of FissionCourse
        Of the same tracks.

    Returns
    -------
    matplotlib.figure.Figure
        A dot is a sighting. A double line shows two mouths; a hollow bar after the last photo the
        95 % interval in which they come apart. Dotted lines lead from a parent to its daughters,
        with how sure that is; they run between two photos, when within nobody saw.
    """
    if not tracks.photos:
        return _empty("no photo yet")
    rows = _with_history(tracks, fissions)
    labels = [one.name for one in rows]
    place = {one.name: y for y, one in enumerate(rows)}
    courses = {one.name: one for one in fissions}
    last = tracks.photos[-1].day
    ends = [one.high_day for one in fissions if isfinite(one.high_day)]
    end = float(min(max([last, *ends]), last + _LATEST_SHOWN_DAYS))
    sure = {
        event.individuals[0]: event.confidence
        for event in tracks.events
        if event.kind in ("divided", "lost")
    }
    with mpl.rc_context(STYLE):
        figure, axes = _rows_figure(len(rows), _left_margin(labels))
        for one in rows:
            _draw_life(axes, tracks, place, one, courses.get(one.name), sure)
        left_out = len(tracks.individuals) - len(rows)
        _title(axes, "who came from whom" + (f" ({left_out} more polyps)" if left_out else ""))
        _finish(axes, tracks, max(end, 1.0), labels)
        low, high = axes.get_xlim()
        # Room for the word at the end of a line.
        axes.set_xlim(low, high + 0.16 * (high - low))
        if end > last:
            _today_line(axes, tracks)
    return figure


def _draw_life(
    axes: Axes,
    tracks: PlateTracks,
    place: Mapping[str, int],
    one: Individual,
    course: FissionCourse | None,
    sure: Mapping[str, float],
) -> None:
    y = place[one.name]
    x = dates_of(tracks, [seen.day for seen in one.observations])
    axes.plot(x, [y] * len(x), color=LOOKS["calm"].line, linewidth=1.1, marker="o", markersize=2.6)
    if course is not None:
        _draw_fission(axes, tracks, y, one, course)
    for parent in one.parents:
        if parent in place:
            before = dates_of(tracks, [tracks.individual(parent).last.day])[0]
            if tracks.individual(parent).end != "divided":
                before = x[0]
            axes.plot([before, x[0]], [place[parent], y], color=INK, linewidth=1.0, linestyle=":")
    words = {"lost": "lost", "sold": "sold", "open": "open", "divided": "divided"}
    if one.end is None:
        return
    marker = {"lost": "x", "sold": "s", "open": "$?$", "divided": "D"}[one.end]
    axes.plot(
        x[-1],
        y,
        marker=marker,
        markersize=5.5,
        color=INK,
        mfc="none" if one.end == "sold" else INK,
        mew=1.2,
        zorder=5,
        clip_on=False,
    )
    said = words[one.end]
    if one.name in sure and one.end in ("divided", "lost"):
        said += f", {100 * sure[one.name]:.0f} % sure"
    axes.annotate(
        said,
        (x[-1], y),
        xytext=(5, 3 if one.end == "divided" else 0),
        textcoords="offset points",
        fontsize=6.5,
        va="bottom" if one.end == "divided" else "center",
        annotation_clip=False,
    )


def _draw_fission(
    axes: Axes, tracks: PlateTracks, y: int, one: Individual, course: FissionCourse
) -> None:
    shown = [step.by_day for step in course.reached if step.stage != "separated"]
    if shown:
        x = dates_of(tracks, [shown[0], one.last.day])
        for side in (-0.14, 0.14):
            axes.plot(x, [y + side] * 2, color=BLUE, linewidth=1.5, zorder=4)
    if not isnan(course.expected_day):
        low, middle, high = dates_of(tracks, [course.low_day, course.expected_day, course.high_day])
        axes.barh(y, high - low, left=low, height=0.42, color="none", edgecolor=BLUE, lw=1.0)
        axes.plot(middle, y, marker="D", color=BLUE, markersize=5)
