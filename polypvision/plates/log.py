"""What the keeper says of a plate, and writes down about it."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import sqlalchemy as sa

from polypvision.events import LogEntry
from polypvision.files.log_table import read_log_table
from polypvision.plates.names import plate_name
from polypvision.store.entries import add_entry, add_missing, numbered_entries_of
from polypvision.store.facts import (
    PlateFacts,
    PlateSummary,
    count_plates,
    facts_of,
    find_facts,
    hold_plate,
    plate_names,
    set_facts,
    summaries,
    summary_of,
)
from polypvision.store.logbook import Logbook
from polypvision.store.readings import photos_of


def list_plates(logbook: Logbook) -> list[PlateSummary]:
    """Return every plate with what is said of it and how much is recorded."""
    return logbook.look(summaries)


def names_of_plates(logbook: Logbook) -> list[str]:
    """Return the names of all plates, in their order."""
    return logbook.look(plate_names)


def some_plates(
    logbook: Logbook, words: str, start: int, most: int
) -> tuple[list[PlateSummary], int]:
    """Return a stretch of the list of plates, and how long the list is.

    Parameters
    ----------
    logbook : Logbook
    words : str
        Only plates that have all of these words in their name, line or note.
    start : int
        So many are left out before the first.
    most : int
        At most so many are returned.
    """
    with logbook.reading() as connection:
        found = summaries(connection, words=words, start=start, most=most)
        return found, count_plates(connection, words)


def one_plate(logbook: Logbook, plate: str) -> PlateSummary:
    """Return a plate with what is said of it and how much is recorded.

    Raises
    ------
    PlateUnknown
    """
    return logbook.look(lambda connection: summary_of(connection, plate))


def say_of_plate(
    logbook: Logbook,
    plate: str,
    *,
    line: str | None = None,
    normal_mouths: int | None = None,
    bar_mm: float | None = None,
    note: str | None = None,
    disc_height_mm: float | None = None,
    water_depth_mm: float | None = None,
) -> tuple[PlateFacts, int]:
    """Change what is said of a plate; None leaves a thing as it is.

    Returns
    -------
    PlateFacts
        As it is now.
    int
        How many of its photos were read with other settings, and are due to be read again.
    """
    changes = {
        "line": line,
        "normal_mouths": normal_mouths,
        "bar_mm": bar_mm,
        "note": note,
        "disc_height_mm": disc_height_mm,
        "water_depth_mm": water_depth_mm,
    }

    def change(connection: sa.Connection) -> tuple[PlateFacts, int]:
        hold_plate(connection, plate)
        before = find_facts(connection, plate) or PlateFacts(plate=plate)
        facts = replace(before, **{k: v for k, v in changes.items() if v is not None})  # type: ignore[arg-type]
        set_facts(connection, facts)
        due = sum(
            photo.settings.get("bar_mm") != facts.bar_mm
            or photo.settings.get("normal_mouths") != facts.normal_mouths
            or photo.settings.get("disc_height_mm", 0.0) != (facts.disc_height_mm or 0.0)
            or photo.settings.get("water_depth_mm") != (facts.water_depth_mm or None)
            for photo in photos_of(connection, plate)
        )
        return facts, due

    return logbook.write(change)


def note(logbook: Logbook, entry: LogEntry) -> None:
    """Write one line about a plate into the logbook."""
    logbook.write(lambda connection: add_entry(connection, entry))


def note_table(logbook: Logbook, path: Path) -> tuple[int, int]:
    """Write the lines of a CSV file into the logbook, all or none; lines it has are left out.

    Returns
    -------
    int, int
        Lines in the file, and lines that were new.

    Raises
    ------
    TableError
        With the number of the row that is wrong.
    """
    entries = [replace(entry, plate=plate_name(entry.plate)) for entry in read_log_table(path)]
    return len(entries), logbook.write(lambda connection: add_missing(connection, entries))


def log_of(logbook: Logbook, plate: str) -> Sequence[LogEntry]:
    """Return what was written down about a plate, in date order."""
    return [entry for _, entry in numbered_log_of(logbook, plate)]


def numbered_log_of(logbook: Logbook, plate: str) -> Sequence[tuple[int, LogEntry]]:
    """Return what was written down about a plate, in date order, each line with its number."""
    with logbook.reading() as connection:
        facts_of(connection, plate)
        return numbered_entries_of(connection, plate)
