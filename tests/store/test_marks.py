"""The mark of a plate changes with everything that is written of it, and with nothing else."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime

import pytest
import sqlalchemy as sa
from conftest import NewPlace
from time_builders import make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.plates.correct import correct_photos
from polypvision.reading import Refusal
from polypvision.store.entries import add_entry, add_missing
from polypvision.store.facts import PlateFacts, set_facts
from polypvision.store.kept import Kept, KeptKind, keep, kept_marks, kept_of
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import save_photo
from polypvision.store.schema import plates
from polypvision.store.stamps import plate_marks, plate_stamp

PHOTO = make_reading(0, [make_polyp(1, 20, 30), make_polyp(2, 60, 30)])
LINE = LogEntry(plate="0042", at=datetime(2031, 3, 4, tzinfo=UTC), kind="note", note="x")


@pytest.fixture
def book(new_place: NewPlace) -> Iterator[Logbook]:
    other = replace(PHOTO, plate="0007", facts=replace(PHOTO.facts, sha256="f" * 64))
    with open_logbook(new_place(), create=True) as opened:
        for one in (PHOTO, other):
            with opened.writing() as connection:
                save_photo(connection, one, path="/a.jpg", settings={})
        yield opened


def _photo_again(connection: sa.Connection) -> None:
    save_photo(connection, PHOTO, path="/a.jpg", settings={})


WRITES: dict[str, Callable[[sa.Connection], object]] = {
    "photo": _photo_again,
    "line": lambda connection: add_entry(connection, LINE),
    "table": lambda connection: add_missing(connection, [LINE]),
    "facts": lambda connection: set_facts(connection, PlateFacts(plate="0042", line="green")),
}


@pytest.mark.parametrize("what", WRITES)
def test_each_way_of_writing_changes_the_plates_own_mark(book: Logbook, what: str) -> None:
    with book.reading() as connection:
        before, whole = plate_marks(connection), plate_stamp(connection, None)
    book.write(WRITES[what])
    with book.reading() as connection:
        after = plate_marks(connection)
        assert plate_stamp(connection, None) != whole
    assert after["0042"] != before["0042"]
    assert after["0007"] == before["0007"]


def test_a_correction_changes_it_and_looking_does_not(book: Logbook) -> None:
    with book.reading() as connection:
        before = plate_marks(connection)
        assert plate_marks(connection) == before
    wish = {"photo": PHOTO.facts.sha256, "kind": "delete", "label": 1}
    correct_photos(book, [wish], author="Ada")
    with book.reading() as connection:
        after = plate_marks(connection)
    assert after["0042"] != before["0042"]
    assert after["0007"] == before["0007"]


def test_a_photo_that_goes_to_another_plate_changes_both(book: Logbook) -> None:
    with book.reading() as connection:
        before = plate_marks(connection)
    moved = replace(PHOTO, plate="0007")
    book.write(lambda connection: save_photo(connection, moved, path="/a.jpg", settings={}))
    with book.reading() as connection:
        after = plate_marks(connection)
    assert all(after[plate] != mark for plate, mark in before.items())


def test_a_refused_photo_changes_the_whole(book: Logbook) -> None:
    with book.reading() as connection:
        whole = plate_stamp(connection, None)
    facts = replace(PHOTO.facts, sha256="e" * 64)
    refused = Refusal(facts=facts, kind="no-card", message="No card.")
    book.write(lambda connection: save_photo(connection, refused, path="/c", settings={}))
    with book.reading() as connection:
        assert plate_stamp(connection, None) != whole


def test_what_was_worked_out_of_a_plate_goes_with_it(book: Logbook) -> None:
    with book.writing() as connection:
        set_facts(connection, PlateFacts(plate="0099"))
        keep(connection, 20.0, [kept("0099", "due")], usual_mm=20.0)
        assert kept_marks(connection, "due", 20.0) == {"0099": "x"}
        connection.execute(sa.delete(plates).where(plates.c.plate == "0099"))
        assert kept_marks(connection, "due", 20.0) == {}


def kept(plate: str, kind: KeptKind, mark: str = "x") -> Kept:
    return Kept(plate=plate, kind=kind, mark=mark, body={"of": plate})


def test_what_is_kept_is_that_of_the_plates_asked_for(book: Logbook) -> None:
    names = [f"{n:04d}" for n in range(100, 105)]
    with book.writing() as connection:
        for name in names:
            set_facts(connection, PlateFacts(plate=name))
        keep(connection, 20.0, [kept(name, "glance") for name in names], usual_mm=20.0)
        keep(connection, 20.0, [kept(names[0], "glance", "y")], usual_mm=20.0)
        found = kept_of(connection, "glance", 20.0, names[:3])
        marks = zip(names[:3], "yxx", strict=True)
        assert found == {name: kept(name, "glance", mark) for name, mark in marks}
        assert kept_of(connection, "due", 20.0, names) == {}
        assert kept_of(connection, "glance", 25.0, names) == {}


def test_of_outlooks_only_the_usual_size_and_the_last_other_one_are_kept(book: Logbook) -> None:
    with book.writing() as connection:
        for size_mm in (20.0, 25.0, 30.0):
            for plate in ("0042", "0007"):
                both = [kept(plate, "outlook"), kept(plate, "due")]
                keep(connection, size_mm, both, usual_mm=20.0)
        sizes = {
            size_mm: sorted(kept_marks(connection, "outlook", size_mm))
            for size_mm in (20.0, 25.0, 30.0)
        }
        assert sizes == {20.0: ["0007", "0042"], 25.0: [], 30.0: ["0007", "0042"]}
        assert len(kept_marks(connection, "due", 25.0)) == 2
