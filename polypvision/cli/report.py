"""``polypvision report``: pages to look at."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from polypvision.cli.common import LogbookOption, opened

if TYPE_CHECKING:
    from polypvision.store.logbook import Logbook


def report(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder to write to; made if missing.")],
    plates: Annotated[
        list[str] | None, typer.Argument(metavar="PLATE", help="Codes or names.")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="All plates in the logbook.")] = False,
    logbook: LogbookOption = None,
) -> None:
    """Write a page per plate: latest photo with outlines, numbers, growth and healing charts.

    The pages need no connection and can be sent on as they are. Each chart is also written as
    PNG and SVG.
    """
    from polypvision.plates.names import plate_name

    if bool(plates) == every:
        raise typer.BadParameter("name some plates, or say --all.", param_hint="PLATE...")
    with opened(logbook) as book:
        write_pages(book, [plate_name(plate) for plate in plates or ()] or None, out)


def write_pages(
    book: "Logbook", plates: Sequence[str] | None, out: Path, *, to_stderr: bool = False
) -> None:
    """Write the pages of plates and say which to open."""
    from polypvision.plates.report import write_reports

    first, remarks = write_reports(book, plates, out)
    for words in remarks:
        typer.echo(words, err=True)
    typer.echo(f"Open in a browser: {first.resolve()}", err=to_stderr)
