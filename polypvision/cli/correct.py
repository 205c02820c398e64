"""``polypvision correct``: a person puts readings right."""

import getpass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from polypvision.cli.common import LogbookOption, opened
from polypvision.words import counted

if TYPE_CHECKING:
    from polypvision.store.logbook import Logbook


def correct(
    corrections: Annotated[
        Path | None,
        typer.Argument(metavar="FILE.json", help="A list of corrections, as told below."),
    ] = None,
    author: Annotated[
        str | None, typer.Option(metavar="NAME", show_default="your login", help="Who says so.")
    ] = None,
    seen: Annotated[
        str | None,
        typer.Option(metavar="VERSION", help="As --list told it: labels mean the photo as then."),
    ] = None,
    listed: Annotated[
        str | None,
        typer.Option("--list", metavar="PHOTO", help="Show the corrections of a photo instead."),
    ] = None,
    logbook: LogbookOption = None,
) -> None:
    """Put readings right: polyps, mouths, wounds, and who is who.

    What the machine read is kept beside it, and reading a photo again keeps the corrections. All
    of a file are recorded or, if one cannot be made, none. Places are pixels of the upright photo,
    x and y. A polyp is named by "label", or by a place on it, "at": [x, y].

    \b
    [{"photo": "a.jpg", "kind": "add", "outline_px": [[x, y], ...]},
     {"photo": "a.jpg", "kind": "add", "centre_px": [x, y], "diameter_mm": 18},
     {"photo": "a.jpg", "kind": "delete", "label": 3},
     {"photo": "a.jpg", "kind": "reshape", "label": 3, "outline_px": [...]},
     {"photo": "a.jpg", "kind": "split", "label": 3, "line_px": [[x, y], ...]},
     {"photo": "a.jpg", "kind": "merge", "labels": [3, 4]},
     {"photo": "a.jpg", "kind": "add-mouth", "place_px": [x, y]},
     {"photo": "a.jpg", "kind": "move-mouth", "from_px": [x, y], "to_px": [x, y]},
     {"photo": "a.jpg", "kind": "delete-mouth", "place_px": [x, y]},
     {"photo": "a.jpg", "kind": "paint-wound", "label": 3, "outline_px": [...]},
     {"photo": "a.jpg", "kind": "erase-wound", "label": 3,
      "stroke_px": [[x, y], ...], "radius_px": 6},
     {"photo": "a.jpg", "kind": "name", "label": 3, "name": "Rust 7"},
     {"photo": "b.jpg", "kind": "join", "label": 3, "as": "same",
      "with": {"photo": "a.jpg", "label": 4}},
     {"photo": "b.jpg", "kind": "part", "label": 3, "as": "same"},
     {"photo": "b.jpg", "kind": "undo"}, {"photo": "b.jpg", "kind": "redo"},
     {"photo": "b.jpg", "kind": "withdraw", "id": "as --list shows it"}]

    join, part: "as" is "same" (the same individual) or "daughter" (it came from it).
    """
    if (corrections is None) == (listed is None):
        raise typer.BadParameter("give a file of corrections, or --list PHOTO.")
    with opened(logbook) as book:
        if listed is not None:
            _list(book, listed)
        elif corrections is not None:
            _record(book, corrections, author, seen)


def _list(book: "Logbook", photo: str) -> None:
    from polypvision.plates.correct import photo_as_it_holds, standing_words

    found = photo_as_it_holds(book, photo)
    for standing in found.corrected.standings:
        typer.echo(standing_words(standing))
    labels = " ".join(str(polyp.label) for polyp in found.reading.polyps) or "none"
    typer.echo(
        f"{found.reading.facts.photo}: {counted(found.corrected.machine.n_polyps, 'polyp')} "
        f"as read, {found.reading.n_polyps} as corrected (labels {labels}); "
        f"version {found.version}."
    )


def _record(book: "Logbook", path: Path, author: str | None, seen: str | None) -> None:
    from polypvision.errors import CorrectionError
    from polypvision.files.tables import read_json
    from polypvision.plates.correct import correct_photos, standing_words

    wishes = read_json(path, "Write a list of corrections; see: polypvision correct --help")
    if not isinstance(wishes, list):
        raise CorrectionError(f"{path} is not a list of corrections. Put them between [ and ].")
    done = correct_photos(book, wishes, author=author or getpass.getuser(), seen=seen)
    for photo in done.photos:
        reading = photo.reading
        typer.echo(
            f"{reading.facts.photo}: {counted(reading.n_polyps, 'polyp')}, "
            f"{counted(reading.n_mouths, 'mouth')}, wound "
            f"{sum(polyp.wound_mm2 for polyp in reading.polyps):.1f} mm2; version {photo.version}."
        )
        for standing in photo.corrected.open:
            typer.echo(f"Open: {standing_words(standing)}", err=True)
    for other in done.others:
        typer.echo(
            f"Look again: {other.author} corrected this photo, too, since you looked. Both are "
            "kept.",
            err=True,
        )
    typer.echo(f"{len(done.ids)} corrections recorded.")
