"""What the keeper wrote down: cuts, losses, sales, divisions, notes."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime

import sqlalchemy as sa

from polypvision.events import LogEntry
from polypvision.store.facts import ensure_plate, hold_plate
from polypvision.store.schema import log_entries
from polypvision.store.stamps import touch


def add_entry(connection: sa.Connection, entry: LogEntry) -> None:
    """Write one line. Writing the same twice makes two lines: two polyps may be cut alike."""
    ensure_plate(connection, entry.plate)
    connection.execute(
        sa.insert(log_entries).values(**{**asdict(entry), "at": entry.at.isoformat()})
    )
    touch(connection, entry.plate)


def add_missing(connection: sa.Connection, entries: Sequence[LogEntry]) -> int:
    """Write those lines that are not there yet, as often as they are given; return how many.

    So a table can be handed in again after lines were added to it.
    """
    there: Counter[LogEntry] = Counter()
    for plate in sorted({entry.plate for entry in entries}):
        # Else the same table, handed in by two people at once, would go in twice.
        hold_plate(connection, plate)
        there.update(entries_of(connection, plate))
    added = 0
    for entry in entries:
        if there[entry] > 0:
            there[entry] -= 1
        else:
            add_entry(connection, entry)
            added += 1
    return added


def entries_of(connection: sa.Connection, plate: str) -> list[LogEntry]:
    """Return a plate's lines in date order; of one moment, as they were written."""
    chosen = sa.select(log_entries).where(log_entries.c.plate == plate).order_by(log_entries.c.id)
    found = []
    for row in connection.execute(chosen):
        values = dict(row._mapping)
        del values["id"]
        found.append(LogEntry(**{**values, "at": datetime.fromisoformat(values["at"])}))
    plain = any(entry.at.tzinfo is None for entry in found)
    return sorted(found, key=lambda entry: entry.at.replace(tzinfo=None) if plain else entry.at)
