"""``polypvision report``: pages to look at."""

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from polypvision.cli.common import (
    LogbookOption,
    PlateJobsOption,
    day_option,
    opened,
    progress_bar,
    room_for,
)

if TYPE_CHECKING:
    from polypvision.store.logbook import Logbook


def report(
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for the pages; made if missing.")
    ] = None,
    pdf: Annotated[
        Path | None, typer.Option(metavar="OUT.pdf", help="Write the report to print, A4.")
    ] = None,
    plates: Annotated[
        list[str] | None, typer.Argument(metavar="PLATE", help="Codes or names.")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="All plates in the logbook.")] = False,
    on: Annotated[
        str | None,
        typer.Option(
            metavar="DATE",
            show_default="today",
            help="Day of the list of things to do, YYYY-MM-DD.",
        ),
    ] = None,
    jobs: PlateJobsOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Write a page per plate: latest photo with outlines, numbers, charts, film-strips; and today's
    list.

    The pages need no connection and can be sent on as they are. Each chart is also written as
    PNG and SVG. A PDF without plates named is of all.
    """
    from polypvision.plates.names import plate_name

    if plates and every:
        raise typer.BadParameter("name some plates, or say --all.", param_hint="PLATE...")
    if out is None and pdf is None:
        raise typer.BadParameter("say where to: --out DIR, --pdf OUT.pdf, or both.")
    if not plates and not every and pdf is None:
        raise typer.BadParameter("name some plates, or say --all.", param_hint="PLATE...")
    day = day_option(on)
    with opened(logbook) as book:
        names = [plate_name(plate) for plate in plates or ()] or None
        write_pages(book, names, out, pdf=pdf, on=day, jobs=jobs)


def write_pages(
    book: "Logbook",
    plates: Sequence[str] | None,
    out: Path | None,
    *,
    pdf: Path | None = None,
    on: date | None = None,
    jobs: int | None = None,
    to_stderr: bool = False,
) -> None:
    """Write the pages of plates and say which to open."""
    from polypvision.plates.report import write_reports

    with progress_bar("Looking at plates") as progress:
        first, remarks = write_reports(
            book,
            plates,
            out,
            on=on or day_option(None),
            pdf=pdf,
            jobs=room_for(jobs),
            progress=progress,
        )
    for words in remarks:
        typer.echo(words, err=True)
    if out is not None:
        typer.echo(f"Open in a browser: {first.resolve()}", err=to_stderr)
    if pdf is not None:
        typer.echo(f"To print: {pdf.resolve()}", err=to_stderr)
