import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from conftest import NewPlace
from time_builders import make_polyp, make_reading

from polypvision import __version__
from polypvision.errors import LogbookError, PlateUnknown
from polypvision.events import LogEntry
from polypvision.reading import PlateReading, Refusal, to_record
from polypvision.store.entries import add_entry, add_missing, entries_of
from polypvision.store.facts import PlateFacts, facts_of, set_facts, summaries
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import (
    add_name,
    find_photo,
    photos_of,
    refused_photos,
    save_photo,
)


@pytest.fixture
def book(new_place: NewPlace) -> Iterator[Logbook]:
    with open_logbook(new_place(), create=True) as opened:
        yield opened


def reading(day: float = 0.0, n: int = 2, **more: object) -> PlateReading:
    polyps = [
        make_polyp(label, 20.0 * label, 30.0, 15.0 + label, n_mouths=1 + label % 2, wound_mm2=3.0)
        for label in range(1, n + 1)
    ]
    return make_reading(day, polyps, **more)  # type: ignore[arg-type]


def save(book: Logbook, outcome: PlateReading | Refusal, path: str = "/photos/a.jpg") -> None:
    with book.writing() as connection:
        save_photo(
            connection,
            outcome,
            path=path,
            settings={"bar_mm": 97.4, "normal_mouths": 1},
            size_px=(4000, 3000),
            date_source="exif",
        )


def counts(book: Logbook) -> dict[str, int]:
    with book.reading() as connection:
        return {
            name: int(connection.exec_driver_sql(f"SELECT count(*) FROM {name}").scalar() or 0)
            for name in ("plates", "photos", "photo_names", "polyps", "mouths", "log_entries")
        }


def test_all_of_a_reading_comes_back(book: Logbook) -> None:
    one = reading()
    save(book, one)
    with book.reading() as connection:
        found = find_photo(connection, one.facts.sha256)
        assert find_photo(connection, "0" * 64) is None
    assert found is not None
    assert to_record(found.outcome) == to_record(one)
    assert found.settings == {"bar_mm": 97.4, "normal_mouths": 1}
    assert (found.size_px, found.date_source, found.program) == ((4000, 3000), "exif", __version__)
    assert found.names == ("/photos/a.jpg",)
    assert counts(book) == {
        "plates": 1, "photos": 1, "photo_names": 1, "polyps": 2, "mouths": 3, "log_entries": 0
    }  # fmt: skip


def test_unknown_numbers_stay_unknown_in_the_rows(book: Logbook) -> None:
    unsure = make_reading(0, [make_polyp(1, 5, 5, diameter_mm_err=float("nan"))])
    save(book, unsure)
    with book.reading() as connection:
        row = connection.exec_driver_sql("SELECT diameter_mm, diameter_mm_err FROM polyps").one()
    assert row == (20.0, None)


def test_recording_again_replaces_and_adds_nothing(book: Logbook) -> None:
    save(book, reading(n=3))
    before = counts(book)
    save(book, reading(n=3))
    assert counts(book) == before
    save(book, reading(n=1))
    assert counts(book)["polyps"] == 1


def test_the_same_photo_under_two_names_is_one_photo(book: Logbook) -> None:
    one = reading()
    save(book, one)
    with book.writing() as connection:
        add_name(connection, one.facts.sha256, "/photos/copy of a.jpg")
        add_name(connection, one.facts.sha256, "/photos/a.jpg")
    with book.reading() as connection:
        [photo] = photos_of(connection, "0042")
    assert photo.names == ("/photos/a.jpg", "/photos/copy of a.jpg")


def test_a_refusal_is_kept_and_gives_way_to_a_reading(book: Logbook) -> None:
    one = reading()
    refusal = Refusal(facts=one.facts, kind="no-card", message="No card.")
    save(book, refusal)
    with book.reading() as connection:
        [photo] = refused_photos(connection)
        assert photos_of(connection, "0042") == []
    assert to_record(photo.outcome) == to_record(refusal)
    save(book, one)
    with book.reading() as connection:
        assert refused_photos(connection) == []
        assert len(photos_of(connection, "0042")) == 1


def test_photos_come_in_the_order_of_true_time(book: Logbook) -> None:
    # 09:00 at +10:00 is an hour before 00:00 UTC, though its clock says later.
    late = reading(photo="late.jpg", taken_at=datetime(2024, 3, 1, 0, tzinfo=UTC))
    early = reading(
        photo="early.jpg", taken_at=datetime(2024, 3, 1, 9, tzinfo=timezone(timedelta(hours=10)))
    )
    save(book, late)
    save(book, early)
    with book.reading() as connection:
        order = [photo.outcome.facts.photo for photo in photos_of(connection, "0042")]
    assert order == ["early.jpg", "late.jpg"]
    # One clock without an offset: then only clocks can be compared.
    save(book, reading(photo="local.jpg", taken_at=datetime(2024, 3, 1, 4)))
    with book.reading() as connection:
        order = [photo.outcome.facts.photo for photo in photos_of(connection, "0042")]
    assert order == ["late.jpg", "local.jpg", "early.jpg"]


