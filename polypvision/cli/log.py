"""``polypvision log``: what a person writes down about a plate."""

import getpass
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from polypvision.cli.common import LogbookOption, date_option, opened
from polypvision.events import CutMethod, LogEntry, LogKind
from polypvision.words import counted

log_app = typer.Typer(
    no_args_is_help=True,
    help="Write down a cut, a loss, a sale, a division seen, who is who, or a note.",
)

_Plate = Annotated[str, typer.Argument(metavar="PLATE", help="Code or name of the plate.")]
_Date = Annotated[
    str | None,
    typer.Option(metavar="DATE", show_default="now", help="YYYY-MM-DD, or YYYY-MM-DDTHH:MM."),
]
_Individual = Annotated[
    list[str] | None,
    typer.Option(metavar="NAME", help="The polyp, as track names it: P07. May be said again."),
]
_Note = Annotated[str, typer.Option(help="Anything else.")]
_Count = Annotated[int | None, typer.Option("--pieces", min=1, help="How many polyps.")]


def _write(
    plate: str,
    kind: LogKind,
    date: str | None,
    logbook: str | None,
    *,
    individual: list[str] | None = None,
    pieces: int | None = None,
    method: CutMethod | None = None,
    donor: str = "",
    dip: str = "",
    note: str = "",
) -> None:
    from polypvision.plates.log import note as write_down
    from polypvision.plates.names import plate_name

    at = date_option(date) or datetime.now().astimezone().replace(microsecond=0)
    entry = LogEntry(
        plate=plate_name(plate),
        at=at,
        kind=kind,
        individual=" ".join(individual) if individual else None,
        pieces=pieces,
        method=method,
        donor=donor,
        dip=dip,
        note=note,
    )
    with opened(logbook, create=True) as book:
        write_down(book, entry)
    typer.echo(f"Wrote down: plate {entry.plate}, {at:%Y-%m-%d %H:%M}, {kind}.")


@log_app.command()
def cut(
    plate: _Plate,
    method: Annotated[
        Literal["halves", "quarters", "margin"] | None,
        typer.Option(
            help="halves or quarters, through the mouth; margin: small pieces off the foot."
        ),
    ] = None,
    pieces: Annotated[int | None, typer.Option(min=1, help="Pieces made.")] = None,
    donor: Annotated[str, typer.Option(help="Where the cut polyp came from.")] = "",
    dip: Annotated[str, typer.Option(help="Dip used, and for how long.")] = "",
    individual: _Individual = None,
    date: _Date = None,
    note: _Note = "",
    logbook: LogbookOption = None,
) -> None:
    """Write down a cut: wound closure is counted from the first photo after it.

    Take care: wear cut-resistant gloves and eye protection, blades are sharp when wet. The same
    tray may hold zoanthids, whose palytoxin is dangerous: never heat or scrub them. Unplug what
    runs on mains before hands go into salt water. Dose dips by their label. Your local rules
    come first.
    """
    _write(
        plate,
        "cut",
        date,
        logbook,
        individual=individual,
        pieces=pieces,
        method=method,
        donor=donor,
        dip=dip,
        note=note,
    )


@log_app.command()
def loss(
    plate: _Plate,
    pieces: _Count = None,
    individual: _Individual = None,
    date: _Date = None,
    note: _Note = "",
    logbook: LogbookOption = None,
) -> None:
    """Write down polyps that died or went missing."""
    _write(plate, "loss", date, logbook, individual=individual, pieces=pieces, note=note)


@log_app.command()
def sale(
    plate: _Plate,
    pieces: _Count = None,
    individual: _Individual = None,
    date: _Date = None,
    note: _Note = "",
    logbook: LogbookOption = None,
) -> None:
    """Write down polyps that left the plate for a buyer or another tank.

    Check with your authority which papers a sale needs.
    """
    _write(plate, "sale", date, logbook, individual=individual, pieces=pieces, note=note)


@log_app.command()
def division(
    plate: _Plate,
    individual: _Individual = None,
    date: _Date = None,
    note: _Note = "",
    logbook: LogbookOption = None,
) -> None:
    """Write down that a polyp was seen to divide by itself."""
    _write(plate, "division", date, logbook, individual=individual, note=note)


@log_app.command()
def note(
    plate: _Plate,
    text: Annotated[str, typer.Argument(help="What to remember.")],
    individual: _Individual = None,
    date: _Date = None,
    logbook: LogbookOption = None,
) -> None:
    """Write down anything else."""
    _write(plate, "note", date, logbook, individual=individual, note=text)


@log_app.command()
def same(
    plate: _Plate,
    pairs: Annotated[
        list[str],
        typer.Argument(
            metavar="NOW=BEFORE...",
            help="P17=P03: the polyp called P17 is the P03 of before. P03=P03: it stayed.",
        ),
    ],
    date: Annotated[
        str | None,
        typer.Option(
            metavar="DATE",
            show_default="the first photo of NOW",
            help="Of the first photo on which it is so: YYYY-MM-DD.",
        ),
    ] = None,
    author: Annotated[
        str | None, typer.Option(metavar="NAME", show_default="your login", help="Who says so.")
    ] = None,
    logbook: LogbookOption = None,
) -> None:
    """Say who is who, where pieces changed places or the photos leave it open.

    Give all that changed in one go: `same 41 P03=P07 P07=P03 --date 2031-03-18`. It is kept as a
    correction of that photo, so it can be undone there (`polypvision correct`).
    """
    from polypvision.plates.identities import say_who_is_who
    from polypvision.plates.names import plate_name

    when = None if date is None else date_option(date)
    told = {}
    for now, _, before in (one.rpartition("=") for one in pairs):
        told[now.strip()] = before.strip()
    if not all((*told, *told.values())):
        raise typer.BadParameter("write each as NOW=BEFORE, such as P17=P03.")
    name = plate_name(plate)
    with opened(logbook) as book:
        said = say_who_is_who(
            book, name, told, on=when and when.date(), author=author or getpass.getuser()
        )
    for words in said:
        typer.echo(words)


@log_app.command(name="import")
def import_table(
    table: Annotated[
        Path,
        typer.Argument(
            metavar="FILE.csv",
            help="Columns: plate, date, kind; and individual, pieces, method, donor, dip, note.",
        ),
    ],
    logbook: LogbookOption = None,
) -> None:
    """Take over lines from a CSV table; lines that are there already are left out."""
    from polypvision.plates.log import note_table

    with opened(logbook, create=True) as book:
        lines, new = note_table(book, table)
    typer.echo(f"{counted(lines, 'line')} in {table}, {new} of them new.")
