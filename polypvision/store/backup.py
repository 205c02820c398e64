"""A copy of the logbook while it is in use."""

import sqlite3
from pathlib import Path

from polypvision.errors import LogbookError, OutputError
from polypvision.files.outputs import make_private
from polypvision.store.logbook import Logbook


def back_up(logbook: Logbook, path: Path) -> None:
    """Write a whole and consistent copy, as of now, whoever is writing meanwhile.

    Uses SQLite's online backup (https://www.sqlite.org/backup.html, from memory); copying the file
    itself would miss what still lies in the write-ahead log.

    Parameters
    ----------
    logbook : Logbook
    path : Path
        A file that is not there yet.

    Raises
    ------
    LogbookError
        If the logbook is no SQLite file, or cannot be read.
    OutputError
        If the copy cannot be written.
    """
    if logbook.engine.dialect.name != "sqlite":
        raise LogbookError(
            "This logbook lies on a database server. Back it up with the server's own tools."
        )
    if path.exists():
        raise OutputError(f"{path} is there already. Give another name.")
    try:
        make_private(path)
        copy = sqlite3.connect(path)
    except (sqlite3.Error, OSError) as error:
        raise OutputError(f"Could not write {path} ({error}). Try another folder.") from error
    try:
        with logbook.reading() as connection:
            source = connection.connection.driver_connection
            assert isinstance(source, sqlite3.Connection)
            source.backup(copy)
        # One plain file: no log beside it that would have to be copied, too.
        copy.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.Error as error:
        raise OutputError(
            f"Could not copy the logbook to {path} ({error}). Is the disk full?"
        ) from error
    finally:
        copy.close()
