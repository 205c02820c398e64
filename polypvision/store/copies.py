"""Whole copies of an SQLite logbook, taken while it is in use."""

import contextlib
import os
import re
import sqlite3
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import sqlalchemy as sa

from polypvision.errors import OutputError
from polypvision.files.outputs import output_error, put_in_place

_COPIES_KEPT = 3
"""Copies made before a step; with one step per version of the program that is years."""


def copy_sqlite(connection: sa.Connection, path: Path) -> None:
    """Write a whole and consistent copy, as of now, whoever is writing meanwhile.

    Uses SQLite's online backup (https://www.sqlite.org/backup.html, from memory); copying the file
    itself would miss what still lies in the write-ahead log. The copy appears in one step, on the
    disk, and only its owner may read it.

    Parameters
    ----------
    connection : Connection
        To an SQLite logbook.
    path : Path
        A file that is there already is replaced.

    Raises
    ------
    OutputError
        If the copy cannot be written.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=".polypvision-", suffix=".part", dir=path.parent)
        os.close(handle)
    except OSError as error:
        raise output_error(path, error) from error
    temporary = Path(name)
    try:
        _fill(connection, temporary)
        put_in_place(temporary, path)
    except sqlite3.Error as error:
        raise OutputError(
            f"Could not copy the logbook to {path} ({error}). Is the disk full?"
        ) from error
    except OSError as error:
        raise output_error(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()


def _fill(connection: sa.Connection, path: Path) -> None:
    source = connection.connection.driver_connection
    assert isinstance(source, sqlite3.Connection)
    with contextlib.closing(sqlite3.connect(path)) as copy:
        source.backup(copy)
        # One plain file: no log beside it that would have to be copied, too.
        copy.execute("PRAGMA journal_mode = DELETE")


def copy_before_step(connection: sa.Connection, place: Path, step: str) -> Path:
    """Copy a logbook beside itself before it is brought up to a step; old such copies go.

    Parameters
    ----------
    connection : Connection
        To the logbook, which nobody may be changing.
    place : Path
        Where it lies.
    step : str
        The step it is brought to.

    Raises
    ------
    OutputError
    """
    now = datetime.now(UTC)
    path = place.with_name(f"{place.stem}-before-{step}-{now:%Y%m%dT%H%M%S}{place.suffix}")
    copy_sqlite(connection, path)
    for old in _older_copies(place, path)[_COPIES_KEPT - 1 :]:
        with contextlib.suppress(OSError):  # A copy too many harms nobody.
            old.unlink()
    return path


def copies_before_steps(place: Path) -> list[Path]:
    """Return the copies that lie beside a logbook from before its steps, the last one first."""
    own = re.compile(
        rf"{re.escape(place.stem)}-before-\d{{4}}-\d{{8}}T\d{{6}}{re.escape(place.suffix)}"
    )
    # By step and only then by time: the clock may have been set back in between.
    return sorted((one for one in place.parent.iterdir() if own.fullmatch(one.name)), reverse=True)


def _older_copies(place: Path, but: Path) -> list[Path]:
    return [one for one in copies_before_steps(place) if one != but]
