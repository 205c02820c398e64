"""The logbook's rows as they are stored, for checking them against each other."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from polypvision.store.schema import mouths, photos, polyps


def database_faults(connection: sa.Connection) -> list[str]:
    """Return what the database finds wrong with its own file; empty if all is well.

    Asks SQLite for its integrity check and its check of references (https://www.sqlite.org/pragma.html,
    from memory). A database server watches over its files itself.
    """
    if connection.dialect.name != "sqlite":
        return []
    found = connection.exec_driver_sql("PRAGMA integrity_check").scalars().all()
    faults = [str(one) for one in found if one != "ok"]
    for table, row, other, _ in connection.exec_driver_sql("PRAGMA foreign_key_check"):
        faults.append(f"row {row} of {table} refers to what is not in {other}")
    return faults


@dataclass(frozen=True, kw_only=True)
class RawPhoto:
    """A photo's row with the rows that repeat parts of it.

    Attributes
    ----------
    sha256 : str
    plate, taken_at, error : str or None
        As in their own columns.
    record : mapping or None
        None if it is no JSON.
    polyps : tuple of mapping
        Rows of the table of polyps, in the order of their labels.
    n_mouths : mapping of int to int
        Rows of the table of mouths, by label.
    """

    sha256: str
    plate: str | None
    taken_at: str | None
    error: str | None
    record: Mapping[str, Any] | None
    polyps: tuple[Mapping[str, Any], ...]
    n_mouths: Mapping[int, int]


def raw_photos(connection: sa.Connection) -> Iterator[RawPhoto]:
    """Yield every photo's rows, by hash."""
    # As text, for a record that is no JSON any more must not stop the others.
    record = sa.type_coerce(photos.c.record, sa.Text)
    columns = (photos.c.sha256, photos.c.plate, photos.c.taken_at, photos.c.error)
    chosen = sa.select(*columns, record.label("record"))
    # One after the other, for all readings of a room together would fill the memory.
    hashes = connection.execute(sa.select(photos.c.sha256).order_by(photos.c.sha256)).scalars()
    for sha256 in hashes.all():
        row = connection.execute(chosen.where(photos.c.sha256 == sha256)).one()
        of_photo = sa.select(polyps).where(polyps.c.sha256 == row.sha256).order_by(polyps.c.label)
        counted = (
            sa.select(mouths.c.label, sa.func.count())
            .where(mouths.c.sha256 == row.sha256)
            .group_by(mouths.c.label)
        )
        yield RawPhoto(
            sha256=row.sha256,
            plate=row.plate,
            taken_at=row.taken_at,
            error=row.error,
            record=_parsed(row.record),
            polyps=tuple(dict(one._mapping) for one in connection.execute(of_photo)),
            n_mouths={int(label): int(count) for label, count in connection.execute(counted)},
        )


def _parsed(record: Any) -> Mapping[str, Any] | None:
    if isinstance(record, str):
        try:
            record = json.loads(record)
        except ValueError:
            return None
    return record if isinstance(record, dict) else None
