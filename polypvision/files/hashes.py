"""The hashes of files as they were last read, so that known photos need not be read to be known.

A cache of this computer, not part of the logbook: a logbook may be shared by computers that see
the same photos under other paths. Losing it costs time and nothing else.

Cheap but safe: a hash is believed only while size, time of change (of content and of the file's
own entry, which no copying tool can set back) and number of the file all are as they were. A file
that changed within two seconds before it was read is not remembered, for a second change could
bear the same time (file systems count in steps of up to two seconds, FAT).
"""

import contextlib
import os
import sqlite3
import time
from pathlib import Path

from polypvision.errors import OutputError
from polypvision.files.outputs import make_folder
from polypvision.files.remote import PhotoUrl, Place, url_stamp

_SETTLED_NS = 2_000_000_000
_KEPT_AT_ONCE = 64
_MAKE = "CREATE TABLE IF NOT EXISTS seen (place TEXT PRIMARY KEY, stamp TEXT, sha256 TEXT)"


def file_stamp(found: os.stat_result) -> str:
    """Return what changes whenever a file does."""
    return f"{found.st_size} {found.st_mtime_ns} {found.st_ctime_ns} {found.st_ino}"


def settled_stamp(found: os.stat_result, now_ns: int | None = None) -> str | None:
    """Return the stamp of a file, or None while it is too young for one."""
    newest = max(found.st_mtime_ns, found.st_ctime_ns)
    young = newest > (now_ns or time.time_ns()) - _SETTLED_NS
    return None if young else file_stamp(found)


def stamp_of(place: Place) -> str | None:
    """Return what changes whenever a photo does, without reading it; None if it cannot be told."""
    if isinstance(place, PhotoUrl):
        return url_stamp(place)
    try:
        return file_stamp(place.stat())
    except (OSError, ValueError):
        return None


def _key(place: Place) -> str | bytes:
    # A path need not be text; an address is kept without its passwords.
    return str(place) if isinstance(place, PhotoUrl) else os.fsencode(place.absolute())


class HashCache:
    """Remembers hashes in a small file; every trouble with it is passed over in silence."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._new: dict[str | bytes, tuple[str, str]] = {}
        self._open: sqlite3.Connection | None = None
        with contextlib.suppress(OutputError, sqlite3.Error):
            self._open = _connect(path)

    def __enter__(self) -> "HashCache":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def find(self, place: Place) -> str | None:
        """Return the hash of a photo if it surely is as it was when it was read; else None."""
        if self._open is None:
            return None
        key = _key(place)
        row = self._new.get(key)
        if row is None:
            with contextlib.suppress(sqlite3.Error):
                row = self._open.execute(
                    "SELECT stamp, sha256 FROM seen WHERE place = ?", (key,)
                ).fetchone()
        return str(row[1]) if row is not None and row[0] == stamp_of(place) else None

    def keep(self, place: Place, stamp: str | None, sha256: str) -> None:
        """Remember a hash; without a stamp there is nothing to know the file again by."""
        if stamp is None or not sha256:
            return
        self._new[_key(place)] = (stamp, sha256)
        if len(self._new) >= _KEPT_AT_ONCE:
            self._write()

    def _write(self) -> None:
        if self._open is not None and self._new:
            rows = [(key, *value) for key, value in self._new.items()]
            with contextlib.suppress(sqlite3.Error), self._open:
                self._open.executemany("INSERT OR REPLACE INTO seen VALUES (?, ?, ?)", rows)
        self._new = {}

    def close(self) -> None:
        """Write down what is new and let go of the file."""
        self._write()
        if self._open is not None:
            self._open.close()
            self._open = None


def _connect(path: Path) -> sqlite3.Connection:
    make_folder(path.parent)
    for last in (False, True):
        opened = sqlite3.connect(path, timeout=1.0)
        try:
            opened.execute("PRAGMA journal_mode = WAL")
            opened.execute(_MAKE)
            return opened
        except sqlite3.OperationalError:
            opened.close()
            raise
        except sqlite3.DatabaseError:
            # Damaged, or something else of that name: begun anew.
            opened.close()
            if last:
                raise
            path.unlink(missing_ok=True)
    raise AssertionError("the second attempt returns or raises")
