"""The logbook opened and brought up to date: an SQLite file, or a database on a server."""

import contextlib
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from polypvision.errors import LogbookError, LogbookTooNew, OutputError
from polypvision.files.outputs import make_private
from polypvision.files.places import default_logbook
from polypvision.files.quick_json import from_json, to_json
from polypvision.store.copies import copy_before_step
from polypvision.store.read_only import as_it_lies, only_read, unchanged
from polypvision.store.server import (
    connected,
    is_address,
    looked_up,
    looking,
    server_engine,
    shown_address,
    take_migration_turn,
    written,
)
from polypvision.store.troubles import told

Result = TypeVar("Result")

_MARK_TABLES = {"photos", "plates", "log_entries"}
_WAIT_S = 30.0
"""How long to wait while another polypvision writes."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Logbook:
    """An open logbook. Close it when done, or use it in a ``with`` statement."""

    engine: sa.Engine
    place: str

    def __enter__(self) -> "Logbook":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file, or of the server."""
        self.engine.dispose()

    @property
    def on_server(self) -> bool:
        """Whether it lies on a database server."""
        return self.engine.dialect.name != "sqlite"

    @property
    def address(self) -> str:
        """What `open_logbook` opens it again with; of a server with its password, so not shown."""
        if not self.on_server:
            return self.place
        return self.engine.url.render_as_string(hide_password=False)

    def write(self, work: Callable[[sa.Connection], Result]) -> Result:
        """Do work in one transaction, and return what it returns: all of it is kept, or nothing.

        On a server it is done again where the connection was lost or others wrote at once; what
        went in already is never written twice.

        Raises
        ------
        LogbookError
            If the database refuses.
        """
        if not self.on_server:
            with self.writing() as connection:
                return work(connection)
        with told(self.place, self.engine.url):
            return written(self.engine, work)

    def look(self, work: Callable[[sa.Connection], Result]) -> Result:
        """Do work that only looks; on a server again where the connection was lost.

        Raises
        ------
        LogbookError
            If the database refuses.
        """
        if not self.on_server:
            with self.reading() as connection:
                return work(connection)
        with told(self.place, self.engine.url):
            return looked_up(self.engine, work)

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """One transaction: everything written inside is kept, or, on any error, nothing.

        Raises
        ------
        LogbookError
            If the database refuses.
        """
        with told(self.place, self.engine.url), self._connected() as connection, connection.begin():
            yield connection

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection that only looks; all that it finds is of one moment.

        Raises
        ------
        LogbookError
            If the database refuses.
        """
        options: dict[str, Any] = {"looks_only": True}
        with told(self.place, self.engine.url), self._connected() as connection:
            if self.on_server:
                yield looking(connection)
            elif only_read(Path(self.place)):
                with unchanged(Path(self.place)):
                    yield connection.execution_options(**options)
            else:
                yield connection.execution_options(**options)

    def _connected(self) -> sa.Connection:
        return connected(self.engine) if self.on_server else self.engine.connect()


def default_place() -> Path | str:
    """Return where a person's logbook lies unless they say otherwise: a file, or an address."""
    return default_logbook()


def open_logbook(place: Path | str | None = None, *, create: bool = False) -> Logbook:
    """Open a logbook, bringing an older one up to date first.

    Parameters
    ----------
    place : Path, str or None
        An SQLite file, or the address of a PostgreSQL database
        ("postgresql://user@host:port/database"); None means `default_place`.
    create : bool
        Whether to begin a new one where there is none.

    Raises
    ------
    LogbookTooNew
        If a newer polypvision wrote it.
    LogbookError
        If there is none, or it cannot be opened, or it is something else.
    """
    if place is None:
        # Only the default's folder is made: a folder that somebody typed may be mistyped.
        place = default_place()
        if create and isinstance(place, Path) and not os.environ.get("POLYPVISION_LOGBOOK"):
            _make_folder(place.parent)
    shown = str(place)
    if is_address(shown):
        engine = server_engine(shown)
        shown = shown_address(engine.url)
    else:
        engine = _engine_of_file(Path(place), create)
    book = Logbook(engine=engine, place=shown)
    try:
        _bring_up_to_date(book, create=create)
    except BaseException:
        book.close()
        raise
    return book


def step_of(logbook: Logbook) -> str:
    """Return the step of the schema that a logbook is at, four digits."""
    with logbook.reading() as connection:
        return str(MigrationContext.configure(connection).get_current_revision())


def _make_folder(folder: Path) -> None:
    try:
        if not folder.exists():
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            folder.chmod(0o700)
    except OSError as error:
        raise LogbookError(
            f"The folder {folder} for the logbook cannot be made ({error.strerror}). "
            "Choose another place with --logbook FILE."
        ) from error


