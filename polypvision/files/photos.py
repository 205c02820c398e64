"""Photos found, read and hashed. Originals are opened read-only, once, and never written.

A place is a path, or an address that `files.remote` opens.
"""

import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from polypvision.errors import PhotoError, PhotoTooLarge, PhotoUnreadable
from polypvision.files.dates import PhotoDate, photo_date
from polypvision.files.hashes import file_stamp, settled_stamp
from polypvision.files.pixels import SUFFIXES, decode, exif_tags
from polypvision.files.remote import PhotoUrl, Place, fetch, find_urls
from polypvision.reading import PhotoFacts

MAX_PHOTO_BYTES = 500_000_000
_RAW_SUFFIXES = (".dng", ".nef", ".cr2", ".cr3", ".arw", ".orf", ".rw2", ".raf", ".pef")


@dataclass(frozen=True, kw_only=True, eq=False)
class PhotoFile:
    """A photo's bytes.

    Attributes
    ----------
    path : Path or PhotoUrl
        As it was given.
    data : bytes
    stamp : str or None
        What changes whenever the file does (`files.hashes`); None if that cannot be told.
    """

    path: Place
    data: bytes
    stamp: str | None = None

    @cached_property
    def sha256(self) -> str:
        """Their hash, lower-case hexadecimal."""
        return hashlib.sha256(self.data).hexdigest()

    @property
    def shown(self) -> str:
        """The path as text that can be printed and stored."""
        return shown_path(self.path)


@dataclass(frozen=True, kw_only=True, eq=False)
class LoadedPhoto:
    """A photo ready to be read: upright pixels (H, W, 3) of uint8, facts, and its date's source."""

    rgb: NDArray[np.uint8]
    facts: PhotoFacts
    date: PhotoDate | None


def shown_path(path: Place) -> str:
    """Return a place as text that can be printed and stored, whatever bytes its name holds."""
    if isinstance(path, PhotoUrl):
        return str(path)
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def lasting_place(path: Place) -> str:
    """Return where a photo lies as text that holds from wherever polypvision is started."""
    return shown_path(path if isinstance(path, PhotoUrl) else path.resolve())


def find_photos(paths: Iterable[Place]) -> Iterator[tuple[Place, PhotoError | None]]:
    """Yield every photo once, in order; folders are searched with all their sub-folders, sorted.

    A file is taken whatever its name; in a folder only names that end like a photo, and none
    that is hidden. A folder that may not be listed is yielded with its error.

    Parameters
    ----------
    paths : iterable of Path or PhotoUrl

    Yields
    ------
    (Path or PhotoUrl, PhotoError or None)
    """
    seen: set[str] = set()
    for path in paths:
        for photo, error in _found(path):
            same = photo.text if isinstance(photo, PhotoUrl) else os.path.realpath(photo)
            if same not in seen:
                seen.add(same)
                yield photo, error


def _found(path: Place) -> Iterator[tuple[Place, PhotoError | None]]:
    if isinstance(path, PhotoUrl):
        return iter(find_urls(path))
    return _in_folder(path, set()) if _is_folder(path) else iter([(path, None)])


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:
        return False  # A name too long for the file system; reading it says so in words.


def _in_folder(folder: Path, above: set[str]) -> Iterator[tuple[Place, PhotoError | None]]:
    here = os.path.realpath(folder)
    if here in above:
        return  # A link back to a folder that this one lies in.
    try:
        with os.scandir(folder) as entries:
            names = sorted((entry.name, entry.is_dir()) for entry in entries)
    except OSError as error:
        yield (
            folder,
            PhotoUnreadable(
                f"The folder {shown_path(folder)} cannot be listed ({error.strerror}). "
                "Ask its owner for permission, or copy the photos elsewhere."
            ),
        )
        return
    for name, is_folder in names:
        if name.startswith("."):
            continue
        path = folder / name
        if is_folder:
            yield from _in_folder(path, above | {here})
        elif path.suffix.lower() in SUFFIXES:
            yield path, None


def read_file(path: Place) -> PhotoFile:
    """Return a photo's bytes.

    Raises
    ------
    PhotoUnreadable
        If there is no such file or it may not be read.
    PhotoTooLarge
        If the file is larger than any photo.
    """
    shown = shown_path(path)
    if path.suffix.lower() in _RAW_SUFFIXES:
        raise PhotoUnreadable(
            f"{shown} is a camera raw file. Develop it and save it as JPEG, then read that."
        )
    if isinstance(path, PhotoUrl):
        data, stamp = fetch(path, max_bytes=MAX_PHOTO_BYTES)
    else:
        data, stamp = _read_path(path, shown)
    return PhotoFile(path=path, data=data, stamp=stamp)


def _read_path(path: Path, shown: str) -> tuple[bytes, str | None]:
    try:
        if path.exists() and not path.is_file():
            # Asked before opening: opening a pipe would wait for ever.
            raise PhotoUnreadable(f"{shown} is not a file. Give a photo, or a folder of photos.")
        with path.open("rb") as handle:
            before = os.fstat(handle.fileno())
            size = before.st_size
            if size > MAX_PHOTO_BYTES:
                raise PhotoTooLarge(
                    f"{shown} is a file of {size / 1e6:.0f} MB; at most "
                    f"{MAX_PHOTO_BYTES // 1_000_000} are read. Is it a film?"
                )
            data = handle.read()
            after = os.fstat(handle.fileno())
    except FileNotFoundError as error:
        raise PhotoUnreadable(
            f"There is no file {shown}. Check the name and the folder."
        ) from error
    except PermissionError as error:
        raise PhotoUnreadable(
            f"{shown} may not be read (permission denied). Ask its owner, or copy it elsewhere."
        ) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise PhotoUnreadable(
            f"{shown} cannot be read ({reason}). Copy it to this computer and try again."
        ) from error
    if file_stamp(before) != file_stamp(after) or len(data) != size:
        raise PhotoUnreadable(
            f"{shown} was changed while it was read: is it still being copied? Read it again when "
            "it is whole."
        )
    return data, settled_stamp(after)


def date_of(
    photo: PhotoFile, *, given: datetime | None = None, now: datetime | None = None
) -> PhotoDate | None:
    """Return when a photo was taken, and how that is known. See `files.dates.photo_date`."""
    return photo_date(exif=exif_tags(photo.data), name=photo.path.name, given=given, now=now)


def load_photo(
    path: Place, *, given: datetime | None = None, now: datetime | None = None
) -> LoadedPhoto:
    """Return a photo's upright pixels and what is known of it.

    Parameters
    ----------
    path : Path or PhotoUrl
    given : datetime or None
        The date to take where the photo and its name say none.
    now : datetime or None
        With offset; the clock if None.

    Raises
    ------
    PhotoError
        If it cannot be read. A missing or doubtful date is no error here.
    """
    photo = read_file(path)
    date = date_of(photo, given=given, now=now)
    return LoadedPhoto(
        rgb=decode(photo.data, photo.shown),
        facts=PhotoFacts(
            photo=photo.shown, sha256=photo.sha256, taken_at=date.at if date else None
        ),
        date=date,
    )
