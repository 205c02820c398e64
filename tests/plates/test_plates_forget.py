"""Forgotten, brought back, purged: never by mistake, and never half."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from logbook_makers import DAYS, fill

from polypvision.errors import EntryUnknown, PhotoUnknown, PlateUnknown
from polypvision.events import LogEntry
from polypvision.plates.correct import correct_photos, photo_as_it_holds
from polypvision.plates.forget import forget, forgotten_things, purge_forgotten, recall
from polypvision.plates.log import list_plates, log_of, note, numbered_log_of
from polypvision.plates.read import ReadWishes, read_photos
from polypvision.plates.show import stored_photos
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.stamps import plate_stamp

NOW = datetime(2031, 5, 1, tzinfo=UTC)


@pytest.fixture
def photos(tmp_path: Path, book: Logbook) -> list[Path]:
    return fill(book, tmp_path)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(tmp_path / "book.sqlite", create=True) as opened:
        yield opened


def dump(book: Logbook) -> str:
    """All there is, but for the mark of the plate: that is another one after every change."""
    with book.reading() as connection:
        raw = connection.connection.driver_connection
        assert raw is not None
        lines = list(raw.iterdump())
    return "\n".join(
        re.sub("'[0-9a-f]{32}'", "", line) if line.startswith('INSERT INTO "plates"') else line
        for line in lines
    )


def test_what_is_forgotten_comes_back_as_it_was(book: Logbook, photos: list[Path]) -> None:
    act = {"kind": "add-mouth", "label": 1, "place_px": [140, 120]}
    correct_photos(book, [{**act, "photo": photos[1].name}], author="Ada")
    ((number, _),) = numbered_log_of(book, "0042")
    before = dump(book)
    for what in (
        {"photos": [photos[1].name]},
        {"entries": [number]},
        {"plates": ["42"]},
        {"photos": [photos[0].name, photos[2].name], "entries": [number]},
    ):
        forget(book, **what, now=NOW)
        assert dump(book) != before
        recall(book, **what)
        assert dump(book) == before


def test_a_forgotten_photo_is_left_out_everywhere(book: Logbook, photos: list[Path]) -> None:
    with book.reading() as connection:
        stamp = plate_stamp(connection, "0042")
    forget(book, photos=[str(photos[0])], now=NOW)
    assert len(stored_photos(book, "0042")) == len(DAYS) - 1
    (plate,) = list_plates(book)
    assert (plate.n_photos, (plate.first or "")[:10]) == (len(DAYS) - 1, "2024-03-08")
    with book.reading() as connection:
        assert plate_stamp(connection, "0042") != stamp
    with pytest.raises(PhotoUnknown):
        photo_as_it_holds(book, photos[0].name)
    # The folder is read again, and it is still there.
    (again,) = read_photos([photos[0]], ReadWishes(again=True), logbook=book)
    assert (again.status, "--undo" in again.remark) == ("forgotten", True)
    assert len(stored_photos(book, "0042")) == len(DAYS) - 1
    assert photos[0].exists()


def test_a_forgotten_line_does_not_come_back_with_its_table(book: Logbook, tmp_path: Path) -> None:
    from polypvision.plates.log import note_table

    table = tmp_path / "log.csv"
    table.write_text("plate,date,kind\n7,2024-03-01,cut\n7,2024-03-02,loss\n", encoding="utf-8")
    note_table(book, table)
    (number, _), _ = numbered_log_of(book, "0007")
    forget(book, entries=[number], now=NOW)
    assert note_table(book, table) == (2, 0)
    assert [entry.kind for entry in log_of(book, "0007")] == ["loss"]


def test_a_plate_whose_card_is_used_anew(book: Logbook, photos: list[Path]) -> None:
    forget(book, photos=[str(photos[3])], now=NOW - timedelta(days=1))
    forget(book, plates=["42"], now=NOW)
    assert list_plates(book) == []
    with pytest.raises(PlateUnknown, match="It was forgotten"):
        log_of(book, "0042")
    assert [(one.kind, one.words) for one in forgotten_things(book)] == [
        ("photo", f"{photos[3]} (2024-03-29)"),
        ("plate", "with 3 photos and 1 line of its log"),
    ]
    note(book, LogEntry(plate="0042", at=NOW, kind="note", note="new polyps"))
    (plate,) = list_plates(book)
    assert (plate.n_photos, plate.n_entries) == (0, 1)
    recall(book, plates=["42"])
    assert list_plates(book)[0].n_photos == 4


def test_only_what_was_forgotten_30_days_ago_is_taken_away(
    book: Logbook, photos: list[Path]
) -> None:
    act = {"kind": "add-mouth", "label": 1, "place_px": [140, 120], "photo": photos[0].name}
    correct_photos(book, [act], author="Ada")
    forget(book, photos=[str(photos[0])], now=NOW)
    forget(book, plates=["42"], now=NOW + timedelta(days=5))
    assert purge_forgotten(book, now=NOW + timedelta(days=29, hours=23)) == ()
    # A clock set back takes nothing away either.
    assert purge_forgotten(book, now=NOW - timedelta(days=400)) == ()
    (gone,) = purge_forgotten(book, now=NOW + timedelta(days=30))
    assert gone.kind == "photo"
    recall(book, plates=["42"])
    assert len(stored_photos(book, "0042")) == 3
    forget(book, plates=["42"], now=NOW)
    assert [one.kind for one in purge_forgotten(book, now=NOW + timedelta(days=31))] == ["plate"]
    with book.reading() as connection:
        for table in ("plates", "photos", "photo_names", "polyps", "mouths", "corrections",
                      "log_entries"):  # fmt: skip
            assert connection.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar() == 0
    assert all(photo.exists() for photo in photos)


def test_what_is_not_there_cannot_be_forgotten_and_nothing_else_is(
    book: Logbook, photos: list[Path]
) -> None:
    before = dump(book)
    for what, error in (
        ({"photos": [str(photos[0]), "none.jpg"]}, PhotoUnknown),
        ({"photos": [str(photos[0])], "plates": ["9"]}, PlateUnknown),
        ({"plates": ["42"], "entries": [999]}, EntryUnknown),
    ):
        with pytest.raises(error):
            forget(book, **what, now=NOW)
    assert dump(book) == before
    forget(book, photos=[str(photos[0])], now=NOW)
    before = dump(book)
    for what, error in (
        ({"photos": [str(photos[0]), str(photos[1])]}, PhotoUnknown),
        ({"photos": [str(photos[0])], "plates": ["9"]}, PlateUnknown),
        ({"photos": [str(photos[0])], "entries": [1]}, EntryUnknown),
    ):
        with pytest.raises(error):
            recall(book, **what)
    assert dump(book) == before
