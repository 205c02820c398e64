"""``polypvision backup``, ``restore`` and ``verify``: nothing lost."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from polypvision.cli.common import LogbookOption, opened, progress_bar
from polypvision.words import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from polypvision.plates.verify import Trouble


def backup(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER",
            help="Folder of backups, best on another disk; made if missing. Each backup gets a "
            "folder of its own in it.",
        ),
    ],
    photos: Annotated[
        bool,
        typer.Option(
            "--photos",
            help="The photos, too: each once for all backups in the folder, so only new ones take "
            "time.",
        ),
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Make a backup of the logbook and lens profiles, and with --photos of the photos.

    It may be made while polypvision is in use. Keep one where the computer is not.
    """
    from polypvision.plates.backup import make_backup

    was_there = folder.exists()
    with opened(logbook) as book, progress_bar("Copying photos") as progress:
        made = make_backup(book, folder, photos=photos, progress=progress)
    typer.echo(f"Backup: {made.folder}")
    if not was_there:
        typer.echo(
            f"The folder {folder} was not there and was made. If it should be on a stick, check "
            "that the stick is plugged in.",
            err=True,
        )
    manifest = made.manifest
    if not photos:
        typer.echo("The photos are not in it; add --photos to keep them, too.")
        return
    typer.echo(f"With it: {counted(len(manifest.photos), 'photo')}.")
    for name in manifest.missing:
        typer.echo(f"Not found, so not kept: {name}", err=True)
    if manifest.missing:
        typer.echo("If their folder was moved: polypvision verify --find FOLDER", err=True)
        raise typer.Exit(1)


def restore(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="BACKUP", help="A backup, or a folder of backups: then the latest in it."
        ),
    ],
    photos: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Bring the photos back, too, into this folder."),
    ] = None,
    replace: Annotated[
        bool,
        typer.Option(
            "--replace", help="Take the place of a logbook that is there; it is renamed and kept."
        ),
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Bring a backup back, on this computer or another one.

    All of it is checked before anything is written. Nothing that is there is overwritten.
    """
    from polypvision.plates.restore import restore as bring_back
    from polypvision.store.logbook import default_place

    with progress_bar("Copying photos") as progress:
        done = bring_back(
            folder,
            logbook or default_place(),
            photos=photos,
            replace=replace,
            progress=progress,
        )
    made = f"{done.manifest.made_at.astimezone():%Y-%m-%d %H:%M}"
    typer.echo(f"Brought back the backup of {made}: {done.backup}")
    typer.echo(f"Logbook: {done.logbook}")
    if done.aside:
        typer.echo(f"The logbook that was there is now: {done.aside}")
    if done.n_profiles:
        typer.echo(f"{counted(done.n_profiles, 'lens profile')}.")
    if photos:
        typer.echo(f"{counted(done.n_photos, 'photo')} in {photos}.")
    elif done.manifest.photos:
        typer.echo("Its photos were left where they are; --photos FOLDER brings them back, too.")
    typer.echo("Check it with: polypvision verify")


def verify(
    find: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FOLDER",
            help="Look here for photos that are not where they were, by their bytes; may be given "
            "several times.",
        ),
    ] = None,
    read_again: Annotated[
        int,
        typer.Option(
            metavar="N", min=0, help="Read so many photos once more; they must say the same."
        ),
    ] = 0,
    of_backup: Annotated[
        Path | None,
        typer.Option("--backup", metavar="BACKUP", help="Check a backup instead of the logbook."),
    ] = None,
    logbook: LogbookOption = None,
) -> None:
    """Check that nothing is lost: logbook, photos, corrections, and the numbers that rest on them.

    Exit status: 0 all is well; 1 something is missing or wrong (with what to do); 2 bad usage.
    """
    if of_backup is not None:
        if find or read_again:
            raise typer.BadParameter("--backup stands alone: it checks what lies in the backup.")
        _verify_backup(of_backup)
        return
    from polypvision.plates.verify import verify as verify_logbook

    with opened(logbook) as book, progress_bar("Checking") as progress:
        found = verify_logbook(book, find_in=find or (), read_again=read_again, progress=progress)
    for path in found.found:
        typer.echo(f"Found again: {path}")
    _tell(found.troubles)
    again = f", {found.n_read_again} read once more" if found.n_read_again else ""
    typer.echo(
        f"All is well: {counted(found.n_plates, 'plate')}, {counted(found.n_photos, 'photo')} in "
        f"place{again}, {counted(found.n_corrections, 'correction')}."
    )


def _verify_backup(folder: Path) -> None:
    from polypvision.errors import BackupError
    from polypvision.plates.backup import backups_in
    from polypvision.plates.verify import verify_backup

    found = backups_in(folder)
    if not found:
        raise BackupError(f"There is no backup in {folder}.")
    troubles: list[Trouble] = []
    for one in found:
        # Photos are shared by all backups of a folder.
        count, wrong = verify_backup(one)
        troubles += wrong
        typer.echo(f"{one}: {count} files, {len(wrong) or 'nothing'} wrong.")
    _tell(troubles)


def _tell(troubles: "Sequence[Trouble]") -> None:
    for remedy in dict.fromkeys(one.remedy for one in troubles):
        for one in troubles:
            if one.remedy == remedy:
                typer.echo(one.what, err=True)
        typer.echo(f"  {remedy}", err=True)
    if troubles:
        raise typer.Exit(1)