def _engine_of_file(path: Path, create: bool) -> sa.Engine:
    try:
        if path.is_dir():
            raise LogbookError(f"{path} is a folder. Give the name of a file in it.")
        if not path.exists() and not create:
            raise LogbookError(_none_yet(path))
        if not path.parent.is_dir():
            raise LogbookError(
                f"The folder {path.parent} for the logbook does not exist. Create it, or check "
                "the name."
            )
        if create and not path.exists():
            # By its owner alone; what SQLite lays beside it takes over the mode.
            with contextlib.suppress(FileExistsError):
                make_private(path)
    except OSError as error:
        raise LogbookError(
            f"The logbook {path} cannot be opened ({error.strerror}). Check the name and who "
            "may read it."
        ) from error
    url = sa.URL.create("sqlite", database=str(path))
    if only_read(path):
        # Not pooled: when another begins to write, a connection that sees that is made anew.
        lying: dict[str, Any] = {"creator": partial(_read_file, path), "poolclass": sa.NullPool}
    else:
        lying = {"connect_args": {"timeout": _WAIT_S}}
    engine = sa.create_engine(url, json_serializer=to_json, json_deserializer=from_json, **lying)
    sa.event.listen(engine, "connect", _on_connect)
    sa.event.listen(engine, "begin", _on_begin)
    return engine


def _read_file(path: Path) -> sqlite3.Connection:
    if only_read(path):
        return as_it_lies(path)
    return sqlite3.connect(path, timeout=_WAIT_S, check_same_thread=False)


def _on_connect(connection: Any, _: object) -> None:
    # The driver's own idea of transactions leaves out schema changes; we begin them ourselves.
    connection.isolation_level = None
    cursor = connection.cursor()
    # Write-ahead log: a reader never waits for a writer. Full: a commit survives a power cut, also
    # where a plain sync stops at the disk's own memory (fullfsync, on macOS).
    for pragma in (
        "journal_mode = WAL",
        "synchronous = FULL",
        "fullfsync = ON",
        "foreign_keys = ON",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _on_begin(connection: sa.Connection) -> None:
    # A writer takes the lock at once, so that it waits its turn instead of failing half way.
    looks_only = connection.get_execution_options().get("looks_only", False)
    connection.exec_driver_sql("BEGIN" if looks_only else "BEGIN IMMEDIATE")


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", "polypvision.store:migrations")
    config.set_main_option("path_separator", "os")
    return config


def _bring_up_to_date(book: Logbook, *, create: bool) -> None:
    config = _config()
    script = ScriptDirectory.from_config(config)
    options: dict[str, Any] = {"looks_only": True}
    # Without patience: a server that never was there is a wrong address.
    with told(book.place, book.engine.url), book.engine.connect() as connection:
        connection.execution_options(**options)
        tables = set(sa.inspect(connection).get_table_names())
        revision = MigrationContext.configure(connection).get_current_revision()
    if tables and not (revision and tables >= _MARK_TABLES):
        raise LogbookError(
            f"{book.place} is a database, but not a logbook of polypvision. Choose another "
            f"{'database' if book.on_server else 'file'}."
        )
    if revision == script.get_current_head():
        return
    if not tables and not create and book.on_server:
        raise LogbookError(_none_yet(book.place))
    known = {step.revision for step in script.walk_revisions()}
    if revision is not None and revision not in known:
        raise LogbookTooNew(
            f"The logbook {book.place} was written by a newer polypvision (step {revision}; this "
            f"one knows up to {script.get_current_head()}). Update polypvision to open it."
        )

    def climb(connection: sa.Connection) -> None:
        if book.on_server:
            # Who comes second finds the steps done: they are looked up again after the wait.
            take_migration_turn(connection)
        elif MigrationContext.configure(connection).get_current_revision() != revision:
            return  # Another program did it while we waited.
        elif revision is not None:
            _keep_copy(book, str(script.get_current_head()))
        config.attributes["connection"] = connection
        command.upgrade(config, "head")

    book.write(climb)


def _keep_copy(book: Logbook, step: str) -> None:
    """Copy the logbook as it is, on a connection that does not see the step's own work."""
    try:
        with book.reading() as connection:
            copy_before_step(connection, Path(book.place), step)
    except OutputError as error:
        raise LogbookError(
            f"The logbook {book.place} is of an older polypvision and was left as it is, for it "
            f"could not be copied first. {error}"
        ) from error


def _none_yet(place: object) -> str:
    return (
        f"There is no logbook at {place} yet. Record photos first with: "
        "polypvision read --record PHOTO..."
    )
