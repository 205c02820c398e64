"""A folder watched: what arrives is read once, whole, whatever stops in between."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from many_photos import WISHES, WORDS, small_plate
from photo_makers import corners_picture, encoded

from polypvision.batch.watch import Arrivals, watch
from polypvision.errors import LogbookError
from polypvision.files.hashes import HashCache
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import photos_of, refused_photos
from polypvision.store.readings import save_photo as save_really


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "phone"
    made.mkdir()
    return made


def test_a_photo_is_ready_when_it_rests_and_closes(folder: Path) -> None:
    arrivals = Arrivals(folder, settled_s=3, patience_s=60)
    photo, data = folder / "2024-03-01.png", small_plate(0)

    def ready(now: float) -> list[str]:
        return [place.name for place in arrivals.look(now)[0]]

    photo.write_bytes(data[:500])
    assert ready(0) == []
    assert ready(10) == [], "at rest, but only half of it is there"
    photo.write_bytes(data)
    assert ready(11) == [], "just changed"
    assert ready(13) == []
    assert ready(14) == ["2024-03-01.png"]
    assert ready(15) == ["2024-03-01.png"], "until it is said to be done"
    arrivals.done(photo)
    assert ready(100) == []
    photo.write_bytes(small_plate(1))
    assert ready(101) == []
    assert ready(105) == ["2024-03-01.png"], "another photo under the same name"


def test_what_never_closes_is_handed_out_in_the_end_and_names_that_say_so_are_not(
    folder: Path,
) -> None:
    arrivals = Arrivals(folder, settled_s=3, patience_s=60)
    for name in ("torn.png", ".hidden.png", "a.part.png", "b.png.part", "c.tmp", "notes.txt"):
        (folder / name).write_bytes(small_plate(0)[:500])
    (folder / "empty.jpg").touch()
    assert arrivals.look(0) == ([], [])
    assert arrivals.look(50) == ([], [])
    assert [place.name for place in arrivals.look(61)[0]] == ["empty.jpg", "torn.png"]


def test_a_finished_file_under_its_new_name_is_a_new_file(folder: Path) -> None:
    arrivals = Arrivals(folder, settled_s=3)
    half = folder / "IMG_1.jpg.part"
    half.write_bytes(encoded(corners_picture(), "JPEG"))
    assert arrivals.look(0) == ([], [])
    half.rename(folder / "IMG_1.jpg")
    assert arrivals.look(10) == ([], [])
    assert [place.name for place in arrivals.look(13)[0]] == ["IMG_1.jpg"]


def test_a_share_that_is_taken_away_is_waited_for(folder: Path) -> None:
    arrivals = Arrivals(folder, settled_s=3)
    (folder / "2024-03-01.png").write_bytes(small_plate(0))
    arrivals.look(0)
    [photo] = arrivals.look(4)[0]
    arrivals.done(photo)
    away = folder.rename(folder.with_name("away"))
    ready, [trouble] = arrivals.look(5)
    assert ready == []
    assert "is not there" in trouble
    away.rename(folder)
    assert arrivals.look(6) == ([], [])
    assert arrivals.look(20) == ([], []), "what was done stays done"


class Watching:
    """A watch in a thread, with short waits; its lines as they come."""

    def __init__(self, folder: Path, book: Logbook, known: Path | None = None) -> None:
        self.lines: list[tuple[str, str]] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(folder, book, known))

    def _run(self, folder: Path, book: Logbook, known: Path | None) -> None:
        with ExitStack() as stack:
            watch(
                folder,
                WISHES,
                logbook=book,
                stop=self._stop,
                tell=lambda kind, line: self.lines.append((kind, line)),
                jobs=1,
                hashes=stack.enter_context(HashCache(known)) if known else None,
                every_s=0.02,
                arrivals=Arrivals(folder, settled_s=0.05, patience_s=0.3),
            )

    def __enter__(self) -> "Watching":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(20)
        assert not self._thread.is_alive()


def soon(true: Callable[[], bool], seconds: float = 30.0) -> None:
    until = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < until, "it did not come"
        time.sleep(0.01)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(tmp_path / "book.sqlite", create=True) as opened:
        yield opened


def test_each_arrival_is_told_in_one_line_and_a_bad_one_once(folder: Path, book: Logbook) -> None:
    (folder / "2024-03-01.png").write_bytes(small_plate(1))
    (folder / "2024-03-02 torn.png").write_bytes(small_plate(2)[:900])
    with Watching(folder, book) as seen:
        soon(lambda: len(seen.lines) == 2)
        (folder / "2024-03-03.png").write_bytes(small_plate(3))
        (folder / "deep").mkdir()
        (folder / "deep" / "2024-03-04.png").write_bytes(small_plate(3))
        soon(lambda: len(seen.lines) == 4)
        time.sleep(0.5)
    assert len(seen.lines) == 4
    kind, line = seen.lines[0]
    assert kind == "read"
    assert line.startswith("2024-03-01.png: plate rack 3, 2 polyps, ")
    assert "\n" not in line
    assert seen.lines[1][0] == "refused"
    assert seen.lines[1][1].startswith("Not read [unreadable]: ")
    assert "same photo as phone/2024-03-03.png" in seen.lines[3][1]
    with book.reading() as connection:
        assert len(photos_of(connection, "rack 3")) == 2


def test_what_was_done_before_is_passed_over_in_silence(
    folder: Path, book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("polypvision.files.hashes._SETTLED_NS", 0)
    (folder / "2024-03-01.png").write_bytes(small_plate(1))
    (folder / "2024-03-02.png").write_bytes(small_plate(2)[:900])
    for lines in (2, 1):
        with Watching(folder, book, tmp_path / "hashes.sqlite") as seen:
            if lines == 1:
                (folder / "2024-03-03.png").write_bytes(small_plate(3))
            soon(lambda lines=lines, seen=seen: len(seen.lines) >= lines)  # type: ignore[misc]
            time.sleep(0.3)
        assert len(seen.lines) == lines, seen.lines


def test_a_logbook_that_cannot_be_written_is_waited_for(
    folder: Path, book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    failures = [1, 1]

    def save_photo(*args: object, **more: object) -> None:
        if failures:
            failures.pop()
            raise LogbookError("The logbook: the server does not answer.")
        save_really(*args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr("polypvision.plates.record.save_photo", save_photo)
    (folder / "2024-03-01.png").write_bytes(small_plate(1))
    with Watching(folder, book) as seen:
        soon(lambda: any(kind == "read" for kind, _ in seen.lines))
    assert [kind for kind, _ in seen.lines] == ["trouble", "read"], "told once, then read"
    assert "Waiting for it." in seen.lines[0][1]


@pytest.mark.skipif(os.name == "nt", reason="signals as Unix has them are needed")
def test_a_watch_that_is_killed_goes_on_when_it_is_started_again(
    folder: Path, tmp_path: Path
) -> None:
    place = tmp_path / "book.sqlite"
    words = ["watch", str(folder), *WORDS, "--every", "0.2", "--logbook", str(place)]
    command = [sys.executable, "-m", "polypvision", *words]
    (folder / "2024-03-01.png").write_bytes(small_plate(1))
    half = folder / "2024-03-02.png"
    half.write_bytes(small_plate(2)[:700])
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        assert "2024-03-01.png: plate rack 3" in running.stdout.readline()
        running.send_signal(signal.SIGKILL)
    half.write_bytes(small_plate(2))
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        assert "2024-03-02.png: plate rack 3" in running.stdout.readline()
        running.send_signal(signal.SIGTERM)
        assert running.wait(20) == 0
        assert running.stdout.read() == ""
    with open_logbook(place) as book, book.reading() as connection:
        assert len(photos_of(connection, "rack 3")) == 2
        assert refused_photos(connection) == []
