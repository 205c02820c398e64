"""What a person forgot: marked with the moment, left out everywhere, brought back or purged."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import sqlalchemy as sa

from polypvision.errors import EntryUnknown, PlateUnknown
from polypvision.store.schema import (
    corrections,
    log_entries,
    mouths,
    photo_names,
    photos,
    plate_kept,
    plates,
    polyps,
)
from polypvision.store.stamps import touch
from polypvision.words import counted

KEPT = timedelta(days=30)
"""How long at least what was forgotten can be brought back."""

_WITH_PLATE = (photos, log_entries)
Kind = Literal["photo", "plate", "entry"]


@dataclass(frozen=True, kw_only=True)
class Forgotten:
    """Something forgotten.

    Attributes
    ----------
    kind : {'photo', 'plate', 'entry'}
    name : str
        Hash of the photo, name of the plate, or number of the line in the log.
    words : str
        What it is, for a person.
    at : datetime
        When it was forgotten, with its offset.
    """

    kind: Kind
    name: str
    words: str
    at: datetime


def forget_photo(connection: sa.Connection, sha256: str, at: datetime) -> None:
    """Mark a photo."""
    _mark(connection, photos, photos.c.sha256 == sha256, at)


def recall_photo(connection: sa.Connection, sha256: str) -> None:
    """Bring a photo back, and its plate with it."""
    _bring_back(connection, photos, photos.c.sha256 == sha256)


def forget_entry(connection: sa.Connection, number: int, at: datetime) -> None:
    """Mark a line of the log.

    Raises
    ------
    EntryUnknown
    """
    if not _mark(connection, log_entries, log_entries.c.id == number, at):
        raise EntryUnknown(
            f"The log has no line {number}. Its numbers are shown by: polypvision plates PLATE"
        )


def recall_entry(connection: sa.Connection, number: int) -> None:
    """Bring a line of the log back, and its plate with it.

    Raises
    ------
    EntryUnknown
    """
    if not _bring_back(connection, log_entries, log_entries.c.id == number):
        raise EntryUnknown(
            f"No line {number} of the log was forgotten. List them with: polypvision forget"
        )


def forget_plate(connection: sa.Connection, plate: str, at: datetime) -> None:
    """Mark a plate with all its photos and lines.

    Raises
    ------
    PlateUnknown
    """
    if not _mark(connection, plates, plates.c.plate == plate, at):
        raise PlateUnknown(f"The logbook has no plate {plate!r}. List them: polypvision plates")
    for table in _WITH_PLATE:
        _mark(connection, table, table.c.plate == plate, at)


def recall_plate(connection: sa.Connection, plate: str) -> None:
    """Bring back a plate with what was forgotten together with it.

    If the plate came back by itself, because something new was recorded of it, then with all of it
    that was forgotten.

    Raises
    ------
    PlateUnknown
    """
    mark = connection.execute(
        sa.select(plates.c.forgotten_at).where(plates.c.plate == plate)
    ).scalar()
    found = 0
    for table in (plates, *_WITH_PLATE):
        of_plate = table.c.plate == plate
        which = of_plate if mark is None else of_plate & (table.c.forgotten_at == mark)
        found += _bring_back(connection, table, which)
    if not found:
        raise PlateUnknown(
            f"Nothing of a plate {plate!r} was forgotten. List what was: polypvision forget"
        )


def _mark(
    connection: sa.Connection, table: sa.Table, which: sa.ColumnElement[bool], at: datetime
) -> int:
    held = which & table.c.forgotten_at.is_(None)
    _touch_plates(connection, table, held)
    marked = sa.update(table).where(held).values(forgotten_at=at.isoformat())
    return connection.execute(marked).rowcount


def _bring_back(connection: sa.Connection, table: sa.Table, which: sa.ColumnElement[bool]) -> int:
    gone = which & table.c.forgotten_at.is_not(None)
    _touch_plates(connection, table, gone)
    if table is not plates:
        of_plates = sa.select(table.c.plate).where(gone)
        connection.execute(
            sa.update(plates).where(plates.c.plate.in_(of_plates)).values(forgotten_at=None)
        )
    return connection.execute(sa.update(table).where(gone).values(forgotten_at=None)).rowcount


def _touch_plates(
    connection: sa.Connection, table: sa.Table, which: sa.ColumnElement[bool]
) -> None:
    """What is known of the plates concerned is worked out anew."""
    for plate in connection.execute(sa.select(table.c.plate).where(which).distinct()).scalars():
        touch(connection, plate)


def forgotten(connection: sa.Connection) -> list[Forgotten]:
    """Return what can be brought back, oldest first.

    Photos and lines that were forgotten with their plate are told as the plate.
    """
    found = []
    marks = {}
    for row in connection.execute(sa.select(plates).where(plates.c.forgotten_at.is_not(None))):
        marks[row.plate] = row.forgotten_at
        found.append(_found("plate", row.plate, _plate_words(connection, row), row.forgotten_at))
    names = sa.select(photo_names.c.path).where(photo_names.c.sha256 == photos.c.sha256)
    last = names.order_by(photo_names.c.id.desc()).limit(1).scalar_subquery()
    chosen = sa.select(photos, last.label("path"))
    for row in connection.execute(chosen.where(photos.c.forgotten_at.is_not(None))):
        if marks.get(row.plate) != row.forgotten_at:
            words = f"{row.path} ({(row.taken_at or 'no date')[:10]})"
            found.append(_found("photo", row.sha256, words, row.forgotten_at))
    lines = sa.select(log_entries).where(log_entries.c.forgotten_at.is_not(None))
    for row in connection.execute(lines):
        if marks.get(row.plate) != row.forgotten_at:
            words = f"plate {row.plate}, {row.at[:10]}, {row.kind}"
            found.append(_found("entry", str(row.id), words, row.forgotten_at))
    return sorted(found, key=lambda one: (one.at, one.kind, one.name))


def _plate_words(connection: sa.Connection, row: sa.Row[tuple[str]]) -> str:
    photo_count, line_count = (
        connection.execute(
            sa.select(sa.func.count())
            .select_from(table)
            .where(table.c.plate == row.plate, table.c.forgotten_at == row.forgotten_at)
        ).scalar_one()
        for table in _WITH_PLATE
    )
    return f"with {counted(photo_count, 'photo')} and {counted(line_count, 'line')} of its log"


def _found(kind: Kind, name: str, words: str, at: str) -> Forgotten:
    return Forgotten(kind=kind, name=name, words=words, at=datetime.fromisoformat(at))


def purge(connection: sa.Connection, now: datetime) -> tuple[Forgotten, ...]:
    """Take away for good what was forgotten at least `KEPT` ago; return it.

    The photos themselves, as files, are left where they lie.
    """
    old = tuple(one for one in forgotten(connection) if now - one.at >= KEPT)
    for one in old:
        if one.kind == "plate":
            _purge_plate(connection, one)
        elif one.kind == "photo":
            _purge_photos(connection, [one.name])
        else:
            connection.execute(sa.delete(log_entries).where(log_entries.c.id == int(one.name)))
    return old


def _purge_plate(connection: sa.Connection, one: Forgotten) -> None:
    mark = one.at.isoformat()
    of_plate = (photos.c.plate == one.name) & (photos.c.forgotten_at == mark)
    hashes = connection.execute(sa.select(photos.c.sha256).where(of_plate)).scalars().all()
    _purge_photos(connection, hashes)
    same = (log_entries.c.plate == one.name) & (log_entries.c.forgotten_at == mark)
    connection.execute(sa.delete(log_entries).where(same))
    left = [
        connection.execute(sa.select(sa.literal(1)).where(table.c.plate == one.name)).first()
        for table in _WITH_PLATE
    ]
    if not any(left):  # What was forgotten later stays for its own 30 days, and holds its plate.
        for table in (plate_kept, plates):
            connection.execute(sa.delete(table).where(table.c.plate == one.name))


def _purge_photos(connection: sa.Connection, hashes: Sequence[str]) -> None:
    for sha256 in hashes:
        # In this order, for each refers to the ones after it.
        for table in (corrections, mouths, polyps, photo_names, photos):
            connection.execute(sa.delete(table).where(table.c.sha256 == sha256))
