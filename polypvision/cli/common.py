"""What several commands share: options, tables, and where words go."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from polypvision.files.hashes import HashCache
    from polypvision.plates.read import Progress
    from polypvision.store.logbook import Logbook


def check_above_zero(value: float | None) -> float | None:
    """Option callback: a length or scale must be a number above 0."""
    if value is not None and not 0 < value < float("inf"):
        raise typer.BadParameter(f"{value} is not a number above 0.")
    return value


LogbookOption = Annotated[
    str | None,
    typer.Option(
        "--logbook",
        metavar="FILE",
        show_default="in your data folder",
        help="The logbook: an SQLite file, or postgresql://USER@HOST/DATABASE. "
        "Also: POLYPVISION_LOGBOOK.",
    ),
]
JobsOption = Annotated[
    int | None,
    typer.Option(
        metavar="N",
        min=1,
        show_default="as many as this computer has room for",
        help="Processes that read; 1 starts none.",
    ),
]
PlateJobsOption = Annotated[
    int | None,
    typer.Option(
        "--jobs",
        metavar="N",
        min=1,
        show_default="as many as this computer has room for",
        help="Processes that work out plates that have changed; 1 starts none.",
    ),
]
JsonOption = Annotated[
    Path | None,
    typer.Option("--json", metavar="OUT", help="Write the result as JSON; - is the terminal."),
]
ScaleOption = Annotated[
    float | None,
    typer.Option(metavar="X", callback=check_above_zero, help="Scale of photos that have no card."),
]
PlateOption = Annotated[
    str | None, typer.Option(metavar="NAME", help="The plate, where no card tells it.")
]
BarOption = Annotated[
    float | None,
    typer.Option(
        metavar="X",
        callback=check_above_zero,
        help="Length of the card's printed bar, measured with callipers.",
    ),
]
ProfilesOption = Annotated[
    Path | None,
    typer.Option(
        metavar="DIR",
        help="Lens profiles that polypvision lens wrote.",
        show_default="calibration, beside the logbook",
    ),
]
TrustDatesOption = Annotated[
    bool, typer.Option("--trust-dates", help="Record dates in the future, too.")
]
ChartsOption = Annotated[
    Path | None, typer.Option("--charts", metavar="DIR", help="Write charts (SVG) to DIR.")
]


def opened(place: str | None, *, create: bool = False) -> "Logbook":
    """Return the logbook, open."""
    from polypvision.store.logbook import open_logbook

    return open_logbook(place, create=create)


def room_for(jobs: int | None) -> int:
    """Return how many processes may work plates out: as many as asked for, or as have room."""
    from polypvision.batch.limits import most_jobs

    return most_jobs() if jobs is None else jobs


def date_option(text: str | None) -> datetime | None:
    """Return a date as typed; bad usage if it is none."""
    from polypvision.files.dates import parse_date

    if text is None:
        return None
    try:
        return parse_date(text)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--date") from error


def day_option(text: str | None) -> date:
    """Return a day as typed, today if none; bad usage if it is none."""
    if text is None:
        return datetime.now().astimezone().date()
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(
            f"{text!r} is no date. Write it as YYYY-MM-DD.", param_hint="--on"
        ) from error


@contextmanager
def hash_cache(book: "Logbook | None") -> Iterator["HashCache | None"]:
    """What is known of files that did not change; of no use where nothing is recorded."""
    if book is None:
        yield None
        return
    from polypvision.files.hashes import HashCache
    from polypvision.files.places import default_hashes

    with HashCache(default_hashes()) as cache:
        yield cache


def write_json(path: Path | None, value: Any) -> None:
    """Write a result as JSON where it was asked for."""
    from polypvision.files.outputs import json_text, write_text

    if path is None:
        return
    if is_terminal(path):
        typer.echo(json_text(value), nl=False)
    else:
        write_text(path, json_text(value))


@contextmanager
def json_list(path: Path | None) -> Iterator[Callable[[Any], None]]:
    """A list whose items are written as JSON where it was asked for, once all are there."""
    if path is None:
        yield lambda value: None
        return
    from polypvision.files.outputs import JsonList, writing_whole

    with closing(JsonList(None if is_terminal(path) else path)) as items:
        yield items.add
        if is_terminal(path):
            items.copy_to(typer.get_binary_stream("stdout"))
        else:
            with writing_whole(path) as file:
                items.copy_to(file)


def write_charts(folder: Path | None, charts: "Iterable[tuple[str, Figure]]") -> None:
    """Write charts as SVG into a folder, under their names, if one was asked for."""
    from polypvision.files.outputs import make_folder, write_bytes
    from polypvision.reports import svg

    if folder is None:
        return
    make_folder(folder)
    for name, figure in charts:
        write_bytes(folder / f"{name}.svg", svg(figure))
        typer.echo(f"Wrote {folder / name}.svg", err=True)


def is_terminal(path: Path | None) -> bool:
    """Whether JSON goes to standard output, so that nothing else may."""
    return path is not None and str(path) == "-"


def show_table(
    heads: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    numbers: Sequence[str] = (),
    words: Sequence[str] = (),
    to_stderr: bool = False,
) -> None:
    """Print a table; columns named in ``numbers`` stand to the right, only ``words`` may wrap."""
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for head in heads:
        justify: Any = "right" if head in numbers else "left"
        table.add_column(
            head,
            justify=justify,
            no_wrap=head not in words,
            overflow="fold",
            min_width=max(map(len, head.split()), default=0),
        )
    for row in rows:
        table.add_row(*map(Text, row))
    Console(stderr=to_stderr).print(table)


def number(value: float, digits: int = 1) -> str:
    """Return a number as text; a dash where it is unknown (NaN)."""
    return "-" if value != value else f"{value:.{digits}f}"


@contextmanager
def progress_bar(words: str) -> Iterator["Progress"]:
    """A bar on standard error while many photos are read; nothing where nobody looks."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    console = Console(stderr=True)
    columns = (
        TextColumn(words),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(elapsed_when_finished=True),
        TextColumn("{task.fields[name]}", markup=False),
    )
    # The estimate looks back five minutes: photos that are known pass in a moment.
    with Progress(
        *columns,
        console=console,
        transient=True,
        disable=not console.is_terminal,
        speed_estimate_period=300,
    ) as bar:
        task = bar.add_task("", total=None, name="")

        def show(done: int, total: int, name: str) -> None:
            bar.update(task, completed=done, total=total, name=Path(name).name)

        yield show
