"""A backup brought back: checked first, put together aside, and moved into place at the end."""

import contextlib
import sqlite3
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath, PureWindowsPath

from polypvision.errors import BackupError
from polypvision.files.copies import copy_file, drop_stale_parts, file_hash
from polypvision.files.outputs import make_folder, output_error, put_in_place, sync_folder
from polypvision.files.photos import shown_path
from polypvision.files.places import default_profiles
from polypvision.plates.backup import backups_in
from polypvision.plates.manifest import (
    LOGBOOK,
    PROFILES,
    KeptFile,
    Manifest,
    damage,
    placed_files,
    read_manifest,
)
from polypvision.plates.read import Progress
from polypvision.store.backup import copy_rows, is_empty
from polypvision.store.copies import copy_sqlite
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import add_name, photo_places
from polypvision.store.server import is_address

_MAGIC = b"SQLite format 3\0"
"""How every SQLite file begins (https://www.sqlite.org/fileformat.html, 1.3, from memory)."""


@dataclass(frozen=True, kw_only=True)
class Restored:
    """What was brought back.

    Attributes
    ----------
    backup : Path
    manifest : Manifest
    logbook : str
        Where it lies now, without a password.
    aside : Path or None
        Where the logbook lies that was there before.
    n_photos : int
        Photos that lie in the folder given for them.
    n_profiles : int
    """

    backup: Path
    manifest: Manifest
    logbook: str
    aside: Path | None
    n_photos: int
    n_profiles: int


def restore(
    folder: Path,
    logbook: Path | str,
    *,
    photos: Path | None = None,
    replace: bool = False,
    profiles: Path | None = None,
    progress: Progress | None = None,
) -> Restored:
    """Bring a backup back. Nothing that is there is overwritten.

    Parameters
    ----------
    folder : Path
        A backup, or a folder of backups, of which the latest is taken.
    logbook : Path or str
        Where the logbook is to lie: a file, or the address of an empty database.
    photos : Path, optional
        Folder for the photos; made if missing. A file of the same name stays as it is.
    replace : bool
        Where there is a file already, it is renamed and the one of the backup takes its place.
    profiles : Path or None
        Folder for lens profiles; None takes the usual one. Those that are there stay.
    progress : callable, optional

    Raises
    ------
    BackupError
        If there is no backup, or any of its files is not as it was written, or a logbook is there.
    OutputError, LogbookError
    """
    backup = _latest(folder)
    manifest = read_manifest(backup)
    _check(backup, manifest, photos=photos is not None)
    if photos is not None and not manifest.with_photos:
        raise BackupError(
            f"The backup {backup} was made without photos. Leave --photos out, or take a backup "
            "that was made with them."
        )
    on_server = is_address(str(logbook))
    if on_server:
        shown = _check_database(str(logbook))
    else:
        shown = str(logbook)
        _check_place(Path(logbook), replace=replace)
    placed = _place_photos(backup, manifest, photos, progress) if photos is not None else {}
    n_profiles = _place_profiles(backup, manifest, profiles)
    with tempfile.TemporaryDirectory(
        prefix=".polypvision-", suffix=".part", dir=None if on_server else Path(logbook).parent
    ) as part:
        ready = Path(part) / LOGBOOK
        _ready_logbook(backup, ready, manifest, placed)
        if on_server:
            _to_server(ready, str(logbook))
            aside = None
        else:
            aside = _put_logbook(ready, Path(logbook))
    return Restored(
        backup=backup,
        manifest=manifest,
        logbook=shown,
        aside=aside,
        n_photos=len(placed),
        n_profiles=n_profiles,
    )


def _latest(folder: Path) -> Path:
    found = backups_in(folder)
    if not found:
        raise BackupError(
            f"There is no backup in {folder}. Give the folder that was given to: polypvision backup"
        )
    return found[-1]


def _check(backup: Path, manifest: Manifest, *, photos: bool) -> None:
    for file, path in placed_files(backup, manifest):
        if file in manifest.photos and not photos:
            continue
        wrong = damage(file, path)
        if wrong:
            raise BackupError(
                f"The backup {backup} is damaged: {path}: {wrong}. Nothing was changed. Take "
                "another backup; what is wrong with this one is told by: polypvision verify "
                f"--backup {backup}"
            )


def _check_place(place: Path, *, replace: bool) -> None:
    if place.is_dir():
        raise BackupError(f"{place} is a folder. Give the name of a file in it.")
    if place.exists() and not replace:
        raise BackupError(
            f"There is a logbook at {place} already. Give another place with --logbook, or say "
            "--replace: then it is renamed, and kept."
        )
    make_folder(place.parent)
    drop_stale_parts(place.parent)


def _place_photos(
    backup: Path, manifest: Manifest, folder: Path, progress: Progress | None
) -> dict[str, Path]:
    """Copy the photos, each under its own name, and return where each lies, by its hash."""
    names = _names(manifest.photos)
    placed = {}
    for done, file in enumerate(manifest.photos):
        if progress:
            progress(done, len(manifest.photos), names[file.sha256].name)
        placed[file.sha256] = _place_photo(
            backup.parent / file.path, file, folder / names[file.sha256]
        )
    if progress:
        progress(len(manifest.photos), len(manifest.photos), "")
    return placed


