"""Backups made, brought back elsewhere, and checked; photos found again by their bytes."""

import contextlib
import json
import os
import shutil
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from logbook_makers import DAYS, fill
from old_logbook import STEPS, write_old_logbook

from polypvision.errors import BackupError, LogbookError, OutputError, PhotoUnreadable
from polypvision.events import LogEntry
from polypvision.files.photos import read_file
from polypvision.plates.backup import backups_in, make_backup
from polypvision.plates.correct import correct_photos
from polypvision.plates.forget import forget
from polypvision.plates.log import log_of, note
from polypvision.plates.manifest import read_manifest
from polypvision.plates.read import ReadWishes, read_photos
from polypvision.plates.restore import restore
from polypvision.plates.show import photo_pixels, stored_photos, tracks_of
from polypvision.plates.verify import Verified, verify, verify_backup
from polypvision.store.logbook import Logbook, open_logbook

NOW = datetime(2031, 3, 4, 10, 15, tzinfo=UTC)
MOUTH = {"kind": "add-mouth", "label": 1, "place_px": [140, 120]}


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    home = tmp_path / "laptop"
    (home / "photos" / "march").mkdir(parents=True)
    with open_logbook(home / "book.sqlite", create=True) as opened:
        photos = fill(opened, home / "photos" / "march")
        correct_photos(opened, [{**MOUTH, "photo": str(photos[1])}], author="Ada")
        yield opened


@pytest.fixture
def laptop(tmp_path: Path, book: Logbook) -> Path:
    return tmp_path / "laptop"


def dump(place: Path) -> str:
    with contextlib.closing(sqlite3.connect(place)) as made:
        return "\n".join(made.iterdump())


def troubles(found: Verified) -> list[str]:
    return [one.kind for one in found.troubles]


def lens_profile(folder: Path) -> Path:
    folder.mkdir(parents=True)
    path = folder / "lens-phone.json"
    path.write_text('{"kind": "anything"}')
    return path


def test_a_lost_laptop_comes_back_elsewhere(book: Logbook, laptop: Path, tmp_path: Path) -> None:
    profile = lens_profile(laptop / "calibration")
    stick, new = tmp_path / "stick", tmp_path / "new"
    before = tracks_of(book, "0042"), log_of(book, "0042"), dump(laptop / "book.sqlite")
    made = make_backup(book, stick, photos=True, profiles=profile.parent, now=NOW)
    assert made.folder == stick / "polypvision-2031-03-04T101500"
    assert (len(made.manifest.photos), made.manifest.missing) == (len(DAYS), ())
    book.close()
    shutil.rmtree(laptop)
    done = restore(stick, new / "book.sqlite", photos=new / "mine", profiles=new / "calibration")
    assert (done.n_photos, done.n_profiles, done.aside) == (len(DAYS), 1, None)
    assert (new / "calibration" / profile.name).read_text() == '{"kind": "anything"}'
    assert sorted(path.name for path in (new / "mine").iterdir()) == [
        f"photo {day}.jpg" for day in sorted(DAYS, key=str)
    ]
    assert sorted(path.name for path in new.iterdir()) == ["book.sqlite", "calibration", "mine"]
    with open_logbook(new / "book.sqlite") as again:
        assert verify(again) == Verified(
            n_plates=1, n_photos=len(DAYS), n_corrections=1, n_files=len(DAYS)
        )
        assert log_of(again, "0042") == before[1]
        tracks = tracks_of(again, "0042")
        assert [one.name for one in tracks.individuals] == [
            one.name for one in before[0].individuals
        ]
        for photo in stored_photos(again, "0042"):
            assert photo_pixels(photo).shape == (300, 420, 3)
    # All that is new are the photos' places.
    lost = set(before[2].splitlines()) - set(dump(new / "book.sqlite").splitlines())
    assert lost == set()


def test_a_backup_while_another_program_writes(book: Logbook, tmp_path: Path) -> None:
    with open_logbook(book.place) as other, other.writing() as connection:
        connection.exec_driver_sql("UPDATE plates SET note = 'half way'")
        made = make_backup(book, tmp_path / "stick", now=NOW)
    kept = dump(made.folder / "logbook.sqlite")
    assert "half way" not in kept
    assert "half way" in dump(Path(book.place))


