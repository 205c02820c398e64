"""A logbook on a PostgreSQL server: its address, its connections, and what passes by itself.

A server may be restarted, and a connection lost, in the middle of a season's photos. What was being
written is then written again, and never twice: whether a transaction whose end nobody heard went in
is asked of the server itself.
"""

import importlib
import random
import time
from collections.abc import Callable, Iterator
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy.exc import (
    ArgumentError,
    DBAPIError,
    IntegrityError,
    NoSuchModuleError,
    OperationalError,
)

from polypvision.errors import LogbookError
from polypvision.files.quick_json import from_json, to_json

Result = TypeVar("Result")
Work = Callable[[sa.Connection], Result]

PATIENCE_S = 90.0
"""How long a server that was there may be away before a person is told."""
_CONNECT_S = 10
_PAUSES_S = (0.05, 2.0)
"""The first pause before trying again, and the longest."""
_LOCK = 0x706F6C7970  # "polyp": one number that all polypvisions agree on
_FORM = "postgresql://USER@HOST:PORT/DATABASE"
_OPTIONS: dict[str, Any] = {
    "connect_timeout": _CONNECT_S,
    "application_name": "polypvision",
    # A server that vanished without a word is noticed, instead of being waited for until the
    # system gives up after a quarter of an hour.
    "keepalives_idle": 30,
    "tcp_user_timeout": 30_000,
}


def is_address(place: str) -> bool:
    """Whether a logbook's place is an address and not a file."""
    return "://" in place


def server_engine(text: str) -> sa.Engine:
    """Return connections to the server at an address.

    Raises
    ------
    LogbookError
        If the address is none, or the driver is not installed.
    """
    scheme = text.partition("://")[0]
    trouble = f"The logbook's address {scheme}://... cannot be used"
    # "from None": the library's own words may hold the address with its password.
    try:
        url = sa.make_url(text)
        driver = url.drivername
    except (ArgumentError, ValueError):
        raise LogbookError(
            f"{trouble}. Write it as {_FORM}; in a user's name or password, @ is written %40, "
            ": %3A and / %2F."
        ) from None
    if driver not in ("postgresql", "postgres", "postgresql+psycopg"):
        raise LogbookError(
            f"{trouble}. A logbook is an SQLite file, given by its name, or lies on a PostgreSQL "
            f"server: {_FORM}"
        )
    if not url.database:
        raise LogbookError(f"{trouble}: it names no database. Write it as {_FORM}.")
    try:
        importlib.import_module("psycopg")
    except ImportError:
        raise LogbookError(
            "A logbook on a PostgreSQL server needs one more package. Install it with: "
            "pip install 'polypvision[postgresql]'"
        ) from None
    options = {name: value for name, value in _OPTIONS.items() if name not in url.query}
    try:
        engine = sa.create_engine(
            url.set(drivername="postgresql+psycopg"),
            pool_pre_ping=True,
            connect_args=options,
            json_serializer=to_json,
            json_deserializer=from_json,
        )
    except (ArgumentError, NoSuchModuleError, TypeError, ValueError):
        raise LogbookError(f"{trouble}. Write it as {_FORM}.") from None
    sa.event.listen(engine, "connect", _on_connect)
    return engine


def _on_connect(connection: Any, _: object) -> None:
    # What was said to be written survives a crash, whatever the server does for others.
    connection.execute("SET synchronous_commit TO on")
    connection.commit()


def shown_address(url: sa.URL) -> str:
    """Return an address without password and options, as people may see it."""
    return sa.URL.create(
        "postgresql", username=url.username, host=url.host, port=url.port, database=url.database
    ).render_as_string()


def take_migration_turn(connection: sa.Connection) -> None:
    """Wait until no other program changes the tables; holds until the transaction ends."""
    connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))


def looking(connection: sa.Connection) -> sa.Connection:
    """Return the connection so that all it looks up is of one moment, as in an SQLite file."""
    return connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)


def connected(engine: sa.Engine) -> sa.Connection:
    """Return a connection, waiting for a server that is just away.

    Raises
    ------
    DBAPIError
        If it does not come back.
    """
    return _patiently(engine.connect)


def looked_up(engine: sa.Engine, work: Work[Result]) -> Result:
    """Do work that only looks, again if the connection is lost meanwhile."""

    def once() -> Result:
        with engine.connect() as connection:
            return work(looking(connection))

    return _patiently(once)


def written(engine: sa.Engine, work: Work[Result]) -> Result:
    """Do work in one transaction: its writing goes in whole and once, whatever is lost meanwhile.

    Parameters
    ----------
    engine : sqlalchemy.Engine
    work : callable
        Given a connection; may be called again, after its first writing was taken back.

    Raises
    ------
    DBAPIError
        If the server refuses, or stays away for longer than `PATIENCE_S`.

    References
    ----------
    PostgreSQL 15 manual, 9.27 "System information functions": txid_status tells a program that was
    cut off during a COMMIT whether it went in (from memory).
    """

    def once() -> Result:
        ticket: int | None = None
        try:
            with engine.connect() as connection, connection.begin():
                result = work(connection)
                ticket = int(connection.execute(sa.select(sa.func.txid_current())).scalar_one())
        except DBAPIError as error:
            if ticket is None or not _passes(error):
                raise
            if not _patiently(lambda: _went_in(engine, ticket)):
                raise
        return result

    return _patiently(once)


class _Unsettled(Exception):
    """The server does not say yet what became of a transaction."""


def _went_in(engine: sa.Engine, ticket: int) -> bool:
    with engine.connect() as connection:
        fate = connection.execute(sa.select(sa.func.txid_status(ticket))).scalar_one()
    if fate not in ("committed", "aborted"):
        raise _Unsettled
    return bool(fate == "committed")


def _patiently(work: Callable[[], Result]) -> Result:
    until = time.monotonic() + PATIENCE_S
    for pause in _pauses():
        try:
            return work()
        except DBAPIError as error:
            if time.monotonic() > until or not _passes(error):
                raise
        except _Unsettled:
            if time.monotonic() > until:
                raise LogbookError(
                    "The logbook's server was lost while something was written, and does not say "
                    "whether it went in. Look whether it is there, then run the command again."
                ) from None
        time.sleep(pause)
    raise AssertionError("pauses never end")


def _pauses() -> Iterator[float]:
    """Longer and longer, and by chance, so that those who met once do not meet again."""
    pause, longest = _PAUSES_S
    while True:
        yield pause * random.uniform(0.5, 1.0)
        pause = min(2 * pause, longest)


_PASSING_STATES = ("40001", "40P01", "57P01", "57P02", "57P03", "53300", "08")
"""SQLSTATE (ISO/IEC 9075, and PostgreSQL 15 manual, appendix A; from memory): others wrote at once,
deadlock, server stopping, crashed or starting, no connection left, connection lost."""
_LASTING_WORDS = ("password", "role", "pg_hba.conf", "does not exist", "certificate", "invalid",
                  "permission")  # fmt: skip
"""Of a server that lets nobody in, and will not the next time."""


def _passes(error: DBAPIError) -> bool:
    """Whether it may go well the next time."""
    if error.connection_invalidated:
        return True
    # Someone else wrote the very same first: the next time it is found there.
    if isinstance(error, IntegrityError):
        return getattr(error.orig, "sqlstate", None) == "23505"
    state = getattr(error.orig, "sqlstate", None)
    if state:
        return str(state).startswith(_PASSING_STATES)
    # The driver gives no state where it could not connect: away, starting, or in recovery.
    said = str(error.orig).lower()
    return isinstance(error, OperationalError) and not any(one in said for one in _LASTING_WORDS)
