"""``polypvision export``: tables, outlines and pictures for other programs."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from polypvision.cli.common import LogbookOption, opened, progress_bar


class Form(StrEnum):
    """What a table or outline is written as."""

    CSV = "csv"
    PARQUET = "parquet"
    COCO = "coco"


def export(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder to write to; made if missing.")],
    plates: Annotated[
        list[str] | None,
        typer.Argument(metavar="PLATE", show_default="all plates", help="Codes or names."),
    ] = None,
    form: Annotated[
        list[Form] | None,
        typer.Option("--format", show_default="all three", help="May be given several times."),
    ] = None,
    pictures: Annotated[
        bool,
        typer.Option("--pictures", help="Also the photos, upright, without place or camera data."),
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Write what is recorded as CSV and Parquet tables, and outlines as COCO JSON.

    Tables: photos, polyps (one row per polyp and photo), observations (the same with the
    individual's name through time), events. Outlines are in pixels of the upright photo.
    """
    from polypvision.plates.export import export_plates
    from polypvision.plates.names import plate_name

    with opened(logbook) as book, progress_bar("Writing plates") as progress:
        written, missing = export_plates(
            book,
            [plate_name(plate) for plate in plates or ()],
            out,
            formats=[one.value for one in form or Form],
            pictures=pictures,
            progress=progress,
        )
    for path in written:
        typer.echo(str(path))
    for words in missing:
        typer.echo(words, err=True)
    if missing:
        raise typer.Exit(1)
