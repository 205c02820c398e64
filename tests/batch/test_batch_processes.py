"""Many photos by several processes: the same tables as by one, whatever dies on the way."""

import os
import random
import subprocess
import time
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from many_photos import (
    WISHES,
    Deadly,
    children,
    command,
    is_alive,
    n_recorded,
    recorded,
    small_plate,
    statuses,
    tables,
)

from polypvision.batch import limits
from polypvision.batch.processes import Processes
from polypvision.batch.run import read_batch
from polypvision.errors import BatchError
from polypvision.files.photos import find_photos, read_file
from polypvision.plates.read import Desk
from polypvision.plates.reader import Finding, PhotoTask
from polypvision.reading import PlateReading, Refusal
from polypvision.store.logbook import open_logbook


def test_two_processes_give_the_tables_of_one_in_order_whatever_the_photos(
    tmp_path: Path, plates: Path
) -> None:
    """A copy, a damaged file, a card that is missing, a photo that is gone when its turn comes."""
    folder = tmp_path / "photos"
    folder.mkdir()
    for path in sorted(plates.iterdir()):
        (folder / path.name).write_bytes(path.read_bytes())
    (folder / "2024-01-02 copy.png").write_bytes(small_plate(1))
    (folder / "2024-01-03 torn.png").write_bytes(small_plate(2)[:900])
    (folder / "2024-01-04 text.jpg").write_text("no photo at all")
    (folder / "undated.png").write_bytes(small_plate(77))
    gone = folder / "2024-01-05 gone.png"
    gone.write_bytes(small_plate(78))
    found = list(find_photos([folder]))
    gone.unlink()
    told: list[list[tuple[str, str, str]]] = []
    for jobs in (1, 2):
        with open_logbook(tmp_path / f"{jobs}.sqlite", create=True) as book:
            outcomes = list(read_batch(found, WISHES, logbook=book, jobs=jobs))
            told.append([(o.outcome.facts.photo, o.status, o.remark) for o in outcomes])
        refusals = [o.outcome for o in outcomes if isinstance(o.outcome, Refusal)]
        assert {one.kind for one in refusals} == {"unreadable", "no-date"}
        assert any("There is no file" in one.message for one in refusals)
    assert told[0] == told[1]
    assert [photo for photo, _, _ in told[0]] == [str(place) for place, _ in found]
    assert [status for _, status, _ in told[0]].count("recorded") == 6
    assert [status for _, status, _ in told[0]].count("known") == 1
    one, two = (tables(tmp_path / f"{jobs}.sqlite", tmp_path / f"o{jobs}") for jobs in (1, 2))
    assert len(one["polyps.csv"].splitlines()) > 6
    assert one == two


def test_reading_again_brings_all_up_to_date_and_changes_nothing(
    tmp_path: Path, plates: Path, undisturbed: dict[str, bytes]
) -> None:
    place = tmp_path / "book.sqlite"
    recorded(plates, place, jobs=1)
    found = list(find_photos([plates]))
    with open_logbook(place) as book:
        again = replace(WISHES, again=True)
        assert statuses(list(read_batch(found, again, logbook=book, jobs=2))) == ["again"] * 6
        assert tables(book, tmp_path / "out") == undisturbed


def test_one_photo_or_one_job_starts_no_process(
    tmp_path: Path, plates: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("polypvision.batch.run.Processes", None)
    found = list(find_photos([plates]))
    assert statuses(list(read_batch(found[:1], WISHES, jobs=4))) == ["read"]
    assert statuses(list(read_batch(found, WISHES, jobs=1))) == ["read"] * 6
    recorded(plates, tmp_path / "book.sqlite", jobs=1)


def test_the_number_of_processes_follows_processors_memory_and_photos(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(limits, "processors", lambda: 8)
    monkeypatch.setattr(limits, "free_bytes", lambda: 64_000_000_000)
    assert [limits.usual_jobs(n) for n in (1, 5, 12, 1000)] == [1, 1, 2, 8]
    monkeypatch.setattr(limits, "free_bytes", lambda: 2_000_000_000)
    assert limits.usual_jobs(1000) == 2
    monkeypatch.setattr(limits, "free_bytes", lambda: None)
    assert limits.usual_jobs(1000) == 8


def all_read(hands: Processes, places: Sequence[Path]) -> dict[int, Finding]:
    found: dict[int, Finding] = {}
    with closing(hands):
        for number, place in enumerate(places):
            hands.begin(number, PhotoTask(place=place))
        while len(found) < len(places):
            found.update(hands.finished())
    return found


@pytest.mark.skipif(os.name == "nt", reason="signals as Unix has them are needed")
def test_a_process_that_dies_costs_at_most_the_photo_that_kills_it(
    plates: Path, tmp_path: Path
) -> None:
    places = sorted(plates.iterdir())
    always, once = (read_file(places[number]).sha256 for number in (2, 4))
    brief = replace(Desk(WISHES).brief_to_send(), is_known=Deadly(always, once, tmp_path / "died"))
    hands = Processes(brief, 2)
    found = all_read(hands, places)
    assert (tmp_path / "died").exists()
    read = [isinstance(found[number].outcome, PlateReading) for number in range(6)]
    assert read == [True, True, False, True, True, True]
    refusal = found[2].outcome
    assert isinstance(refusal, Refusal)
    assert refusal.kind == "reader-died"
    assert "SIGKILL" in refusal.message
    assert "--jobs 1" in refusal.message
    assert hands.pids == []


class Unwilling:
    """Cannot be unpacked in another process, as if its libraries could not be loaded there."""

    def __reduce__(self) -> tuple[object, tuple[int]]:
        return os._exit, (3,)

    def __call__(self, sha256: str) -> bool:
        return False


def test_processes_that_cannot_start_are_told_of(plates: Path) -> None:
    brief = replace(Desk(WISHES).brief_to_send(), is_known=Unwilling())
    with pytest.raises(BatchError, match=r"exit status 3.*--jobs 1"):
        all_read(Processes(brief, 1), sorted(plates.iterdir())[:1])


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are looked up in /proc")
def test_a_run_killed_at_any_moment_is_completed_by_running_it_again(
    tmp_path: Path, plates: Path, undisturbed: dict[str, bytes]
) -> None:
    """Killed as soon as it has processes, and at a random photo: the tables do not tell."""
    place = tmp_path / "killed.sqlite"
    at_photo = random.randint(1, 4)

    def has_processes(pid: int) -> bool:
        return len(children(pid)) >= 2

    def has_recorded(pid: int) -> bool:
        return n_recorded(place) >= at_photo

    for enough in (has_processes, has_recorded):
        with subprocess.Popen(command(plates, place), stdout=subprocess.DEVNULL) as run:
            while not enough(run.pid) and run.poll() is None:
                time.sleep(0.005)
            orphans = children(run.pid)
            run.kill()
        until = time.monotonic() + 20
        while any(map(is_alive, orphans)) and time.monotonic() < until:
            time.sleep(0.02)
        assert not any(map(is_alive, orphans)), "a reading process outlived the run"
    assert 0 < n_recorded(place) < 6, at_photo
    done = subprocess.run(command(plates, place), capture_output=True, text=True, check=True)
    assert "known already" in done.stdout
    assert tables(place, tmp_path / "out") == undisturbed


def test_known_photos_are_not_decoded(
    tmp_path: Path, plates: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "book.sqlite"
    recorded(plates, place, jobs=1)
    monkeypatch.setattr("polypvision.plates.reader.PhotoReader._read_dated", None)
    assert statuses(recorded(plates, place, jobs=1)) == ["known"] * 6
