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

    So a table can be handed in again after lines were added to it. A line that was forgotten
    counts as there: it must not come back with the table.
    """
    there: Counter[LogEntry] = Counter()
    for plate in sorted({entry.plate for entry in entries}):
        # Else the same table, handed in by two people at once, would go in twice.
        hold_plate(connection, plate)
        there.update(entry for _, entry in _rows(connection, plate, forgotten=True))
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
    return [entry for _, entry in numbered_entries_of(connection, plate)]


def numbered_entries_of(connection: sa.Connection, plate: str) -> list[tuple[int, LogEntry]]:
    """Return a plate's lines in the same order, each with its number in the logbook."""
    found = _rows(connection, plate, forgotten=False)
    plain = any(entry.at.tzinfo is None for _, entry in found)
    return sorted(found, key=lambda one: one[1].at.replace(tzinfo=None) if plain else one[1].at)


def _rows(connection: sa.Connection, plate: str, *, forgotten: bool) -> list[tuple[int, LogEntry]]:
    chosen = sa.select(log_entries).where(log_entries.c.plate == plate).order_by(log_entries.c.id)
    if not forgotten:
        chosen = chosen.where(log_entries.c.forgotten_at.is_(None))
    found = []
    for row in connection.execute(chosen):
        values = dict(row._mapping)
        del values["forgotten_at"]
        number = values.pop("id")
        values["at"] = datetime.fromisoformat(values["at"])
        found.append((number, LogEntry(**values)))
    return found
