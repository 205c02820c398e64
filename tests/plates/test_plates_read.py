"""Reading into the logbook: once each, completed after a stop, true to what was said."""

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from photo_makers import card_photo, corners_picture, encoded, exif, write_jpeg

from polypvision import pipeline
from polypvision.calibrate.picture import Photo
from polypvision.errors import LogbookError
from polypvision.files.photos import read_file
from polypvision.files.pixels import open_photo
from polypvision.pipeline import ReadSettings
from polypvision.plates import reader
from polypvision.plates.forget import forget
from polypvision.plates.log import list_plates, say_of_plate
from polypvision.plates.read import PhotoOutcome, ReadWishes, read_photos
from polypvision.plates.reader import PhotoReader, PhotoTask
from polypvision.plates.record import Recorder
from polypvision.reading import PlateReading, Refusal, to_record
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import find_photo, photos_of, refused_photos, save_photo

WITHOUT_CARD = ReadWishes(mm_per_px=0.2, plate="rack 3")


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(tmp_path / "book.sqlite", create=True) as opened:
        yield opened


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "photos"
    made.mkdir()
    return made


def dated(folder: Path, day: int, name: str = "plate") -> Path:
    """A photo of its own: no two days give the same bytes."""
    return write_jpeg(folder / f"{name}{day:02d}.jpg", datetime(2024, 3, day, 12))


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def statuses(outcomes: list[PhotoOutcome]) -> list[str]:
    return [outcome.status for outcome in outcomes]


def dump(book: Logbook) -> list[str]:
    """The whole logbook as text, but for when a photo was read and marks made by chance."""
    with book.reading() as connection:
        lines = []
        for table in ("plates", "photos", "photo_names", "polyps", "mouths", "log_entries"):
            for row in connection.exec_driver_sql(f"SELECT * FROM {table}").mappings():
                lines.append(
                    f"{table} {[v for k, v in row.items() if k not in ('read_at', 'mark')]}"
                )
    return sorted(lines)


def test_reading_the_same_folder_twice_changes_nothing(book: Logbook, folder: Path) -> None:
    for day in (1, 8, 15):
        dated(folder, day)
    first = read_photos([folder], WITHOUT_CARD, logbook=book)
    assert statuses(first) == ["recorded"] * 3
    before = dump(book)
    second = read_photos([folder], WITHOUT_CARD, logbook=book)
    assert statuses(second) == ["known"] * 3
    # Nor does it when what was said the first time is not said again.
    assert statuses(read_photos([folder], logbook=book)) == ["known"] * 3
    assert dump(book) == before
    assert [to_record(one.outcome) for one in second] == [to_record(one.outcome) for one in first]


def test_new_photos_are_added_to_known_ones(book: Logbook, folder: Path) -> None:
    dated(folder, 8)
    read_photos([folder], WITHOUT_CARD, logbook=book)
    dated(folder, 1)
    assert statuses(read_photos([folder], WITHOUT_CARD, logbook=book)) == ["recorded", "known"]
    [plate] = list_plates(book)
    assert (plate.facts.plate, plate.n_photos) == ("rack 3", 2)


def test_one_photo_under_two_names_is_recorded_once(book: Logbook, folder: Path) -> None:
    shutil.copy(dated(folder, 1), folder / "z copy.jpg")
    outcomes = read_photos([folder], WITHOUT_CARD, logbook=book)
    assert statuses(outcomes) == ["recorded", "known"]
    assert outcomes[1].remark == "same photo as photos/plate01.jpg"
    assert outcomes[1].outcome.facts.photo == str(folder / "z copy.jpg")
    with book.reading() as connection:
        [photo] = photos_of(connection, "rack 3")
    assert photo.names == (str(folder / "plate01.jpg"), str(folder / "z copy.jpg"))
    assert [one.remark for one in read_photos([folder], WITHOUT_CARD, logbook=book)] == ["", ""]


