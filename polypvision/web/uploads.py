"""Photos taken in piece by piece: an interrupted one goes on, and none is kept twice.

A photo is known by the SHA-256 of its bytes before the first byte is sent. Its pieces are added to
one file in `parts/`; the whole is checked against its hash and put into `photos/`, in a folder
named by the hash, under its own name made safe: the name may hold the date.
"""

import hashlib
import os
import re
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from polypvision.errors import PhotoError, PhotoTooLarge
from polypvision.files.outputs import make_folder, output_error, put_in_place, sync_folder
from polypvision.files.pixels import SUFFIXES, check_picture

MAX_UPLOAD_BYTES = 120_000_000
MAX_PIECE_BYTES = 4_000_000
MAX_WAITING_BYTES = 2_000_000_000
"""All half uploads together."""
MAX_WAITING = 200
"""So many half uploads at most: each begins with a look at all of them."""
PARTS_LAST_S = 7 * 86_400.0
_SHA256 = re.compile(r"[0-9a-f]{64}")
_UNSAFE = re.compile(r"[^\w. -]", re.ASCII)


class UploadRefused(PhotoError):
    """What was sent cannot be taken."""

    kind = "upload"


class WrongPlace(UploadRefused):
    """A piece that does not follow what is here; ``received`` says where to go on."""

    def __init__(self, received: int) -> None:
        super().__init__(f"The next piece must begin at byte {received}.")
        self.received = received


@dataclass(frozen=True, kw_only=True)
class Progress:
    """How far a photo is in: its bytes here, of how many, and where it lies once it is whole."""

    received: int
    size: int
    path: Path | None


def safe_name(name: str) -> str:
    """Return a photo's name without folders, markup or anything else a disk or page could mind.

    Examples
    --------
    >>> safe_name("../../<b>plate 7</b> 2024-03-30.JPG")
    'b_ 2024-03-30.JPG'
    """
    plain = _UNSAFE.sub("_", name.replace("\\", "/").rpartition("/")[2]).strip(". ")
    stem, dot, suffix = plain.rpartition(".")
    if not dot or f".{suffix.lower()}" not in SUFFIXES:
        stem, suffix = plain, "jpg"
    return f"{stem[:80].strip('. ') or 'photo'}.{suffix}"


class Uploads:
    """The photos that come in, in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        self._parts = folder / "parts"
        self._photos = folder / "photos"
        self._lock = threading.Lock()

    def find(self, sha256: str) -> Path | None:
        """Return where the whole photo lies, or None."""
        if not _SHA256.fullmatch(sha256):
            return None
        try:
            inside = sorted((self._photos / sha256).iterdir())
        except OSError:
            return None
        return inside[0] if inside else None

    def begin(self, sha256: str, name: str, size: int) -> Progress:
        """Say that a photo is coming; returns how much of it is here already.

        Raises
        ------
        UploadRefused, PhotoTooLarge, PhotoUnreadable, OutputError
        """
        _check(sha256, size)
        with self._lock:
            whole = self.find(sha256)
            if whole is not None:
                return Progress(received=size, size=size, path=whole)
            make_folder(self._parts, private=True)
            self._drop_old()
            part = self._parts / sha256
            waiting = [one.stat().st_size for one in self._parts.iterdir()]
            full = len(waiting) >= MAX_WAITING and not part.exists()
            if full or sum(waiting) + size > MAX_WAITING_BYTES:
                raise UploadRefused("Too many half uploads wait here. Try again in a few days.")
            try:
                part.touch(mode=0o600)
                here = part.stat().st_size
            except OSError as error:
                raise output_error(part, error) from error
            if here > size:
                part.unlink()
                part.touch(mode=0o600)
                here = 0
            if here == size:
                # All of it came, but the program was stopped before it could be kept.
                return Progress(received=here, size=size, path=self._keep(part, sha256, name))
            return Progress(received=here, size=size, path=None)

    def add(self, sha256: str, name: str, size: int, offset: int, piece: bytes) -> Progress:
        """Add a piece; with the last, check the whole and keep it.

        Raises
        ------
        WrongPlace
            If the piece does not begin where the last one ended.
        UploadRefused, PhotoTooLarge, PhotoUnreadable, OutputError
        """
        _check(sha256, size)
        with self._lock:
            whole = self.find(sha256)
            if whole is not None:
                return Progress(received=size, size=size, path=whole)
            part = self._parts / sha256
            try:
                here = part.stat().st_size
            except OSError:
                raise WrongPlace(0) from None
            if offset != here:
                raise WrongPlace(here)
            if here + len(piece) > size or len(piece) > MAX_PIECE_BYTES:
                raise UploadRefused("More bytes came than were announced. Send the photo again.")
            try:
                with part.open("ab") as file:
                    file.write(piece)
                    file.flush()
                    os.fsync(file.fileno())
            except OSError as error:
                raise output_error(part, error) from error
            here += len(piece)
            if here < size:
                return Progress(received=here, size=size, path=None)
            return Progress(received=here, size=size, path=self._keep(part, sha256, name))

    def _keep(self, part: Path, sha256: str, name: str) -> Path:
        data = part.read_bytes()
        if hashlib.sha256(data).hexdigest() != sha256:
            part.unlink()
            raise UploadRefused("The photo was changed on its way. Send it again.")
        try:
            # By its header alone; nothing is kept that would not be read.
            check_picture(data, safe_name(name))
        except PhotoError:
            part.unlink()
            raise
        make_folder(self._photos, private=True)
        folder = make_folder(self._photos / sha256, private=True)
        path = folder / safe_name(name)
        try:
            put_in_place(part, path)
            sync_folder(folder.parent)
        except OSError as error:
            raise output_error(path, error) from error
        return path

    def _drop_old(self) -> None:
        oldest = time.time() - PARTS_LAST_S
        for part in self._parts.iterdir():
            if part.stat().st_mtime < oldest:
                part.unlink(missing_ok=True)


def _check(sha256: str, size: int) -> None:
    if not _SHA256.fullmatch(sha256):
        raise UploadRefused("The photo's SHA-256 is missing or malformed.")
    if size <= 0:
        raise UploadRefused("The photo is empty. Copy it again from the camera or phone.")
    if size > MAX_UPLOAD_BYTES:
        raise PhotoTooLarge(
            f"The photo has {size / 1e6:.0f} MB; at most {MAX_UPLOAD_BYTES // 1_000_000} are "
            "taken here. Is it a film?"
        )
