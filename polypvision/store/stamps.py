"""A mark of all that is recorded of a plate: another one as soon as anything has changed."""

import hashlib
import json
import uuid

import sqlalchemy as sa

from polypvision.store.schema import photos, plates


def new_mark() -> str:
    """Return a mark that nothing had before.

    Random and not counted, so that a logbook put back from a copy never has a mark again that
    stood for something else.
    """
    return uuid.uuid4().hex


def touch(connection: sa.Connection, plate: str | None) -> None:
    """Give a plate a new mark; everything that writes of a plate must."""
    if plate is not None:
        own = sa.update(plates).where(plates.c.plate == plate)
        connection.execute(own.values(mark=new_mark()))


def plate_stamp(connection: sa.Connection, plate: str | None) -> str:
    """Return a short text that changes with every photo, correction, line and fact of the plate.

    Of the whole logbook, with the photos that could not be read, if `plate` is None. One row is
    looked at for a plate, and a short one for each plate for the whole; no reading is.
    """
    if plate is not None:
        own = sa.select(plates.c.mark).where(plates.c.plate == plate)
        return connection.execute(own).scalar() or ""
    refused = sa.select(photos.c.sha256, photos.c.read_at).where(
        photos.c.error.is_not(None), photos.c.forgotten_at.is_(None)
    )
    rows = [
        sorted(plate_marks(connection).items()),
        [list(row) for row in connection.execute(refused.order_by(photos.c.sha256))],
    ]
    return hashlib.sha256(json.dumps(rows).encode()).hexdigest()


def plate_marks(connection: sa.Connection) -> dict[str, str]:
    """Return the mark of every plate."""
    held = sa.select(plates.c.plate, plates.c.mark).where(plates.c.forgotten_at.is_(None))
    return {row.plate: row.mark for row in connection.execute(held)}