def test_an_edited_copy_is_pointed_out(book: Logbook, folder: Path) -> None:
    dated(folder, 1)
    tags = exif("2024:03:01 12:00:00")
    (folder / "z brighter.png").write_bytes(encoded(corners_picture() // 2, "PNG", exif=tags))
    outcomes = read_photos([folder], WITHOUT_CARD, logbook=book)
    assert [one.remark for one in outcomes] == [
        "",
        "same moment as photos/plate01.jpg: an edited copy?",
    ]
    # Days in names say nothing of the moment: two photos of one day are two photos.
    for name in ("2024-04-01 a.png", "2024-04-01 b.png"):
        (folder / name).write_bytes(encoded(corners_picture() // (3 if "a" in name else 4), "PNG"))
    assert {one.remark for one in read_photos([folder], WITHOUT_CARD, logbook=book)[:2]} == {
        "date from the file name"
    }


def test_without_a_logbook_nothing_is_recorded_and_no_date_is_needed(folder: Path) -> None:
    write_jpeg(folder / "a.jpg")
    [outcome] = read_photos([folder], WITHOUT_CARD)
    assert (outcome.status, outcome.remark) == ("read", "no date")
    assert names_in(folder) == ["a.jpg"]


def test_what_is_no_photo_is_said_to_be_none_before_its_date_is_asked_for(
    book: Logbook, folder: Path
) -> None:
    (folder / "a.jpg").write_text("not a photo", encoding="utf-8")
    [outcome] = read_photos([folder], WITHOUT_CARD, logbook=book)
    assert isinstance(outcome.outcome, Refusal)
    assert outcome.outcome.kind == "unreadable"


def test_recording_needs_a_date(book: Logbook, folder: Path) -> None:
    photo = write_jpeg(folder / "a.jpg")
    [outcome] = read_photos([photo], WITHOUT_CARD, logbook=book)
    assert isinstance(outcome.outcome, Refusal)
    assert outcome.outcome.kind == "no-date"
    assert "--date YYYY-MM-DD" in outcome.outcome.message
    given = ReadWishes(mm_per_px=0.2, plate="rack 3", date=datetime(2024, 3, 1))
    [outcome] = read_photos([photo], given, logbook=book)
    assert (outcome.status, outcome.remark) == ("recorded", "date as given")
    with book.reading() as connection:
        [stored] = photos_of(connection, "rack 3")
    assert stored.date_source == "given"
    assert stored.outcome.facts.taken_at == datetime(2024, 3, 1)


def test_a_date_in_the_future_is_not_recorded_unless_trusted(book: Logbook, folder: Path) -> None:
    ahead = datetime.now(UTC) + timedelta(days=30)
    photo = write_jpeg(folder / "a.jpg", ahead, offset="+00:00")
    assert statuses(read_photos([photo], WITHOUT_CARD)) == ["read"]
    [outcome] = read_photos([photo], WITHOUT_CARD, logbook=book)
    assert isinstance(outcome.outcome, Refusal)
    assert outcome.outcome.kind == "doubtful-date"
    assert "in the future" in outcome.outcome.message
    trusted = ReadWishes(mm_per_px=0.2, plate="rack 3", trust_dates=True)
    assert statuses(read_photos([photo], trusted, logbook=book)) == ["recorded"]


def test_recording_needs_a_plate(book: Logbook, folder: Path) -> None:
    [outcome] = read_photos([dated(folder, 1)], ReadWishes(mm_per_px=0.2), logbook=book)
    assert isinstance(outcome.outcome, Refusal)
    assert "--plate NAME" in outcome.outcome.message


def test_a_refused_photo_is_tried_again_and_a_good_reading_is_never_lost(
    book: Logbook, folder: Path
) -> None:
    photo = folder / "2024-03-01.png"
    noise = np.random.default_rng(0).integers(0, 255, (400, 500, 3)).astype(np.uint8)
    photo.write_bytes(encoded(noise, "PNG"))
    [refused] = read_photos([photo], logbook=book)
    assert isinstance(refused.outcome, Refusal)
    assert refused.outcome.kind == "no-card"
    with book.reading() as connection:
        assert len(refused_photos(connection)) == 1
    assert statuses(read_photos([photo], WITHOUT_CARD, logbook=book)) == ["recorded"]
    with book.reading() as connection:
        assert refused_photos(connection) == []
    [kept] = read_photos(
        [photo], ReadWishes(plate="", again=True, mm_per_px=float("nan")), logbook=book
    )
    assert (kept.status, kept.remark) == ("refused", "the reading on record is kept")
    with book.reading() as connection:
        assert len(photos_of(connection, "rack 3")) == 1


def test_a_damaged_photo_is_remembered_by_its_bytes(book: Logbook, folder: Path) -> None:
    (folder / "text.jpg").write_text("no photo at all")
    (folder / "gone.jpg").symlink_to(folder / "nowhere")
    outcomes = read_photos([folder], WITHOUT_CARD, logbook=book)
    assert statuses(outcomes) == ["refused", "refused"]
    with book.reading() as connection:
        [stored] = refused_photos(connection)
    assert stored.names == (str(folder / "text.jpg"),)


def test_what_is_said_of_a_plate_is_used_and_brings_readings_up_to_date(
    book: Logbook, folder: Path
) -> None:
    photo = folder / "2024-03-01.png"
    photo.write_bytes(encoded(card_photo(), "PNG"))
    [first] = read_photos([photo], logbook=book)
    assert isinstance(first.outcome, PlateReading), first.outcome
    assert first.outcome.plate == "0042"
    assert "print-scale-unknown" in first.outcome.flags
    _, due = say_of_plate(book, "0042", bar_mm=75.0 * 1.02)
    assert due == 1
    [second] = read_photos([photo], logbook=book)
    assert second.status == "again"
    assert isinstance(second.outcome, PlateReading)
    assert "print-scale-unknown" not in second.outcome.flags
    ratio = second.outcome.scale.mm_per_px / first.outcome.scale.mm_per_px
    assert ratio == pytest.approx(1.02, rel=1e-3)
    assert statuses(read_photos([photo], logbook=book)) == ["known"]


def test_a_new_photo_of_a_known_plate_is_read_with_what_was_said(
    book: Logbook, folder: Path
) -> None:
    say_of_plate(book, "0042", bar_mm=75.0, normal_mouths=3)
    photo = folder / "2024-03-01.png"
    photo.write_bytes(encoded(card_photo(), "PNG"))
    [outcome] = read_photos([photo], logbook=book)
    assert isinstance(outcome.outcome, PlateReading)
    assert "print-scale-unknown" not in outcome.outcome.flags
    with book.reading() as connection:
        stored = find_photo(connection, read_file(photo).sha256)
    assert stored is not None
    assert (stored.settings["bar_mm"], stored.settings["normal_mouths"]) == (75.0, 3)


def test_what_is_said_while_recording_holds_from_then_on(book: Logbook, folder: Path) -> None:
    photo = folder / "2024-03-01.png"
    photo.write_bytes(encoded(card_photo(), "PNG"))
    read_photos([photo], ReadWishes(bar_mm=76.0, normal_mouths=2), logbook=book)
    [plate] = list_plates(book)
    assert (plate.facts.bar_mm, plate.facts.normal_mouths) == (76.0, 2)
    assert statuses(read_photos([photo], logbook=book)) == ["known"]


def test_reading_again_on_request_keeps_the_date_on_record(book: Logbook, folder: Path) -> None:
    photo = write_jpeg(folder / "2024-03-01.jpg")
    read_photos([photo], WITHOUT_CARD, logbook=book)
    plain = folder / "renamed.jpg"
    photo.rename(plain)
    [outcome] = read_photos([plain], ReadWishes(again=True), logbook=book)
    assert outcome.status == "again"
    assert outcome.outcome.facts.taken_at == datetime(2024, 3, 1, 12)


def test_a_logbook_that_fails_stops_the_batch_and_keeps_what_was_recorded(
    book: Logbook, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for day in (1, 2, 3):
        dated(folder, day)
    saved = []

    def full(*args: Any, **more: Any) -> None:
        save_photo(*args, **more)
        saved.append(1)
        if len(saved) == 2:
            raise LogbookError("The logbook: the disk is full.")

    monkeypatch.setattr("polypvision.plates.record.save_photo", full)
    with pytest.raises(LogbookError):
        read_photos([folder], WITHOUT_CARD, logbook=book)
    monkeypatch.undo()
    assert [plate.n_photos for plate in list_plates(book)] == [1]
    assert statuses(read_photos([folder], WITHOUT_CARD, logbook=book)) == [
        "known",
        "recorded",
        "recorded",
    ]


def test_progress_is_told(folder: Path) -> None:
    for day in (1, 2):
        dated(folder, day)
    told: list[tuple[int, int, str]] = []
    read_photos([folder], WITHOUT_CARD, progress=lambda *words: told.append(words))
    assert [(done, total) for done, total, _ in told] == [(0, 2), (1, 2), (2, 2)]
    assert told[1][2].endswith("plate02.jpg")


def test_originals_are_left_as_they_are(book: Logbook, folder: Path) -> None:
    photo = folder / "a.jpg"
    tags = exif("2024:03:01 12:00:00", orientation=6)
    photo.write_bytes(encoded(corners_picture(), "JPEG", exif=tags))
    before = (photo.read_bytes(), photo.stat().st_mtime_ns, names_in(folder))
    read_photos([folder], WITHOUT_CARD, logbook=book)
    assert (photo.read_bytes(), photo.stat().st_mtime_ns, names_in(folder)) == before


@pytest.mark.skipif(os.name == "nt", reason="signals as Unix has them are needed")
def test_a_killed_run_is_completed_by_running_it_again(tmp_path: Path, folder: Path) -> None:
    rng = np.random.default_rng(0)
    for day in range(1, 10):
        noise = rng.integers(0, 255, (150, 200, 3)).astype(np.uint8)
        data = encoded(noise, "PNG", exif=exif(f"2024:03:{day:02d} 12:00:00"))
        (folder / f"{day:02d}.png").write_bytes(data)
    place = tmp_path / "killed.sqlite"
    command = [
        sys.executable, "-m", "polypvision", "read", str(folder), "--mm-per-px", "0.2",
        "--plate", "rack 3", "--logbook", str(place),
    ]  # fmt: skip

    def recorded() -> int:
        if not place.exists():
            return 0
        with sqlite3.connect(f"file:{place}?mode=ro", uri=True) as looked:
            try:
                return int(looked.execute("SELECT count(*) FROM photos").fetchone()[0])
            except sqlite3.OperationalError:
                return 0

    for wanted in (1, 4):
        with subprocess.Popen(command, stdout=subprocess.DEVNULL) as running:
            while recorded() < wanted and running.poll() is None:
                time.sleep(0.005)
            running.send_signal(signal.SIGKILL)
        assert wanted <= recorded() < 9
        left = sqlite3.connect(place)
        assert left.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        left.close()
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "known already" in done.stdout
    whole = tmp_path / "whole.sqlite"
    with open_logbook(whole, create=True) as undisturbed:
        read_photos([folder], WITHOUT_CARD, logbook=undisturbed)
        with open_logbook(place) as completed:
            assert len(dump(completed)) > 9
            assert _without_ids(dump(completed)) == _without_ids(dump(undisturbed))


def _without_ids(lines: list[str]) -> list[str]:
    return [line for line in lines if not line.startswith("photo_names")]


def test_readings_are_plain_json(folder: Path) -> None:
    [outcome] = read_photos([dated(folder, 1)], WITHOUT_CARD)
    json.dumps(to_record(outcome.outcome), allow_nan=False)


def test_a_photo_that_another_program_records_meanwhile_is_recorded_once(
    book: Logbook, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo = dated(folder, 1)
    read_photos([photo], WITHOUT_CARD, logbook=book)
    before = dump(book)
    real, asked = Recorder._known, []

    def not_at_first(self: Recorder, sha256: str) -> Any:
        asked.append(sha256)
        return None if len(asked) == 1 else real(self, sha256)

    monkeypatch.setattr(Recorder, "_known", not_at_first)
    monkeypatch.setattr(Recorder, "_is_read", lambda self, sha256: False)
    assert statuses(read_photos([photo], WITHOUT_CARD, logbook=book)) == ["known"]
    assert dump(book) == before


def test_what_is_said_of_a_plate_is_known_before_its_polyps_are_looked_for(
    book: Logbook, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[float | None] = []
    real = pipeline.read_view

    def counted(photo: Any, view: Any, facts: Any, settings: ReadSettings) -> Any:
        looked.append(settings.bar_mm)
        return real(photo, view, facts, settings)

    monkeypatch.setattr(pipeline, "read_view", counted)
    say_of_plate(book, "0042", bar_mm=75.5)
    say_of_plate(book, "0043", bar_mm=74.5)
    for day, code in ((1, 42), (2, 43), (3, 42)):
        path = folder / f"2024-03-0{day}.png"
        path.write_bytes(encoded(card_photo(code, ground=80 + day), "PNG"))
    done = read_photos([folder], ReadWishes(), logbook=book)
    assert statuses(done) == ["recorded"] * 3
    assert looked == [75.5, 74.5, 75.5]


def test_what_is_said_between_reading_and_recording_has_the_photo_read_again(
    book: Logbook, folder: Path
) -> None:
    photo = folder / "2024-03-01.png"
    photo.write_bytes(encoded(card_photo(42), "PNG"))
    desk = Recorder(ReadWishes(), book)
    hands = PhotoReader(desk.brief())
    task = desk.task(photo)
    found = hands.read(task)
    say_of_plate(book, "0042", bar_mm=75.5)
    before = dump(book)
    again = desk.settle(task, found)
    assert isinstance(again, PhotoTask)
    assert dump(book) == before
    done = desk.settle(again, hands.read(again))
    assert isinstance(done, PhotoOutcome)
    assert done.status == "recorded"
    with book.reading() as connection:
        kept = find_photo(connection, found.sha256)
    assert kept is not None
    assert kept.settings["bar_mm"] == 75.5


@pytest.mark.parametrize("refused", [False, True])
def test_a_photo_that_was_forgotten_is_not_recorded_again(
    book: Logbook, folder: Path, refused: bool
) -> None:
    # Also not where it could not be read when it was forgotten, and now can.
    photo = dated(folder, 1)
    desk = Recorder(WITHOUT_CARD, book)
    task = replace(desk.task(photo), forced=True)
    found = PhotoReader(desk.brief()).read(task)
    assert isinstance(found.outcome, PlateReading)
    refusal = Refusal(facts=found.outcome.facts, kind="no-card", message="", plate="rack 3")
    kept = refusal if refused else found.outcome
    with book.writing() as connection:
        save_photo(connection, kept, path=str(photo), settings={})
    forget(book, photos=[photo.name])
    before = dump(book)
    done = desk.settle(task, found)
    assert isinstance(done, PhotoOutcome)
    assert done.status == "forgotten"
    assert dump(book) == before


def test_what_is_said_of_one_plate_does_not_refuse_the_next(book: Logbook, folder: Path) -> None:
    """Whatever was read before a photo, its outcome is the same."""
    say_of_plate(book, "0042", bar_mm=75.0 * 1.3)  # No card's bar: each such photo is refused.
    for day, code in ((1, 43), (2, 42), (3, 43)):
        path = folder / f"2024-03-0{day}.png"
        path.write_bytes(encoded(card_photo(code, ground=80 + day), "PNG"))
    wishes = ReadWishes()
    desk = Recorder(wishes, book)
    reader = PhotoReader(desk.brief())
    reader._last_plate = "0042"
    found = [reader.read(PhotoTask(place=path)) for path in sorted(folder.iterdir())]
    kinds = [getattr(one.outcome, "kind", "read") for one in found]
    assert kinds == ["read", "doubtful-bar", "read"]


def test_after_a_known_photo_the_next_known_one_is_not_even_decoded(
    book: Logbook, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for day in range(1, 5):
        dated(folder, day)
    read_photos([folder], WITHOUT_CARD, logbook=book)
    opened = []

    def counted(data: bytes, shown: str) -> Photo:
        opened.append(shown)
        return open_photo(data, shown)

    monkeypatch.setattr(reader, "open_photo", counted)
    assert statuses(read_photos([folder], WITHOUT_CARD, logbook=book)) == ["known"] * 4
    assert len(opened) <= 1
    dated(folder, 5)
    assert statuses(read_photos([folder], WITHOUT_CARD, logbook=book))[-1] == "recorded"
    assert opened[-1].endswith("plate05.jpg")
