"""``polypvision forget``: what should not have been recorded, and back again."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from polypvision.cli.common import LogbookOption, opened, show_table
from polypvision.words import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from polypvision.store.forgotten import Forgotten
    from polypvision.store.logbook import Logbook


def forget(
    photos: Annotated[
        list[str] | None,
        typer.Argument(metavar="PHOTO", help="Recorded photos, by file name or hash."),
    ] = None,
    plate: Annotated[
        list[str] | None,
        typer.Option(metavar="PLATE", help="A plate with all its photos and lines of its log."),
    ] = None,
    entry: Annotated[
        list[int] | None,
        typer.Option(
            metavar="N", help="A line of the log, by its number in: polypvision plates PLATE"
        ),
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Bring them back.")] = False,
    purge: Annotated[
        bool,
        typer.Option("--purge", help="Take away for good what was forgotten at least 30 days ago."),
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Forget photos, plates or lines of the log; without any, list what can be brought back.

    What is forgotten is left out everywhere, also when its folder is read again, and can be
    brought back for at least 30 days: nothing is taken away before --purge says so. Photo files
    are never touched.
    """
    named = bool(photos or plate or entry)
    if purge and (named or undo):
        raise typer.BadParameter("--purge stands alone: it takes what is old enough.")
    if undo and not named:
        raise typer.BadParameter("say what to bring back: a photo, --plate or --entry.")

    from polypvision.plates.forget import forget as forget_these
    from polypvision.plates.forget import forgotten_things, recall

    with opened(logbook) as book:
        if purge:
            _purge(book)
        elif named:
            work = recall if undo else forget_these
            work(book, photos=photos or (), plates=plate or (), entries=entry or ())
            typer.echo("Brought back." if undo else _FORGOTTEN)
        else:
            _show(forgotten_things(book))


_FORGOTTEN = (
    "Forgotten, for now: the same command with --undo brings it back, for 30 days at least."
)


def _purge(book: "Logbook") -> None:
    from polypvision.plates.forget import purge_forgotten

    gone = purge_forgotten(book)
    for one in gone:
        typer.echo(f"Taken away: {one.kind} {one.name}, {one.words}.")
    if not gone:
        typer.echo("Nothing was forgotten 30 days ago or earlier.")


def _show(found: "Sequence[Forgotten]") -> None:
    from polypvision.store.forgotten import KEPT

    if not found:
        typer.echo("Nothing is forgotten.")
        return
    now = datetime.now(UTC)
    show_table(
        ("kind", "name", "what", "forgotten", "kept for"),
        [
            (
                one.kind,
                one.name[:12] if one.kind == "photo" else one.name,
                one.words,
                f"{one.at:%Y-%m-%d}",
                counted(max(0, (KEPT - (now - one.at)).days), "day"),
            )
            for one in found
        ],
        words=("what",),
    )
