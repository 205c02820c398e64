"""Logbooks as every step left them, kept as SQL text in `old_logbooks/`.

Each was written by the program of its day, with these acts as far as it knew them. After a
new step:

    PYTHONPATH=tests python tests/old_logbook.py

writes that of today. The oldest ones must never be written anew.
"""

import contextlib
import os
import sqlite3
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

FOLDER = Path(__file__).parent / "old_logbooks"
STEPS = tuple(sorted(path.stem for path in FOLDER.glob("*.sql")))
AT = datetime(2024, 4, 1, tzinfo=UTC)


def write_old_logbook(step: str, place: Path) -> Path:
    """Write the logbook of a step as a file."""
    with contextlib.closing(sqlite3.connect(place)) as made:
        made.executescript((FOLDER / f"{step}.sql").read_text(encoding="utf-8"))
    return place


def _fill() -> None:
    import logbook_makers

    from polypvision.plates.correct import correct_photos
    from polypvision.plates.forget import forget
    from polypvision.plates.log import say_of_plate
    from polypvision.reading import PhotoFacts, Refusal
    from polypvision.store.logbook import open_logbook
    from polypvision.store.readings import save_photo
    from polypvision.store.ticks import Tick, add_tick

    vars(logbook_makers)["DAYS"] = (0, 7)
    with open_logbook(Path("book.sqlite"), create=True) as book:
        photo = logbook_makers.fill(book, Path("photos"))[1].name
        dark = PhotoFacts(photo="photos/dark.jpg", sha256="d" * 64)
        refusal = Refusal(facts=dark, kind="dark", message="photos/dark.jpg is too dark.")
        with book.writing() as connection:
            save_photo(connection, refusal, path="photos/dark.jpg", settings={})
        for wish in (
            {"kind": "add-mouth", "label": 1, "place_px": [140, 120]},
            {"kind": "delete", "label": 2},
            {"kind": "undo"},
        ):
            correct_photos(book, [{**wish, "photo": photo}], author="Ada", now=AT)
        for done in (True, False, True):
            tick = Tick(
                key="0123456789abcdef",
                done=done,
                author="Ada",
                at=AT,
                task={"kind": "look", "plate": "0042"},
            )
            with book.writing() as connection:
                add_tick(connection, tick)
        say_of_plate(book, "0042", disc_height_mm=12.0, water_depth_mm=80.0)
        say_of_plate(book, "0042", bar_mm=74.6, note="left rack; don't move")
        forget(book, photos=["dark.jpg"], now=AT)


def _write_todays() -> Path:
    folder, start = FOLDER.resolve(), Path.cwd()
    with tempfile.TemporaryDirectory() as here:
        os.chdir(here)
        Path("photos").mkdir()
        _fill()
        os.chdir(start)
        with contextlib.closing(sqlite3.connect(Path(here) / "book.sqlite")) as made:
            ((step,),) = made.execute("SELECT version_num FROM alembic_version")
            path = folder / f"{step}.sql"
            path.write_text("\n".join(made.iterdump()) + "\n", encoding="utf-8")
    return path


if __name__ == "__main__":
    sys.stdout.write(f"{_write_todays()}\n")
