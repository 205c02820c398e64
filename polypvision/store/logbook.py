"""The logbook opened, brought up to date, and every trouble of it told in words."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError

from polypvision.errors import LogbookError, LogbookTooNew, OutputError
from polypvision.files.places import default_logbook
from polypvision.store.copies import copy_before_step

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
        """Let go of the file."""
        self.engine.dispose()

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """One transaction: everything written inside is kept, or, on any error, nothing.

        Raises
        ------
        LogbookError
            If the database refuses.
        """
        with _told(self.place), self.engine.begin() as connection:
            yield connection

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection that only looks.

        Raises
        ------
        LogbookError
            If the database refuses.
        """
        options: dict[str, Any] = {"looks_only": True}
        with _told(self.place), self.engine.connect() as connection:
            yield connection.execution_options(**options)


def default_place() -> Path:
    """Return where a person's logbook lies unless they say otherwise."""
    return default_logbook()


def open_logbook(place: Path | str | None = None, *, create: bool = False) -> Logbook:
    """Open a logbook, bringing an older one up to date first.

    Parameters
    ----------
    place : Path, str or None
        An SQLite file, or a database URL ("postgresql+psycopg://..."); None means
        `default_place`.
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
        if create and not os.environ.get("POLYPVISION_LOGBOOK"):
            _make_folder(place.parent)
    shown = str(place)
    if "://" in shown:
        engine = _engine_of_url(shown)
        shown = engine.url.render_as_string(hide_password=True)
    else:
        engine = _engine_of_file(Path(place), create)
    book = Logbook(engine=engine, place=shown)
    try:
        _bring_up_to_date(book)
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
        folder.mkdir(parents=True, exist_ok=True)
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
            raise LogbookError(
                f"There is no logbook at {path} yet. Record photos first with: "
                "polypvision read --record PHOTO..."
            )
        if not path.parent.is_dir():
            raise LogbookError(
                f"The folder {path.parent} for the logbook does not exist. Create it, or check "
                "the name."
            )
    except OSError as error:
        raise LogbookError(
            f"The logbook {path} cannot be opened ({error.strerror}). Check the name and who "
            "may read it."
        ) from error
    url = sa.URL.create("sqlite", database=str(path))
    engine = sa.create_engine(url, connect_args={"timeout": _WAIT_S})
    sa.event.listen(engine, "connect", _on_connect)
    sa.event.listen(engine, "begin", _on_begin)
    return engine


def _engine_of_url(url: str) -> sa.Engine:
    try:
        return sa.create_engine(url)
    except (ArgumentError, NoSuchModuleError, ImportError) as error:
        raise LogbookError(
            f"The logbook's address {url.partition('://')[0]}://... cannot be used ({error}). "
            "Check it, and that the database's driver is installed."
        ) from error


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


def _bring_up_to_date(book: Logbook) -> None:
    config = _config()
    script = ScriptDirectory.from_config(config)
    with book.reading() as connection:
        tables = set(sa.inspect(connection).get_table_names())
        revision = MigrationContext.configure(connection).get_current_revision()
    if tables and not (revision and tables >= _MARK_TABLES):
        raise LogbookError(
            f"{book.place} is a database, but not a logbook of polypvision. Choose another file."
        )
    if revision == script.get_current_head():
        return
    known = {step.revision for step in script.walk_revisions()}
    if revision is not None and revision not in known:
        raise LogbookTooNew(
            f"The logbook {book.place} was written by a newer polypvision (step {revision}; this "
            f"one knows up to {script.get_current_head()}). Update polypvision to open it."
        )
    with book.writing() as connection:
        if MigrationContext.configure(connection).get_current_revision() != revision:
            return  # Another program did it while we waited.
        if revision is not None and connection.dialect.name == "sqlite":
            _keep_copy(book, str(script.get_current_head()))
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


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


_TROUBLES: tuple[tuple[str, str], ...] = (
    ("locked", "another program is writing to it. Wait a moment and run the command again"),
    ("disk is full", "the disk is full. Free some space and run the command again"),
    ("disk full", "the disk is full. Free some space and run the command again"),
    ("readonly", "it is read-only. Ask its owner for permission, or choose another place"),
    ("read-only", "it is read-only. Ask its owner for permission, or choose another place"),
    ("unable to open", "it cannot be opened. Check its folder, and who may read and write there"),
    ("not a database", "it is no logbook but some other file. Choose another place"),
    ("malformed", "it is damaged. Go back to your last backup: polypvision restore"),
    ("disk i/o", "the disk did not take or give the data; is it full, or failing? Check it"),
)


@contextmanager
def _told(place: str) -> Iterator[None]:
    """Turn the database's errors into ours."""
    try:
        yield
    except DBAPIError as error:
        said = str(error.orig).strip().partition("\n")[0]
        for word, trouble in _TROUBLES:
            if word in said.lower():
                raise LogbookError(f"The logbook {place}: {trouble}. ({said})") from error
        raise LogbookError(
            f"The logbook {place} cannot be used ({said}). Check that it is the right one."
        ) from error
