"""A backup: the logbook as it is now, lens profiles, and if wanted the photos; made while in use.

A folder of backups holds one folder for each, and the photos once for all of them::

    backups/
      polypvision-2031-03-04T101500/   manifest.json  logbook.sqlite  calibration/
      photos/0a/0a1b....jpg            each under its hash
"""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from polypvision import __version__
from polypvision.errors import BackupError, OutputError, PhotoError
from polypvision.files.copies import appearing_folder, copy_file, drop_stale_parts, file_hash, told
from polypvision.files.outputs import make_folder, sync_folder, write_bytes, write_text
from polypvision.files.photos import read_file
from polypvision.files.places import default_profiles
from polypvision.files.remote import Place, place_of
from polypvision.plates.manifest import (
    LOGBOOK,
    NAME,
    PHOTOS,
    PROFILES,
    KeptFile,
    Manifest,
    manifest_text,
    read_manifest,
)
from polypvision.plates.read import Progress
from polypvision.store.backup import back_up
from polypvision.store.logbook import Logbook, step_of
from polypvision.store.readings import PhotoPlaces, photo_places


@dataclass(frozen=True, kw_only=True)
class Backup:
    """A backup and where it lies."""

    folder: Path
    manifest: Manifest


def make_backup(
    logbook: Logbook,
    folder: Path,
    *,
    photos: bool = False,
    profiles: Path | None = None,
    progress: Progress | None = None,
    now: datetime | None = None,
) -> Backup:
    """Make a backup in a folder of backups. It appears whole and on the disk, or not at all.

    Parameters
    ----------
    logbook : Logbook
        May be in use.
    folder : Path
        Made if missing.
    photos : bool
        Keep the photos, too; only those that no backup in this folder has are copied.
    profiles : Path or None
        Folder of lens profiles; None takes the usual one.
    progress : callable, optional
        Told of photos as they are copied.
    now : datetime, optional

    Raises
    ------
    OutputError
        If it cannot be written.
    LogbookError
        If the logbook cannot be read.
    """
    make_folder(folder)
    drop_stale_parts(folder)
    at = now or datetime.now(UTC)
    place = _free_place(folder, at)
    with told(place), appearing_folder(place) as part:
        back_up(logbook, part / LOGBOOK)
        files = [_kept(part, part / LOGBOOK), *_keep_profiles(part, profiles)]
        # Read after the copy was made: what was recorded in between is kept rather than missed.
        kept, missing = _keep_photos(logbook, folder, progress) if photos else ((), ())
        manifest = Manifest(
            number=_next_number(folder),
            made_at=at,
            program=__version__,
            step=step_of(logbook),
            files=tuple(files),
            with_photos=photos,
            photos=kept,
            missing=missing,
        )
        write_text(part / NAME, manifest_text(manifest))
        # All were synced with their own folders; so is now the folder of this backup.
        sync_folder(part)
    return Backup(folder=place, manifest=manifest)


def _free_place(folder: Path, at: datetime) -> Path:
    """A name that is no other backup's, also where the clock was set back."""
    stem = f"polypvision-{at.astimezone(UTC):%Y-%m-%dT%H%M%S}"
    for number in range(1, 1000):
        place = folder / (stem if number == 1 else f"{stem}-{number}")
        if not place.exists():
            return place
    raise OutputError(f"{folder} is full of backups of this second. Is the clock standing still?")


def _kept(under: Path, path: Path, names: tuple[str, ...] = ()) -> KeptFile:
    n_bytes, sha256 = path.stat().st_size, file_hash(path)
    relative = path.relative_to(under).as_posix()
    return KeptFile(path=relative, n_bytes=n_bytes, sha256=sha256, names=names)


def _keep_profiles(part: Path, profiles: Path | None) -> Iterator[KeptFile]:
    for path in sorted((profiles or default_profiles()).glob("lens-*.json")):
        to = make_folder(part / PROFILES) / path.name
        try:
            copy_file(path, to, file_hash(path))
        except (OSError, ValueError) as error:
            raise OutputError(
                f"The lens profile {path} could not be copied ({error}). Is it being changed?"
            ) from error
        yield _kept(part, to)


def _keep_photos(
    logbook: Logbook, folder: Path, progress: Progress | None
) -> tuple[tuple[KeptFile, ...], tuple[str, ...]]:
    found = logbook.look(photo_places)
    kept, missing = [], []
    for done, photo in enumerate(found):
        if progress:
            progress(done, len(found), photo.names[-1])
        file = _keep_photo(photo, folder)
        if file is None:
            missing.append(photo.names[-1])
        else:
            kept.append(file)
    if kept:
        sync_folder(folder / PHOTOS)
    if progress:
        progress(len(found), len(found), "")
    return tuple(kept), tuple(missing)


def _keep_photo(photo: PhotoPlaces, folder: Path) -> KeptFile | None:
    """Copy one photo if no backup has it yet; None if it is neither there nor under its names."""
    there = folder / PHOTOS / photo.sha256[:2]
    for name in reversed(photo.names):
        with contextlib.suppress(OSError, ValueError, PhotoError):
            # Where it fails it was moved, deleted or changed; it may have another name.
            source = place_of(name)
            to = there / f"{photo.sha256}{source.suffix.lower()}"
            _copy_photo(source, to, photo.sha256)
            return _photo(folder, to, photo)
    earlier = sorted(there.glob(f"{photo.sha256}.*"))
    return _photo(folder, earlier[0], photo) if earlier else None


def _copy_photo(source: Place, to: Path, sha256: str) -> None:
    if not isinstance(source, Path):
        if not to.exists():
            file = read_file(source)
            if file.sha256 != sha256:
                raise ValueError(f"{source} has other bytes")
            make_folder(to.parent)
            write_bytes(to, file.data)
    # The bytes of one that is there were checked when it was copied; it was named only then.
    elif not (to.exists() and to.stat().st_size == source.stat().st_size):
        make_folder(to.parent)
        copy_file(source, to, sha256)


def _photo(folder: Path, to: Path, photo: PhotoPlaces) -> KeptFile:
    path = to.relative_to(folder).as_posix()
    return KeptFile(path=path, n_bytes=to.stat().st_size, sha256=photo.sha256, names=photo.names)


def _next_number(folder: Path) -> int:
    return max((number for number, _ in _numbered(folder)), default=0) + 1


def backups_in(folder: Path) -> list[Path]:
    """Return the backups of a folder of backups, the latest last; itself if it is one.

    Those whose manifest is damaged come first.
    """
    if (folder / NAME).exists():
        return [folder]
    return [one for _, one in _numbered(folder)]


def _numbered(folder: Path) -> list[tuple[int, Path]]:
    found = []
    try:
        inside = [one for one in folder.iterdir() if (one / NAME).exists()]
    except OSError:
        return []
    for one in inside:
        try:
            found.append((read_manifest(one).number, one))
        except BackupError:
            found.append((0, one))
    return sorted(found)
