"""A copy of the logbook while it is in use, whatever database it lies in."""

import contextlib
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from polypvision.errors import OutputError
from polypvision.files.outputs import output_error
from polypvision.store.copies import copy_sqlite
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.schema import metadata

_ROWS = 200
"""Rows on their way at once; a photo's reading may have a hundred kilobytes."""


def back_up(logbook: Logbook, path: Path) -> None:
    """Write a whole and consistent copy, as of now, whoever is writing meanwhile.

    It is one SQLite file, also of a logbook that lies on a database server.

    Parameters
    ----------
    logbook : Logbook
    path : Path
        A file that is not there yet; it appears in one step.

    Raises
    ------
    LogbookError
        If the logbook cannot be read.
    OutputError
        If the copy cannot be written.
    """
    if path.exists():
        raise OutputError(f"{path} is there already. Give another name.")
    if logbook.on_server:
        _copy_from_server(logbook, path)
        return
    with logbook.reading() as connection:
        copy_sqlite(connection, path)


def _copy_from_server(logbook: Logbook, path: Path) -> None:
    try:
        folder = tempfile.mkdtemp(prefix=".polypvision-", suffix=".part", dir=path.parent)
    except OSError as error:
        raise output_error(path, error) from error
    part = Path(folder) / "logbook.sqlite"
    try:
        with open_logbook(part, create=True) as copy:
            copy_rows(logbook, copy)
            with copy.reading() as connection:
                copy_sqlite(connection, path)
    finally:
        for left in Path(folder).iterdir():
            with contextlib.suppress(OSError):
                left.unlink()
        with contextlib.suppress(OSError):
            Path(folder).rmdir()


def copy_rows(source: Logbook, target: Logbook) -> None:
    """Copy all rows of a logbook into another one that has none yet; all of them or none.

    Parameters
    ----------
    source, target : Logbook
        Up to date, and in any database.
    """
    with source.reading() as old, target.writing() as new:
        for table in metadata.sorted_tables:
            for rows in _pieces(old, table):
                new.execute(sa.insert(table), rows)
            if new.dialect.name == "postgresql" and "id" in table.c:
                _count_on(new, table)


def _pieces(connection: sa.Connection, table: sa.Table) -> Iterator[list[dict[str, Any]]]:
    """Yield all rows of a table, a few at a time: a server would else send all of it at once."""
    key = tuple(table.primary_key.columns)
    rest = sa.select(table).order_by(*key).limit(_ROWS)
    rows = [dict(row) for row in connection.execute(rest).mappings()]
    while rows:
        yield rows
        last = sa.tuple_(*(sa.literal(rows[-1][one.name], one.type) for one in key))
        after = rest.where(sa.tuple_(*key) > last)
        rows = [dict(row) for row in connection.execute(after).mappings()]


def is_empty(connection: sa.Connection) -> bool:
    """Return whether nothing at all is recorded, not even what was forgotten."""
    return all(
        connection.execute(sa.select(sa.literal(1)).select_from(table).limit(1)).first() is None
        for table in metadata.sorted_tables
    )


def _count_on(connection: sa.Connection, table: sa.Table) -> None:
    """The numbers that a server gives itself go on after those that were copied."""
    if isinstance(table.c.id.type, sa.Integer):
        connection.exec_driver_sql(
            f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "
            f"(SELECT coalesce(max(id), 0) + 1 FROM {table.name}), false)"
        )
