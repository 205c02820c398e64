"""Results written whole or not at all, and every trouble of the disk told in words."""

import contextlib
import errno
import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from polypvision import __version__
from polypvision.errors import OutputError
from polypvision.files.dates import DATE_TIME_ORIGINAL, OFFSET_TIME_ORIGINAL
from polypvision.files.quick_json import to_json

_REMEDIES: dict[int, str] = {
    errno.ENOSPC: "the disk is full. Free some space, or write to another disk.",
    errno.EDQUOT: "your share of the disk is used up. Free some space, or write elsewhere.",
    errno.EFBIG: "the file would be larger than is allowed here. Write to another disk.",
    errno.EROFS: "the disk is read-only. Write to a folder of your own.",
    errno.EACCES: "permission denied. Write to a folder of your own, or ask its owner.",
    errno.EPERM: "permission denied. Write to a folder of your own, or ask its owner.",
    errno.ENOENT: "its folder does not exist. Create the folder first, or check its name.",
    errno.ENOTDIR: "its folder is a file. Check the name.",
    errno.EISDIR: "that is a folder. Give the name of a file in it.",
    errno.ENAMETOOLONG: "the name is too long. Choose a shorter one.",
}


def output_error(path: Path, error: OSError) -> OutputError:
    """Return the error that tells a person why ``path`` could not be written and what to do."""
    reason = _REMEDIES.get(error.errno or 0, f"{error.strerror or error}. Try another folder.")
    return OutputError(f"Could not write {path}: {reason}")


def _temporary(path: Path) -> tuple[int, Path]:
    # In the same folder, for only there is renaming one step; short, for names have a limit.
    handle, name = tempfile.mkstemp(prefix=".polypvision-", suffix=".part", dir=path.parent)
    return handle, Path(name)


def check_writable(path: Path) -> None:
    """Raise at once if ``path`` cannot be written, before long work whose result it is to take.

    Raises
    ------
    OutputError
    """
    try:
        path = path.resolve()
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "is a folder")
        if path.exists() and not path.is_file():
            return
        handle, temporary = _temporary(path)
        os.close(handle)
        temporary.unlink()
    except OSError as error:
        raise output_error(path, error) from error


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file in one step: a reader, or a power cut, sees the old file or the new one.

    Devices and pipes are written straight.

    Raises
    ------
    OutputError
        If the disk is full or read-only, permission is missing or the folder does not exist;
        a file that was there before is left as it was.
    """
    with writing_whole(path) as file:
        file.write(data)


def put_in_place(temporary: Path, path: Path) -> None:
    """Give what is already on the disk its name, in one step that a power cut cannot undo.

    Raises
    ------
    OSError
    """
    temporary.replace(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the disk: a file that is synced may else lose its name.

    As the Linux manual says of fsync (fsync(2), from memory). Where folders cannot be opened, as on
    Windows, the system does so by itself.
    """
    try:
        handle = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
    except (OSError, AttributeError):
        return
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno != errno.EINVAL:  # Some file systems know no sync of folders.
            raise
    finally:
        os.close(handle)


@contextlib.contextmanager
def writing_whole(path: Path) -> Iterator[BinaryIO]:
    """Open a file to write into; what is written stands there whole at the end, or not at all.

    Raises
    ------
    OutputError
        As `write_bytes`.
    """
    try:
        path = path.resolve()  # A link stays a link; what it points to is replaced.
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "is a folder")
        if path.exists() and not path.is_file():
            with path.open("wb") as device:
                yield device
            return
        handle, temporary = _temporary(path)
        try:
            with os.fdopen(handle, "wb") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            temporary.chmod(_mode(path))
            put_in_place(temporary, path)
        except BaseException:
            with contextlib.suppress(OSError):
                temporary.unlink()
            raise
    except OSError as error:
        raise output_error(path, error) from error


def _mode(path: Path) -> int:
    """Permissions as an ordinary new file gets them, or as the replaced file had them."""
    if path.exists():
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def write_text(path: Path, text: str) -> None:
    """Write text as UTF-8 in one step. Raises OutputError as `write_bytes` does."""
    write_bytes(path, text.encode("utf-8", "backslashreplace"))


def make_private(path: Path) -> None:
    """Make an empty file that its owner alone may read, whatever the umask.

    Raises
    ------
    FileExistsError
    OSError
    """
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    path.chmod(0o600)


def make_folder(path: Path, *, private: bool = False) -> Path:
    """Return the folder, created with those above it where missing.

    Parameters
    ----------
    path : Path
    private : bool
        If it is made, its owner alone may look into it; one that is there stays as it is.

    Raises
    ------
    OutputError
    """
    try:
        if private and not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            path.mkdir(mode=0o700, exist_ok=True)
            path.chmod(0o700)
        path.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise OutputError(f"{path} is a file, not a folder. Give another name.") from error
    except OSError as error:
        raise output_error(path, error) from error
    return path


def json_text(value: Any) -> str:
    """Return a value as JSON text: readable, same bytes for the same value, NaN refused."""
    return json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


class JsonList:
    """A list written as JSON, one item after the other.

    Items wait on disk, not in memory, and go to their place when all are there.

    Parameters
    ----------
    out : Path or None
        Where they will go; they wait on the same disk. None where that is not known.
    """

    def __init__(self, out: Path | None = None) -> None:
        self._place = out or Path(tempfile.gettempdir())
        self._n = 0
        try:
            folder = None if out is None or not out.parent.is_dir() else out.parent
            self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - closed by `close`
        except OSError as error:
            raise output_error(self._place, error) from error

    def add(self, value: Any) -> None:
        """Write one item, in which there may be arrays of numbers.

        Raises
        ------
        OutputError
        """
        text = to_json(value, readable=True).replace("\n", "\n  ")
        self._write((",\n  " if self._n else "[\n  ") + text)
        self._n += 1

    def copy_to(self, out: BinaryIO) -> None:
        """Write the whole list to an open file."""
        self._write("\n]\n" if self._n else "[]\n")
        self._file.seek(0)
        shutil.copyfileobj(self._file, out)

    def close(self) -> None:
        """Let go of the waiting items."""
        self._file.close()

    def _write(self, text: str) -> None:
        try:
            self._file.write(text.encode("utf-8", "backslashreplace"))
        except OSError as error:
            raise output_error(self._place, error) from error


def picture_bytes(rgb: NDArray[np.uint8], taken_at: datetime | None) -> bytes:
    """Return pixels (H, W, 3) of uint8, upright, as JPEG that tells its date and nothing more.

    The EXIF data are written anew with date and offset, so no place (GPS), name or serial
    number of the original can leave with the picture.
    """
    exif = Image.Exif()
    exif[0x0131] = f"polypvision {__version__}"  # Software
    if taken_at is not None:
        tags: dict[int, str] = {DATE_TIME_ORIGINAL: f"{taken_at:%Y:%m:%d %H:%M:%S}"}
        if taken_at.tzinfo is not None:
            offset = f"{taken_at:%z}"
            tags[OFFSET_TIME_ORIGINAL] = f"{offset[:3]}:{offset[3:5]}"
        exif[0x8769] = tags
    buffer = BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=92, exif=exif.tobytes())
    return buffer.getvalue()
