"""Troubles of a database told in words: what is the matter, and what to do. Never a password."""

from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import quote

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from polypvision.errors import LogbookError

_BY_WORDS: tuple[tuple[str, str], ...] = (
    ("locked", "another program is writing to it. Wait a moment and run the command again"),
    ("disk is full", "the disk is full. Free some space and run the command again"),
    ("disk full", "the disk is full. Free some space and run the command again"),
    ("readonly", "it is read-only. Ask its owner for permission, or choose another place"),
    ("read-only", "it is read-only. Ask its owner for permission, or choose another place"),
    ("unable to open", "it cannot be opened. Check its folder, and who may read and write there"),
    ("not a database", "it is no logbook but some other file. Choose another place"),
    ("malformed", "it is damaged. Go back to your last backup: polypvision restore"),
    ("disk i/o", "the disk did not take or give the data; is it full, or failing? Check it"),
    ("password", "the server does not take this user and password. Check both; a password that is "
                 "not in the address is looked for in PGPASSWORD and in the file .pgpass"),
    ("role", "the server does not know this user. Check the name, or ask whoever looks after it"),
    ("pg_hba.conf", "the server lets nobody in from this computer with this user. Ask whoever "
                    "looks after it"),
    ("too many", "the server has no connection left. Wait a moment and run the command again"),
    ("does not exist", "the server has no such database. Check the name, or create it there: "
                       "createdb NAME"),
    ("permission denied", "this user may not do that there. Let its owner allow it: GRANT CREATE, "
                          "USAGE ON SCHEMA public TO the user"),
    ("resolve", "there is no computer of that name. Check the address and the network"),
    ("name or service not known", "there is no computer of that name. Check the address and the "
                                  "network"),
    ("refused", "no database server answers there. Check the address and port, and that it runs"),
    ("timeout", "the server does not answer. Check the address and the network"),
    ("no route", "the server cannot be reached. Check the address and the network"),
    ("unreachable", "the server cannot be reached. Check the address and the network"),
    ("certificate", "the server's certificate cannot be trusted. Ask whoever looks after it"),
    ("terminating connection", "the server was stopped. Run the command again when it is back"),
    ("shutting down", "the server is stopping. Run the command again when it is back"),
    ("not yet accepting", "the server is just starting. Run the command again in a moment"),
    ("in recovery", "the server is just starting. Run the command again in a moment"),
    ("starting up", "the server is just starting. Run the command again in a moment"),
    ("closed the connection", "the connection was lost. Run the command again"),
    ("connection is lost", "the connection was lost. Run the command again"),
    ("serialize", "others wrote to the same place at once. Run the command again"),
    ("deadlock", "others wrote to the same place at once. Run the command again"),
)  # fmt: skip


def without_password(text: str, url: sa.URL) -> str:
    """Return a text in which no password of an address stands."""
    asked = url.query.get("password", ())
    secrets = [str(url.password or ""), *((asked,) if isinstance(asked, str) else asked)]
    for secret in filter(None, secrets):
        for form in (secret, quote(secret, safe="")):
            text = text.replace(form, "***")
    return text


@contextmanager
def told(place: str, url: sa.URL) -> Iterator[None]:
    """Turn the database's errors into ours.

    Parameters
    ----------
    place : str
        The logbook as it is shown.
    url : sqlalchemy.URL
        Its address, of which the password is kept out of every message.

    Raises
    ------
    LogbookError
    """
    try:
        yield
    except DBAPIError as error:
        lines = str(error.orig).strip().splitlines() or [type(error.orig).__name__]
        said = without_password(lines[0], url)
        for word, trouble in _BY_WORDS:
            if word in said.lower():
                raise LogbookError(f"The logbook {place}: {trouble}. ({said})") from error
        raise LogbookError(
            f"The logbook {place} cannot be used ({said}). Check that it is the right one."
        ) from error
