"""The machine fails while a keeper works, and nothing is lost; the long form is a benchmark.

python tests/benchmarks/faults.py --tries 300
"""

import os
import re
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import fault_acts
import pytest
from fault_injection import Ack, Kill, can_fail_calls, failing_calls, in_child, set_clock
from old_logbook import STEPS, write_old_logbook

from polypvision.errors import PhotoUnreadable
from polypvision.files.outputs import write_text
from polypvision.files.photos import read_file
from polypvision.plates import forget
from polypvision.plates.read import read_photos
from polypvision.plates.reader import PhotoReader
from polypvision.store.logbook import open_logbook

FAULTS = Path(__file__).parent / "benchmarks" / "faults.py"

linux = pytest.mark.skipif(sys.platform != "linux", reason="the kernel of Linux is asked")
# Python warns of forking where threads run; what these children do needs none of them.
forks = pytest.mark.filterwarnings("ignore:This process .* is multi-threaded:DeprecationWarning")


@linux
def test_nothing_is_lost_in_a_short_run() -> None:
    roots = os.pathsep.join([str(Path(fault_acts.__file__).parents[1]), *sys.path])
    done = subprocess.run(
        [sys.executable, str(FAULTS), "--tries", "6"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": roots, "OMP_NUM_THREADS": "1"},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (total,) = re.findall(r"^\| all \|  \| (\d+) \| (\d+) \| (\d+) \| (\d+) \|", done.stdout, re.M)
    tries, survived, acked, lost = map(int, total)
    sys.stdout.write(f"{tries} tries, {survived} survived, {acked} records, {lost} lost\n")
    assert tries == survived >= 12
    assert (acked > 50, lost) == (True, 0)


def spoil_nothing(world: Path, acks: list[str]) -> None:
    pass


def forget_an_ack(world: Path, acks: list[str]) -> None:
    acks.append("never there")


def double_a_note(world: Path, acks: list[str]) -> None:
    with open_logbook(fault_acts.book_of(world)) as book, book.writing() as connection:
        connection.exec_driver_sql(
            "INSERT INTO log_entries (plate, at, kind, donor, dip, note) "
            f"SELECT plate, at, kind, donor, dip, note FROM log_entries WHERE note = '{acks[0]}'"
        )


def halve_a_record(world: Path, acks: list[str]) -> None:
    with open_logbook(fault_acts.book_of(world)) as book, book.writing() as connection:
        connection.exec_driver_sql("UPDATE photos SET record = substr(record, 1, 99)")


@linux
@forks
@pytest.mark.parametrize(
    ("spoil", "said"),
    [(spoil_nothing, ""), (forget_an_ack, "lost: never there"), (double_a_note, "doubled: "),
     (halve_a_record, "cannot be understood")],
)  # fmt: skip
def test_a_loss_would_be_seen(
    spoil: Callable[[Path, list[str]], None], said: str, tmp_path: Path
) -> None:
    act = fault_acts.ACTS["write down"]
    act.prepare(tmp_path / "world")
    kill = Kill(after_s=0.0, after_acks=3)
    ended = in_child(lambda ack: act.do(tmp_path / "world", ack), kill=kill)
    assert len(ended.acks) >= 3
    acks = list(ended.acks)
    spoil(tmp_path / "world", acks)
    wrong = act.wrong(tmp_path / "world", acks)
    assert bool(wrong) == bool(said)
    assert said in " ".join(wrong)


@linux
@forks
@pytest.mark.parametrize("act", ["write down", "backup", "export", "restore"])
def test_nothing_counts_as_written_that_was_not_synced(act: str, tmp_path: Path) -> None:
    if not can_fail_calls():
        pytest.skip("this system cannot be asked to fail calls (seccomp)")
    world, one = tmp_path / "world", fault_acts.ACTS[act]
    one.prepare(world)
    before = failing_calls(("fsync", "fdatasync"), 0)
    ended = in_child(lambda ack: one.do(world, ack), before=before)
    assert (ended.how, ended.acks) == ("told", ()), ended.words
    assert one.wrong(world, ()) == []


def test_a_connection_that_writes_keeps_what_it_commits(tmp_path: Path) -> None:
    """A commit is on the disk when it returns.

    SQLite, "PRAGMA Statements", synchronous (https://www.sqlite.org/pragma.html#pragma_synchronous):
    in WAL mode NORMAL syncs at most at checkpoints, so that a transaction may roll back after a
    loss of power; FULL syncs the log after each. What a sync means there is told in "Atomic Commit
    In SQLite" (https://www.sqlite.org/atomiccommit.html), section 2. Both from memory.
    """
    # 2 is FULL.
    kept = {"journal_mode": "wal", "synchronous": 2, "fullfsync": 1, "foreign_keys": 1}
    old = tmp_path / "old.sqlite"
    write_old_logbook(STEPS[0], old)
    for place, create in ((tmp_path / "new.sqlite", True), (old, False)):
        with open_logbook(place, create=create) as book:
            for connected in (book.writing, book.writing, book.reading):
                with connected() as connection:
                    asked = {
                        name: connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in kept
                    }
                assert asked == kept
                book.engine.dispose()  # A new connection is like the first.


def test_a_photo_that_changes_while_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(b"half of it")
    real = os.fstat

    def fstat(handle: int) -> os.stat_result:
        found = real(handle)
        with path.open("ab") as file:  # Somebody goes on copying.
            file.write(b"more")
        return found

    monkeypatch.setattr(os, "fstat", fstat)
    with pytest.raises(PhotoUnreadable, match="still being copied"):
        read_file(path)


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (MemoryError(), "memory"),
        (RuntimeError("BFCArena::AllocateRawInternal Failed to allocate memory for 12"), "memory"),
        (RuntimeError("(-4:Insufficient memory) Failed to allocate 900 bytes"), "memory"),
        (RuntimeError("std::bad_alloc"), "memory"),
        (RuntimeError("anything else"), "internal"),
    ],
)
def test_too_little_memory_is_told_in_words(
    error: Exception, kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from photo_makers import write_jpeg

    from polypvision.reading import Refusal

    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(PhotoReader, "_view", fail)
    outcome = read_photos([write_jpeg(tmp_path / "a.jpg")])[0].outcome
    assert isinstance(outcome, Refusal)
    assert outcome.kind == kind
    assert ("Close other programs" in outcome.message) == (kind == "memory")


@linux
@forks
def test_a_file_is_whole_or_as_it_was_when_its_writer_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    texts = ["a" * 300_000, "b" * 500_000]

    def work(ack: Ack) -> None:
        while True:
            for text in texts:
                write_text(path, text)
                ack(text[0])

    for tenth in range(8):
        in_child(work, kill=Kill(after_s=tenth / 500, after_acks=2))
        assert path.read_text() in texts


@linux
@forks
def test_the_clock_of_a_try_is_really_off() -> None:
    def work(ack: Ack) -> None:
        before = datetime.now(UTC)
        set_clock(-86_400 * 365)
        away = before - vars(forget)["datetime"].now(UTC)
        ack(str(round(away.total_seconds() / 86_400)))

    assert in_child(work).acks == ("365",)