def _place_photo(source: Path, file: KeptFile, path: Path) -> Path:
    make_folder(path.parent)
    # Where another photo has that name, its own hash tells it apart.
    for place in (path, path.with_name(f"{path.stem}-{file.sha256[:12]}{path.suffix}")):
        with contextlib.suppress(OSError):
            if file_hash(place) == file.sha256:
                return place
        if not place.exists():
            try:
                copy_file(source, place, file.sha256)
            except (OSError, ValueError) as error:
                raise BackupError(
                    f"The photo {source} of the backup cannot be read ({error}). The logbook was "
                    "left as it was. Try again, or without --photos."
                ) from error
            return place
    raise BackupError(f"{path} is in the way. Give an empty folder with --photos.")


def _names(photos: Sequence[KeptFile]) -> dict[str, Path]:
    """Name photos as they were last, below the folder that all were in."""
    parts = {file.sha256: _parts(file.names[-1]) for file in photos}
    shared = 0
    if len(parts) > 1:
        for level in zip(*(one[:-1] for one in parts.values()), strict=False):
            if len(set(level)) > 1:
                break
            shared += 1
    else:
        shared = max((len(one) - 1 for one in parts.values()), default=0)
    return {sha256: Path(*one[shared:]) for sha256, one in parts.items()}


def _parts(name: str) -> tuple[str, ...]:
    """The parts of a path of any system, without drive and root, and none that leads upwards."""
    windows = "\\" in name and "/" not in name
    path = PureWindowsPath(name) if windows else PurePosixPath(name)
    kept = [one for one in path.parts if one not in (path.anchor, "..", ".")]
    return tuple(one.lstrip(".") or "_" for one in kept) or ("photo",)


def _place_profiles(backup: Path, manifest: Manifest, folder: Path | None) -> int:
    to, placed = folder or default_profiles(), 0
    for file in manifest.files:
        name = PurePosixPath(file.path)
        if name.parent.name == PROFILES and not (to / name.name).exists():
            make_folder(to)
            copy_file(backup / file.path, to / name.name, file.sha256)
            placed += 1
    return placed


def _ready_logbook(backup: Path, ready: Path, manifest: Manifest, placed: dict[str, Path]) -> None:
    """Put the logbook together aside: of this version, and with the photos' new places."""
    (kept,) = (file for file in manifest.files if file.path == LOGBOOK)
    copy_file(backup / LOGBOOK, ready, kept.sha256)
    with open_logbook(ready) as book, book.writing() as connection:
        known = {photo.sha256 for photo in photo_places(connection)}
        for sha256, path in placed.items():
            if sha256 in known:  # One may have been recorded while the backup was made.
                add_name(connection, sha256, shown_path(path.resolve()))


def _put_logbook(ready: Path, place: Path) -> Path | None:
    """Give the logbook its place; one that is there keeps lying under another name."""
    whole = ready.with_name("whole.sqlite")
    with open_logbook(ready) as book, book.reading() as connection:
        copy_sqlite(connection, whole)
    try:
        aside = _set_aside(place)
        put_in_place(whole, place)
    except OSError as error:
        raise output_error(place, error) from error
    return aside


def _set_aside(place: Path) -> Path | None:
    """Give the logbook that is there a second name, so that its first is never without one."""
    beside = [place.with_name(place.name + end) for end in ("-wal", "-shm")]
    if place.exists():
        _settle(place)
    elif not any(one.exists() for one in beside):
        return None
    aside = _free_name(place)
    for one in beside:
        # Left there, the old log would be taken for that of the logbook that comes.
        if one.exists():
            put_in_place(one, aside.with_name(aside.name + one.name[len(place.name) :]))
    if place.exists():
        try:
            aside.hardlink_to(place)
            sync_folder(aside.parent)
        except OSError:  # Not every file system gives a file two names.
            put_in_place(place, aside)
    return aside


def _free_name(place: Path) -> Path:
    stamp = f"{datetime.now(UTC):%Y%m%dT%H%M%S}"
    for number in range(1, 1000):
        end = "" if number == 1 else f"-{number}"
        aside = place.with_name(f"{place.stem}-replaced-{stamp}{end}{place.suffix}")
        if not aside.exists():
            return aside
    raise BackupError(f"{place.parent} is full of replaced logbooks. Move some of them away.")


def _settle(place: Path) -> None:
    """Bring what lies in the log beside a logbook into its file; refuse if anybody uses it."""
    with place.open("rb") as file:
        if file.read(len(_MAGIC)) != _MAGIC:
            return  # Damaged. The database would throw away the log beside it.
    try:
        with contextlib.closing(sqlite3.connect(place, timeout=1.0)) as old:
            # Leaving the write-ahead log needs the logbook for itself alone.
            old.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.DatabaseError as error:
        if "locked" in str(error):
            raise BackupError(
                f"The logbook {place} is in use. Stop polypvision serve and whatever else uses "
                "it, then run the command again."
            ) from error
        # Damaged: perhaps the very reason for going back to a backup. It is kept as it is.


def _check_database(address: str) -> str:
    """Return a database as it may be shown, where it can be reached and holds nothing yet."""
    with open_logbook(address, create=True) as target:
        _check_empty(target)
        return target.place


def _check_empty(target: Logbook) -> None:
    if not target.look(is_empty):
        raise BackupError(
            f"The logbook {target.place} has records already, and a database is not replaced. Give "
            "an empty one; it is made there with: createdb NAME"
        )


def _to_server(ready: Path, address: str) -> None:
    with open_logbook(ready) as source, open_logbook(address, create=True) as target:
        _check_empty(target)
        copy_rows(source, target)
