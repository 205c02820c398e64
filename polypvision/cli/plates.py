"""``polypvision plates``: what is recorded, and what is said of each plate."""

from typing import Annotated

import typer

from polypvision.cli.common import LogbookOption, check_above_zero, opened, show_table
from polypvision.words import counted


def plates(
    plate: Annotated[
        str | None, typer.Argument(metavar="PLATE", help="Show or change this one.")
    ] = None,
    line: Annotated[
        str | None, typer.Option(help="The line or kind of polyp that grows on it.")
    ] = None,
    normal_mouths: Annotated[
        int | None,
        typer.Option(
            min=1,
            help="Mouths a polyp of this line has when it is not dividing. Several kinds of "
            "Ricordea and Rhodactis normally carry more than one.",
        ),
    ] = None,
    bar_mm: Annotated[
        float | None,
        typer.Option(
            metavar="X",
            callback=check_above_zero,
            help="True length of the card's printed bar, measured with callipers.",
        ),
    ] = None,
    disc_height_mm: Annotated[
        float | None,
        typer.Option(metavar="X", help="How far its discs usually stand above the card."),
    ] = None,
    water_depth_mm: Annotated[
        float | None,
        typer.Option(
            metavar="X", min=0, help="How deep its discs usually are under water; 0 is in air."
        ),
    ] = None,
    note: Annotated[str | None, typer.Option(help="Anything else.")] = None,
    logbook: LogbookOption = None,
) -> None:
    """List the plates in the logbook, or show or change what is said of one."""
    from polypvision.plates.log import list_plates, numbered_log_of, one_plate, say_of_plate
    from polypvision.plates.names import plate_name

    said = (line, normal_mouths, bar_mm, note, disc_height_mm, water_depth_mm)
    changing = any(value is not None for value in said)
    if plate is None and changing:
        raise typer.BadParameter("say which plate: polypvision plates PLATE --line ...")
    with opened(logbook, create=changing) as book:
        name = None if plate is None else plate_name(plate)
        if name is not None and changing:
            _, due = say_of_plate(
                book,
                name,
                line=line,
                normal_mouths=normal_mouths,
                bar_mm=bar_mm,
                note=note,
                disc_height_mm=disc_height_mm,
                water_depth_mm=water_depth_mm,
            )
            if due:
                typer.echo(
                    f"{counted(due, 'photo was', 'photos were')} read before this was said. "
                    "Read their folder again with --record to bring them up to date."
                )
        entries = [] if name is None else numbered_log_of(book, name)
        found = list_plates(book) if name is None else [one_plate(book, name)]
    if not found:
        typer.echo("No plate is recorded yet. Record photos with: polypvision read --record PHOTO")
        return
    show_table(
        (
            "plate",
            "line",
            "mouths",
            "bar mm",
            "height",
            "water",
            "photos",
            "first",
            "last",
            "log",
            "note",
        ),
        [
            (
                one.facts.plate,
                one.facts.line or "-",
                str(one.facts.normal_mouths),
                _length(one.facts.bar_mm),
                _length(one.facts.disc_height_mm),
                _length(one.facts.water_depth_mm),
                str(one.n_photos),
                (one.first or "-")[:10],
                (one.last or "-")[:10],
                str(one.n_entries),
                one.facts.note,
            )
            for one in found
        ],
        numbers=("mouths", "bar mm", "height", "water", "photos", "log"),
        words=("plate", "line", "note"),
    )
    if entries:
        show_table(
            ("no.", "date", "kind", "polyp", "pieces", "method", "donor", "dip", "note"),
            [
                (
                    str(number),
                    f"{entry.at:%Y-%m-%d}",
                    entry.kind,
                    entry.individual or "",
                    "" if entry.pieces is None else str(entry.pieces),
                    entry.method or "",
                    entry.donor,
                    entry.dip,
                    entry.note,
                )
                for number, entry in entries
            ],
            numbers=("no.", "pieces"),
            words=("donor", "dip", "note"),
        )


def _length(value: float | None) -> str:
    return "-" if value is None else f"{value:g}"
