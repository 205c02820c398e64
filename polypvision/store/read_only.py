"""A logbook file that can only be read: it lies where nothing may be written.

SQLite lays two files beside one that it reads, and cannot where it may not write (SQLite,
"Write-Ahead Logging", Read-Only Databases). It can be told that nobody writes ("immutable"); then
it needs none.
"""

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from polypvision.errors import LogbookError


def only_read(path: Path) -> bool:
    """Return whether a logbook can be read only as it lies, and nobody has it in use.

    Who has it in use has laid the two files beside it, which all can read.
    """
    effective = os.access in os.supports_effective_ids
    may = all(
        os.access(one, os.W_OK, effective_ids=effective) for one in (path, path.absolute().parent)
    )
    return path.exists() and not may and not Path(f"{path}-wal").exists()


def as_it_lies(path: Path) -> sqlite3.Connection:
    """Open a logbook of `only_read`.

    Raises
    ------
    sqlite3.Error
    """
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True, check_same_thread=False
    )


@contextmanager
def unchanged(path: Path) -> Iterator[None]:
    """While the block lasts nobody may change a logbook that is read as it lies.

    Raises
    ------
    LogbookError
        If somebody did: what was read may be half old and half new.
    """

    def state() -> tuple[int, int] | None:
        with contextlib.suppress(OSError):
            found = path.stat()
            return found.st_size, found.st_mtime_ns
        return None

    before = state()
    yield
    if state() != before:
        raise LogbookError(
            f"The logbook {path} was written into while it was read from a place where you may not "
            "write. Do it once more."
        )