def test_photos_are_kept_once_for_all_backups(book: Logbook, laptop: Path, tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    first = make_backup(book, stick, photos=True, now=NOW)
    times = {path: path.stat().st_mtime_ns for path in (stick / "photos").rglob("*.jpg")}
    assert len(times) == len(DAYS)
    # One is lost in between; it is still kept, and the later backup knows it.
    (laptop / "photos" / "march" / "photo 7.jpg").unlink()
    second = make_backup(book, stick, photos=True, now=NOW)
    assert second.folder.name == "polypvision-2031-03-04T101500-2"
    assert {path: path.stat().st_mtime_ns for path in times} == times
    assert second.manifest.photos == first.manifest.photos
    elsewhere = make_backup(book, tmp_path / "other", photos=True, now=NOW)
    assert [Path(name).name for name in elsewhere.manifest.missing] == ["photo 7.jpg"]
    assert [verify_backup(one) for one in backups_in(stick)] == [(len(DAYS) + 1, ())] * 2


def test_only_the_owner_may_read_a_backup(book: Logbook, tmp_path: Path) -> None:
    made = make_backup(book, tmp_path / "stick", now=NOW)
    assert made.folder.stat().st_mode & 0o077 == 0
    assert (made.folder / "logbook.sqlite").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("victim", ["logbook.sqlite", "manifest.json", "photo"])
def test_a_damaged_backup_is_told_and_not_brought_back(
    victim: str, book: Logbook, tmp_path: Path
) -> None:
    stick, new = tmp_path / "stick", tmp_path / "new"
    made = make_backup(book, stick, photos=True, now=NOW)
    path = made.folder / victim
    if victim == "photo":
        path = next((stick / "photos").rglob("*.jpg"))
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    with pytest.raises(BackupError, match="damaged"):
        restore(stick, new / "book.sqlite", photos=new / "photos")
    assert not new.exists()
    if victim == "manifest.json":
        with pytest.raises(BackupError, match=r"manifest.json is damaged"):
            verify_backup(made.folder)
    else:
        (trouble,) = verify_backup(made.folder)[1]
        assert path.name in trouble.what
    if victim == "photo":
        # Without the photos nothing is wrong with the logbook.
        restore(stick, tmp_path / "book.sqlite")


def test_what_is_no_backup(tmp_path: Path, book: Logbook) -> None:
    with pytest.raises(BackupError, match="There is no backup in"):
        restore(tmp_path / "nothing", tmp_path / "b.sqlite")
    made = make_backup(book, tmp_path / "stick", now=NOW)
    with pytest.raises(BackupError, match="was made without photos"):
        restore(made.folder, tmp_path / "b.sqlite", photos=tmp_path / "p")
    manifest = made.folder / "manifest.json"
    body = json.loads(manifest.read_text())
    manifest.write_text(json.dumps({**body, "format": 2}))
    with pytest.raises(BackupError, match="newer polypvision"):
        read_manifest(made.folder)
    body["files"][0]["path"] = "../../away"
    manifest.write_text(json.dumps(body))
    with pytest.raises(BackupError, match="damaged"):
        read_manifest(made.folder)


def test_a_logbook_is_replaced_only_when_told_and_kept_even_then(
    book: Logbook, laptop: Path, tmp_path: Path
) -> None:
    stick, place = tmp_path / "stick", laptop / "book.sqlite"
    make_backup(book, stick, now=NOW)
    kept = dump(place)
    note(book, LogEntry(plate="0042", at=NOW, kind="note", note="after the backup"))
    later = dump(place)
    with pytest.raises(BackupError, match="already"):
        restore(stick, place)
    with pytest.raises(BackupError, match="in use"):
        restore(stick, place, replace=True)
    assert dump(place) == later
    book.close()
    done = restore(stick, place, replace=True)
    assert done.aside is not None
    assert (dump(place), dump(done.aside)) == (kept, later)
    # A damaged one is kept, too, with its log; that must not be taken for the new one's.
    place.write_bytes(b"\xff" * 5000)
    place.with_name("book.sqlite-wal").write_bytes(b"\xff" * 100)
    done = restore(stick, place, replace=True)
    assert done.aside is not None
    assert done.aside.read_bytes() == b"\xff" * 5000
    assert done.aside.with_name(f"{done.aside.name}-wal").read_bytes() == b"\xff" * 100
    assert dump(place) == kept


def test_photos_that_are_in_the_way_stay(book: Logbook, tmp_path: Path) -> None:
    stick, mine = tmp_path / "stick", tmp_path / "mine"
    make_backup(book, stick, photos=True, now=NOW)
    mine.mkdir()
    (mine / "photo 0.jpg").write_text("another photo")
    restore(stick, tmp_path / "a.sqlite", photos=mine)
    assert (mine / "photo 0.jpg").read_text() == "another photo"
    assert len(list(mine.iterdir())) == len(DAYS) + 1
    restore(stick, tmp_path / "b.sqlite", photos=mine)
    assert len(list(mine.iterdir())) == len(DAYS) + 1
    with open_logbook(tmp_path / "b.sqlite") as again:
        assert troubles(verify(again)) == []


@pytest.mark.parametrize("step", [STEPS[0], STEPS[-1]])
def test_a_backup_of_an_older_logbook_is_brought_back_up_to_date(step: str, tmp_path: Path) -> None:
    with open_logbook(tmp_path / "x.sqlite", create=True) as empty:
        made = make_backup(empty, tmp_path / "stick", now=NOW)
    # As the program of that day would have made it.
    old = write_old_logbook(step, made.folder / "logbook.sqlite.old")
    old.replace(made.folder / "logbook.sqlite")
    body = json.loads((made.folder / "manifest.json").read_text())
    from polypvision.plates.manifest import KeptFile, Manifest, manifest_text

    kept = read_file(made.folder / "logbook.sqlite")
    file = KeptFile(path="logbook.sqlite", n_bytes=len(kept.data), sha256=kept.sha256)
    manifest = Manifest(number=1, made_at=NOW, program=body["program"], step=step, files=(file,),
                        with_photos=False)  # fmt: skip
    (made.folder / "manifest.json").write_text(manifest_text(manifest))
    assert verify_backup(made.folder) == (1, ())
    restore(made.folder, tmp_path / "new.sqlite")
    with open_logbook(tmp_path / "new.sqlite") as book:
        found = verify(book)
        assert (found.n_photos, set(troubles(found))) == (2, {"photo"})


def test_a_moved_folder_is_found_by_its_bytes(book: Logbook, laptop: Path) -> None:
    assert troubles(verify(book)) == []
    (laptop / "photos").rename(laptop / "pictures")
    for number, path in enumerate(sorted((laptop / "pictures" / "march").iterdir())):
        path.rename(path.with_name(f"renamed-{number}.jpg"))
    assert troubles(verify(book)) == ["photo"] * len(DAYS)
    with pytest.raises(PhotoUnreadable, match="verify --find"):
        photo_pixels(stored_photos(book, "0042")[0])
    found = verify(book, find_in=[laptop])
    assert (len(found.found), troubles(found)) == (len(DAYS), [])
    assert troubles(verify(book)) == []
    assert photo_pixels(stored_photos(book, "0042")[0]).shape == (300, 420, 3)


def test_photos_that_are_gone_or_changed_are_told(book: Logbook, laptop: Path) -> None:
    first, second, third, _ = (photo.names[-1] for photo in stored_photos(book, "0042"))
    Path(first).unlink()
    with Path(second).open("ab") as file:
        file.write(b"x")
    forget(book, photos=[third], now=NOW)
    Path(third).unlink()
    found = verify(book, find_in=[laptop])
    assert [one.what.rstrip(".") for one in found.troubles] == [
        f"{first} is not there any more",
        f"{second} was changed",
    ]
    assert (found.n_photos, found.n_files) == (3, 1)


SPOILED = {
    "UPDATE photos SET record = '{\"photo\": 1' WHERE error IS NULL": "cannot be understood",
    "UPDATE photos SET record = replace(record, '\"area_mm2\":176', '\"area_mm2\":126')":
        "are not those of its reading",
    "UPDATE polyps SET diameter_mm = 99 WHERE label = 2": "are not those of its reading",
    "DELETE FROM mouths WHERE label = 1": "are not those of its reading",
    "DELETE FROM polyps WHERE label = 2": "are not those of its reading",
    "UPDATE photos SET plate = NULL": "hash, plate, date or error",
    "UPDATE photos SET taken_at = '2031-01-01T00:00:00+00:00'": "hash, plate, date or error",
    "UPDATE photos SET record = replace(record, '\"outline_mm\":[[2', '\"outline_mm\":[[9')":
        "its outline",
    "DELETE FROM plates": "refers to what is not in plates",
    "UPDATE corrections SET number = 3": "are not 1, 2, 3",
    "UPDATE corrections SET body = '{}'": "cannot be done",
}  # fmt: skip


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A closed logbook whose photos are all there."""
    folder = tmp_path_factory.mktemp("sound")
    with open_logbook(folder / "book.sqlite", create=True) as made:
        photos = fill(made, folder)
        correct_photos(made, [{**MOUTH, "photo": str(photos[1])}], author="Ada")
        assert verify(made).troubles == ()
    return folder / "book.sqlite"


@pytest.mark.parametrize("spoil", SPOILED)
def test_a_spoiled_logbook_is_told(spoil: str, sound: Path, tmp_path: Path) -> None:
    place = Path(shutil.copy(sound, tmp_path))
    with contextlib.closing(sqlite3.connect(place)) as made:
        assert made.execute(spoil).rowcount
        made.commit()
    with open_logbook(place) as book:
        found = verify(book)
    assert found.troubles
    assert SPOILED[spoil] in " ".join(one.what for one in found.troubles)
    assert all(one.remedy for one in found.troubles)


def test_numbers_that_do_not_follow_from_each_other_are_told(book: Logbook) -> None:
    with contextlib.closing(sqlite3.connect(book.place)) as made:
        for table, where in (("photos", "record"), ("polyps", "")):
            if where:
                made.execute(
                    "UPDATE photos SET record = "
                    "replace(record, '\"area_mm2\":176.7146', '\"area_mm2\":180.7146')"
                )
            else:
                made.execute(f"UPDATE {table} SET area_mm2 = 180.7146 WHERE area_mm2 = 176.7146")
        made.commit()  # fmt: skip
    said = [one.what.partition(": ")[2] for one in verify(book).troubles]
    assert said == [
        "polyp 1 has 180.7146 mm2, its outline 176.4286.",
        "polyp 1 measures 15.0 mm, its area 15.1688.",
    ]


def test_photos_read_once_more_must_say_the_same(book: Logbook, tmp_path: Path) -> None:
    from photo_makers import write_jpeg

    folder = tmp_path / "real"
    folder.mkdir()
    for day in (1, 2):
        write_jpeg(folder / f"rack{day}.jpg", datetime(2024, 3, day, 12))
    with open_logbook(tmp_path / "real.sqlite", create=True) as real:
        read_photos([folder], ReadWishes(mm_per_px=0.2, plate="rack"), logbook=real)
        found = verify(real, read_again=5)
        assert (found.n_read_again, found.troubles) == (2, ())
    # These readings were made up.
    found = verify(book, read_again=2)
    assert troubles(found) == ["reading", "reading"]
    assert "--again" in found.troubles[0].remedy


def test_a_backup_that_cannot_be_written_leaves_nothing(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stick = tmp_path / "stick"
    real = os.fsync

    def failing(handle: int) -> None:
        failing.left -= 1  # type: ignore[attr-defined]
        if failing.left < 0:  # type: ignore[attr-defined]
            raise OSError(5, "Input/output error")
        real(handle)

    for left in range(5):
        failing.left = left  # type: ignore[attr-defined]
        monkeypatch.setattr(os, "fsync", failing)
        with pytest.raises((OutputError, LogbookError)):
            make_backup(book, stick, now=NOW)
        monkeypatch.undo()
        # Only the last sync, that of its name, can fail once it is whole.
        assert [verify_backup(one)[1] for one in stick.iterdir()] in ([], [()])
    assert len(list(stick.iterdir())) == 1


def test_the_latest_backup_is_the_last_one_made_whatever_the_clock_said(
    book: Logbook, tmp_path: Path
) -> None:
    stick = tmp_path / "stick"
    made = [
        make_backup(book, stick, now=NOW.replace(year=year)).folder for year in (2031, 2030, 2029)
    ]
    note(book, LogEntry(plate="0042", at=NOW, kind="note", note="the last"))
    made.append(make_backup(book, stick, now=NOW.replace(year=2020)).folder)
    assert backups_in(stick) == made
    restore(stick, tmp_path / "new.sqlite")
    with open_logbook(tmp_path / "new.sqlite") as again:
        assert [entry.note for entry in log_of(again, "0042")][-1] == "the last"


def test_what_a_killed_backup_left_is_cleared_away(book: Logbook, tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    old, fresh = stick / ".polypvision-old.part", stick / ".polypvision-new.part"
    for part in (old, fresh):
        part.mkdir(parents=True)
        (part / "logbook.sqlite").write_text("half")
    os.utime(old, (0, 0))
    make_backup(book, stick, now=NOW)
    assert [one.name for one in stick.glob(".*")] == [fresh.name]
