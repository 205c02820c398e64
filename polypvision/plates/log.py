"""What the keeper says of a plate, and writes down about it."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from polypvision.events import LogEntry
from polypvision.files.log_table import read_log_table
from polypvision.plates.names import plate_name
from polypvision.store.entries import add_entry, add_missing, numbered_entries_of
from polypvision.store.facts import PlateFacts, PlateSummary, facts_of, find_facts, set_facts
from polypvision.store.facts import summaries as plate_summaries
from polypvision.store.logbook import Logbook
from polypvision.store.readings import photos_of


def list_plates(logbook: Logbook) -> list[PlateSummary]:
    """Return every plate with what is said of it and how much is recorded."""
    with logbook.reading() as connection:
        return plate_summaries(connection)


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
    with logbook.writing() as connection:
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


def note(logbook: Logbook, entry: LogEntry) -> None:
    """Write one line about a plate into the logbook."""
    with logbook.writing() as connection:
        add_entry(connection, entry)


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
    with logbook.writing() as connection:
        return len(entries), add_missing(connection, entries)


def log_of(logbook: Logbook, plate: str) -> Sequence[LogEntry]:
    """Return what was written down about a plate, in date order."""
    return [entry for _, entry in numbered_log_of(logbook, plate)]


def numbered_log_of(logbook: Logbook, plate: str) -> Sequence[tuple[int, LogEntry]]:
    """Return what was written down about a plate, in date order, each line with its number."""
    with logbook.reading() as connection:
        facts_of(connection, plate)
        return numbered_entries_of(connection, plate)
