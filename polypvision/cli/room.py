"""``polypvision outcomes``, ``plan`` and ``today``: all plates together."""

import getpass
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from polypvision.cli.common import (
    JsonOption,
    LogbookOption,
    PlateJobsOption,
    check_above_zero,
    day_option,
    is_terminal,
    opened,
    progress_bar,
    room_for,
    show_table,
    write_json,
)

if TYPE_CHECKING:
    from polypvision.outcomes import Group
    from polypvision.plan import StockForecast
    from polypvision.today import Task

_Size = Annotated[
    float,
    typer.Option(
        metavar="MM",
        callback=check_above_zero,
        help="Diameter from which on a piece is large enough.",
    ),
]
_READY_MM = 20.0


def outcomes(
    by: Annotated[
        Literal["method", "line", "donor", "dip"],
        typer.Option(help="What to compare: ways of cutting, lines, donors, or dips."),
    ] = "method",
    jobs: PlateJobsOption = None,
    json: JsonOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Compare ways of cutting, lines, donors or dips: who lived, healed, grew, and how many came.

    Needs cuts in the log; with several cuts on one day, each must name its polyps.
    """
    from polypvision.plates.room import compare_room, look_over

    with opened(logbook) as book, progress_bar("Looking at plates") as progress:
        found = compare_room(look_over(book, jobs=room_for(jobs), progress=progress), by)
    write_json(
        json,
        {
            "by": by,
            "days": found.comparison.horizon_days,
            "groups": [_group_record(one) for one in found.comparison.groups],
            "sentences": list(found.sentences),
            "remarks": list(found.remarks),
            "donors": [vars(one) | {"methods": list(one.methods)} for one in found.yields],
        },
    )
    if is_terminal(json):
        return
    for words in found.sentences:
        typer.echo(words)
    if found.yields:
        show_table(
            ("donor", "cut into", *_YIELD_NUMBERS),
            [
                (
                    one.donor,
                    " ".join(one.methods) or "-",
                    "-" if one.made is None else str(one.made),
                    *(str(n) for n in (one.followed, one.there, one.sold, one.lost, one.ready)),
                )
                for one in found.yields
            ],
            numbers=_YIELD_NUMBERS,
            words=("donor",),
        )
    for words in found.remarks:
        typer.echo(words, err=True)


_YIELD_NUMBERS = ("made", "on\nphotos", "there", "sold", "lost", "sealed\n+ mouth")


def _group_record(group: "Group") -> dict[str, Any]:
    def days(curve: Any) -> list[float] | None:
        median = curve.median()
        return None if median is None else [round(median.low, 1), round(median.high, 1)]

    growth = group.growth_percent_per_week
    return {
        "name": group.name,
        "pieces": group.n,
        "donors": group.n_donors,
        "known": group.n_known,
        "lived": group.n_lived,
        "lived_share": [round(group.lived_low, 4), round(group.lived_high, 4)],
        "half_sealed_days": days(group.sealed),
        "half_with_mouth_days": days(group.mouth),
        "growth_percent_per_week": None if growth != growth else round(growth, 3),
        "there": group.there,
        "sold": group.sold,
        "lost": group.lost,
    }


def plan(
    size_mm: _Size = _READY_MM,
    weeks: Annotated[int, typer.Option(min=1, max=52, help="How many weeks ahead.")] = 8,
    jobs: PlateJobsOption = None,
    json: JsonOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Foretell how many pieces will be ready by each coming week, of every plate and line.

    Ready: wound closed, mouth formed, large enough, and alive. Losses are counted in; sales and
    pieces still to be cut are not.
    """
    from polypvision.plates.room import forecast_record, foretell_room

    with opened(logbook) as book, progress_bar("Foretelling") as progress:
        forecast, _ = foretell_room(
            book, size_mm=size_mm, weeks=weeks, jobs=room_for(jobs), progress=progress
        )
    write_json(json, forecast_record(forecast))
    if is_terminal(json):
        return
    if not forecast.whole.weeks:
        typer.echo("No photo is recorded yet, so nothing can be foretold.")
        return
    # Few enough for a terminal; --json has them all.
    last = len(forecast.whole.weeks) - 1
    chosen = sorted({*range(0, last, max(1, -(-last // (_MOST_WEEKS - 1)))), last})
    heads = tuple(f"{forecast.whole.weeks[n].on:%d %b}" for n in chosen)
    plates = forecast.plates if len(forecast.plates) <= _MOST_PLATES else ()
    everything = (*plates, *forecast.lines, forecast.whole)
    show_table(
        ("plate or line", "alive", "ready\nnow", *heads),
        [_stock_row(one, chosen) for one in everything],
        numbers=("alive", "ready\nnow", *heads),
        words=("plate or line",),
    )
    if len(plates) < len(forecast.plates):
        typer.echo(
            f"The {len(forecast.plates):,} plates are not listed one by one; --json FILE has them.",
            err=True,
        )
    record = forecast.record
    lost = record.raw_losses + record.whole_losses
    typer.echo(
        f"Pieces ready: sealed, with a mouth, {size_mm:g} mm or more; 95 % intervals. Reckons with "
        f"the {lost:.0f} lost so far in {record.raw_days + record.whole_days:.0f} polyp-days; "
        "sales and new cuts are not counted."
    )


_MOST_WEEKS = 6
_MOST_PLATES = 200
"""Plates that are listed one by one."""


def _stock_row(stock: "StockForecast", chosen: Sequence[int]) -> tuple[str, ...]:
    weeks = [stock.weeks[n] for n in chosen]
    cells = (f"{one.low}" if one.low == one.high else f"{one.low}-{one.high}" for one in weeks)
    return (stock.name, str(stock.n_pieces), str(stock.n_ready), *cells)


def today(
    on: Annotated[
        str | None,
        typer.Option(metavar="DATE", show_default="today", help="YYYY-MM-DD."),
    ] = None,
    size_mm: _Size = _READY_MM,
    photo_days: Annotated[
        str,
        typer.Option(metavar="DAYS", help="Days after a cut on which a photo is due."),
    ] = "0,3,7,14,21,28,42,56",
    every_days: Annotated[
        int, typer.Option(min=1, help="A photo is due so long after the last in any case.")
    ] = 28,
    done: Annotated[
        str | None, typer.Option(metavar="KEY", help="Tick a task off, named by its key.")
    ] = None,
    undo: Annotated[
        str | None, typer.Option(metavar="KEY", help="Put a task that was ticked off back.")
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="List everything, not only the most urgent.")
    ] = False,
    author: Annotated[
        str | None, typer.Option(metavar="NAME", show_default="your login", help="Who says so.")
    ] = None,
    jobs: PlateJobsOption = None,
    json: JsonOption = None,
    logbook: LogbookOption = None,
) -> None:
    """List what to do today, the most urgent first, with the reason and what it rests on.

    A task that was ticked off comes back when there is new evidence for it.
    """
    from polypvision.plates.done import split_done, tick_off
    from polypvision.plates.dues import today as tasks_of
    from polypvision.plates.room import task_record
    from polypvision.reports.remarks import later_words
    from polypvision.today import MOST_LISTED, TodaySettings

    day = day_option(on)
    try:
        days = tuple(int(word) for word in photo_days.replace(",", " ").split())
        settings = TodaySettings(photo_days=days, every_days=every_days)
    except ValueError as error:
        raise typer.BadParameter(
            f"{photo_days!r} are not days from 0 on, in order, such as 0,3,7,14.",
            param_hint="--photo-days",
        ) from error
    with opened(logbook) as book:
        with progress_bar("Looking at plates") as progress:
            tasks, later = tasks_of(
                book,
                day,
                size_mm=size_mm,
                settings=settings,
                jobs=room_for(jobs),
                progress=progress,
            )
        for key, is_done in ((done, True), (undo, False)):
            if key is not None:
                tick_off(book, tasks, key, author=author or getpass.getuser(), done=is_done)
        due, ticked = split_done(book, tasks)
    write_json(
        json,
        {
            "on": day.isoformat(),
            "tasks": task_record(due),
            "done": [
                {**record, "by": one.author, "at": one.at.isoformat()}
                for one, record in zip(
                    ticked, task_record([one.task for one in ticked]), strict=True
                )
            ],
        },
    )
    if later:
        typer.echo(
            later_words(later, day),
            err=True,
        )
    if is_terminal(json):
        return
    if not due:
        typer.echo(f"Nothing needs you on {day}.")
    most = None if everything else MOST_LISTED
    for n, task in enumerate(due[:most], 1):
        _show(n, task)
    for one in ticked[:most]:
        who = f"{one.author}, {one.at.astimezone():%Y-%m-%d %H:%M}"
        typer.echo(f"Done: {_place(one.task)}{one.task.what} ({who}; key {_key(one.task)})")
    for left_out, what in ((due[most:], "less urgent"), (ticked[most:], "ticked off")):
        if most is not None and left_out:
            typer.echo(
                f"{len(left_out):,} more, {what}, are left out; --all lists them, --json FILE has "
                "them.",
                err=True,
            )


def _place(task: "Task") -> str:
    return f"Plate {task.plate}: " if task.plate else ""


def _key(task: "Task") -> str:
    from polypvision.plates.done import KEY_SHOWN

    return task.key[:KEY_SHOWN]


def _show(n: int, task: "Task") -> None:
    typer.echo(f"{n:2d}. {_place(task)}{task.what}")
    typer.echo(f"    {task.why}")
    typer.echo(f"    {task.evidence}. (key {_key(task)})")
