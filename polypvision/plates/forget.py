"""Photos, plates and lines of the log forgotten, brought back, and at last taken away."""

from collections.abc import Sequence
from datetime import UTC, datetime

from polypvision.plates.names import plate_name
from polypvision.store.corrections import photo_named
from polypvision.store.forgotten import (
    Forgotten,
    forget_entry,
    forget_photo,
    forget_plate,
    forgotten,
    purge,
    recall_entry,
    recall_photo,
    recall_plate,
)
from polypvision.store.logbook import Logbook


def forget(
    logbook: Logbook,
    *,
    photos: Sequence[str] = (),
    plates: Sequence[str] = (),
    entries: Sequence[int] = (),
    now: datetime | None = None,
) -> None:
    """Leave out photos, plates and lines of the log from now on; all, or on any error none.

    They can be brought back (`recall`) until they are purged, for at least 30 days.

    Parameters
    ----------
    logbook : Logbook
    photos : sequence of str
        By hash, or name of the file.
    plates : sequence of str
        With all their photos and lines.
    entries : sequence of int
        Numbers of lines of the log.
    now : datetime, optional

    Raises
    ------
    PhotoUnknown, PlateUnknown, EntryUnknown
    """
    at = now or datetime.now(UTC)
    with logbook.writing() as connection:
        for photo in photos:
            forget_photo(connection, photo_named(connection, photo), at)
        for plate in plates:
            forget_plate(connection, plate_name(plate), at)
        for entry in entries:
            forget_entry(connection, entry, at)


def recall(
    logbook: Logbook,
    *,
    photos: Sequence[str] = (),
    plates: Sequence[str] = (),
    entries: Sequence[int] = (),
) -> None:
    """Bring back what was forgotten; all, or on any error nothing. See `forget`."""
    with logbook.writing() as connection:
        for photo in photos:
            recall_photo(connection, photo_named(connection, photo, forgotten=True))
        for plate in plates:
            recall_plate(connection, plate_name(plate))
        for entry in entries:
            recall_entry(connection, entry)


def forgotten_things(logbook: Logbook) -> list[Forgotten]:
    """Return what can be brought back, oldest first."""
    with logbook.reading() as connection:
        return forgotten(connection)


def purge_forgotten(logbook: Logbook, *, now: datetime | None = None) -> tuple[Forgotten, ...]:
    """Take away for good what was forgotten at least 30 days ago; return it.

    Photo files stay where they lie; one that is met again is recorded as if it were new.
    """
    with logbook.writing() as connection:
        return purge(connection, now or datetime.now(UTC))
