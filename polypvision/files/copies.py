"""Files hashed and copied: a copy appears whole, on the disk, and with the bytes it should have."""

import contextlib
import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from polypvision.errors import OutputError
from polypvision.files.outputs import output_error, put_in_place

_PIECE_BYTES = 1 << 20


def file_hash(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, lower-case hexadecimal.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def copy_file(source: Path, path: Path, sha256: str) -> None:
    """Copy a file whose bytes are known.

    Parameters
    ----------
    source, path : Path
        A file at `path` is replaced.
    sha256 : str
        Hash that the bytes must have.

    Raises
    ------
    OSError
        If the source cannot be read.
    ValueError
        If its bytes are others.
    OutputError
        If the copy cannot be written.
    """
    with source.open("rb") as file, _appearing(path) as temporary:
        digest = hashlib.sha256()
        while piece := file.read(_PIECE_BYTES):
            digest.update(piece)
            with told(path):
                temporary.write(piece)
        if digest.hexdigest() != sha256:
            raise ValueError(f"{source} has other bytes")


@contextmanager
def _appearing(path: Path) -> Iterator[BinaryIO]:
    """A new file that gets its name when the block ends well, and is gone if it does not."""
    with told(path):
        handle, name = tempfile.mkstemp(prefix=".polypvision-", suffix=".part", dir=path.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            with told(path):
                file.flush()
                os.fsync(file.fileno())
        with told(path):
            put_in_place(temporary, path)
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn the system's errors into words on what could not be written.

    Raises
    ------
    OutputError
    """
    try:
        yield
    except OSError as error:
        raise output_error(path, error) from error


@contextmanager
def appearing_folder(path: Path) -> Iterator[Path]:
    """A new folder that gets its name when the block ends well, and is gone if it does not.

    Raises
    ------
    OutputError
        If it cannot be made, or there is something of that name.
    """
    with told(path):
        part = Path(tempfile.mkdtemp(prefix=".polypvision-", suffix=".part", dir=path.parent))
    try:
        yield part
        if path.exists():
            raise OutputError(f"{path} is there already. Give another name.")
        with told(path):
            put_in_place(part, path)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def drop_stale_parts(folder: Path, *, older_than_s: float = 86_400.0) -> None:
    """Remove half-written files and folders that a killed program left; fresh ones may be in use.

    The clock may have been set back since, so what is from the future goes, too.
    """
    for part in folder.glob(".polypvision-*.part"):
        with contextlib.suppress(OSError):
            if abs(time.time() - part.stat().st_mtime) < older_than_s:
                continue
            if part.is_dir():
                shutil.rmtree(part, ignore_errors=True)
            else:
                part.unlink()