def test_an_error_inside_takes_everything_back(book: Logbook) -> None:
    def fails_half_way() -> None:
        with book.writing() as connection:
            save_photo(connection, reading(), path="a", settings={})
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fails_half_way()
    assert sum(counts(book).values()) == 0


def test_a_mouth_without_its_polyp_is_refused(book: Logbook) -> None:
    with pytest.raises(LogbookError), book.writing() as connection:
        connection.exec_driver_sql("INSERT INTO mouths VALUES ('00', 1, 1, 0, 0, 1)")


def test_what_is_said_of_a_plate(book: Logbook) -> None:
    save(book, reading(0.0))
    save(book, reading(7.0))
    facts = PlateFacts(plate="0042", line="green", normal_mouths=3, bar_mm=74.6, note="left rack")
    with book.writing() as connection:
        set_facts(connection, facts)
        set_facts(connection, PlateFacts(plate="rack 3"))
        add_entry(connection, LogEntry(plate="0042", at=datetime(2024, 3, 1), kind="note"))
    with book.reading() as connection:
        assert facts_of(connection, "0042") == facts
        with pytest.raises(PlateUnknown, match=r"'7'\. It has: 0042, rack 3"):
            facts_of(connection, "7")
        first, second = summaries(connection)
    assert (first.facts, first.n_photos, first.n_entries) == (facts, 2, 1)
    assert (first.first, first.last) == ("2031-03-04T10:15:00+00:00", "2031-03-11T10:15:00+00:00")
    assert (second.n_photos, second.first) == (0, None)


def test_what_was_written_down_comes_back_in_date_order(book: Logbook) -> None:
    cut = LogEntry(
        plate="0042",
        at=datetime(2024, 3, 1, 12, tzinfo=UTC),
        kind="cut",
        individual="P03",
        pieces=4,
        method="quarters",
        donor="tank 2",
        dip="label dose, 1 min",
        note="größer",
    )
    loss = LogEntry(plate="0042", at=datetime(2024, 2, 1), kind="loss")
    with book.writing() as connection:
        add_entry(connection, cut)
        add_entry(connection, loss)
        add_entry(connection, loss)
    with book.reading() as connection:
        assert entries_of(connection, "0042") == [loss, loss, cut]
        assert entries_of(connection, "0001") == []


def test_a_table_handed_in_again_adds_only_its_new_lines(book: Logbook) -> None:
    day = datetime(2024, 3, 1)
    loss, sale = (LogEntry(plate="0001", at=day, kind=kind) for kind in ("loss", "sale"))
    for table, added in (([loss, loss], 2), ([loss, loss, sale], 1), ([sale], 0), ([sale] * 2, 1)):
        with book.writing() as connection:
            assert add_missing(connection, table) == added


WRITER = """
import sys
sys.path.insert(0, sys.argv[2])
from time_builders import make_polyp, make_reading
from polypvision.store.logbook import open_logbook
from polypvision.store.readings import find_photo, save_photo
with open_logbook(sys.argv[1], create=True) as book:
    for number in range(int(sys.argv[3])):
        polyps = [make_polyp(k, 20 * k, 30, n_mouths=2) for k in range(1, 9)]
        one = make_reading(number, polyps)
        with book.reading() as connection:
            if find_photo(connection, one.facts.sha256):
                continue
        with book.writing() as connection:
            save_photo(connection, one, path=f"/p/{number}.jpg", settings={})
        print(number, flush=True)
"""


@pytest.mark.skipif(os.name == "nt", reason="signals as Unix has them are needed")
def test_a_killed_writer_leaves_whole_photos_and_can_be_run_again(tmp_path: Path) -> None:
    place, helpers = tmp_path / "book.sqlite", Path(__file__).parents[1]
    command = [sys.executable, "-c", WRITER, str(place), str(helpers), "60"]
    for wait_s in (0.0, 0.011, 0.023, 0.037):
        with subprocess.Popen(command, stdout=subprocess.PIPE) as writer:
            assert writer.stdout is not None
            assert writer.stdout.readline()  # Killed only once it is writing.
            time.sleep(wait_s)
            writer.send_signal(signal.SIGKILL)
        left = sqlite3.connect(place)
        assert left.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        photos = left.execute("SELECT count(*) FROM photos").fetchone()[0]
        assert 0 < photos < 60
        for table, per_photo in (("photo_names", 1), ("polyps", 8), ("mouths", 16)):
            assert left.execute(f"SELECT count(*) FROM {table}").fetchone() == (photos * per_photo,)
        left.close()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    left = sqlite3.connect(place)
    assert left.execute("SELECT count(*) FROM photos").fetchone() == (60,)
    left.close()
