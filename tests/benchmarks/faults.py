"""Faults of the machine while a keeper works: is anything lost?

    python tests/benchmarks/faults.py --tries 300

prints a table. In each try a fault strikes a program at work, at a moment left to chance.
Afterwards everything that it had said is kept must be there, once; `verify` must find nothing
wrong; and doing the same again must succeed. Where the program was not killed it must have said in
words what is the matter. Linux only; as root also with small disks of its own.

Programs are killed, not the system, so all lies in memory where it can (/dev/shm): syncing to a
disk takes time and changes nothing here. What a power cut takes away is taken away by hand.
"""

import argparse
import contextlib
import importlib
import os
import platform
import random
import shutil
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fault_acts import ACTS, Act, book_of, fresh_world
from fault_injection import (
    FAILING,
    Ack,
    Ended,
    Kill,
    can_fail_calls,
    chance,
    clock_off_by,
    failing_calls,
    in_child,
    little_memory,
    may_mount,
    nearly_full,
    other_user,
    read_only,
    short_files,
    small_disk,
    start_child,
)
from photo_makers import card_photo, encoded, exif

# Loaded before forking, so that a try costs no start of an interpreter.
import polypvision.cli.app  # noqa: F401

DISK_KB = 6_000
LOST_SHOWN = 5
_OFTEN = 4
"""Acks of an act that has many; one that has few is done when it acks."""


@dataclass
class Row:
    """A line of the table."""

    kind: str
    act: str
    tries: int = 0
    survived: int = 0
    lost: int = 0
    acked: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    words: list[str] = field(default_factory=list)


class Bench:
    """One folder in which all tries happen, one after the other."""

    def __init__(self, root: Path, seed: int) -> None:
        self.root = root
        self.world = root / "world"
        self.seed = seed
        self.took: dict[str, float] = {}
        self.n_acks: dict[str, int] = {}

    def warm_up(self) -> None:
        """Load here what the acts load, so that no try does it anew."""

        def work(ack: Ack) -> None:
            for name in ("read", "export", "backup", "restore"):
                fresh_world(self.world, self.template(ACTS[name]))
                ACTS[name].do(self.world, lambda _: None)
            for module in tuple(sys.modules):
                ack(module)

        for name in ("read", "export", "backup", "restore"):
            self.template(ACTS[name])
        for name in self.ended_well(in_child(work)).acks:
            with contextlib.suppress(ImportError):
                importlib.import_module(name)

    def template(self, act: Act) -> Path:
        """What is there before an act; made once, at the very path where it will be used."""
        kept = self.root / f"before {act.name}"
        if not kept.exists():
            shutil.rmtree(self.world, ignore_errors=True)
            in_child(lambda _: act.prepare(self.world))
            shutil.copytree(self.world, kept)
            shutil.rmtree(self.world)
        return kept

    def seconds(self, act: Act) -> float:
        """How long an act takes undisturbed, at its quickest so far."""
        if act.name not in self.took:
            self.start(act)
            ended = self.ended_well(in_child(lambda ack: act.do(self.world, ack)))
            self.took[act.name] = ended.took_s
            self.n_acks[act.name] = len(ended.acks)
            wrong = act.wrong(self.world, ended.acks)
            if wrong or not ended.acks:
                raise AssertionError(f"{act.name} without any fault: {wrong}")
        return self.took[act.name]

    def start(self, act: Act) -> None:
        template = self.template(act)
        self.world.mkdir(exist_ok=True)
        fresh_world(self.world, template)

    @staticmethod
    def ended_well(ended: Ended) -> Ended:
        if ended.how != "done":
            raise AssertionError(f"ended with {ended.how}: {ended.words}")
        return ended

    def judge(self, act: Act, row: Row, ended: Sequence[Ended]) -> None:
        """After a fault: is everything there, and does the work go on?"""
        acks = [ack.partition("|")[0] for one in ended for ack in one.acks]
        row.tries += 1
        row.acked += len(acks)
        wrong = [one.words for one in ended if one.how == "fault"]
        for one in ended:
            row.ends[one.how] += 1
        wrong += self.checked(act, acks)
        if len(ended) == 1 and ended[0].how == "done" and act.name in self.took:
            self.took[act.name] = min(self.took[act.name], ended[0].took_s)
        again = in_child(lambda ack: act.do(self.world, ack))
        if again.how != "done":
            wrong.append(f"could not be done again: {again.words}")
        else:
            wrong += self.checked(act, [*acks, *again.acks] if act.name != "export" else acks)
        row.lost += sum(one.startswith(("lost", "doubled")) for one in wrong)
        row.survived += not wrong
        row.words += wrong

    def checked(self, act: Act, acks: Sequence[str]) -> list[str]:
        try:
            return act.wrong(self.world, sorted(set(acks)))
        except Exception as error:
            return [f"cannot be looked at: {type(error).__name__}: {error}"]


def killed(bench: Bench, act: Act, row: Row, rng: random.Random) -> None:
    """SIGKILL at any moment; every second time soon after something was acked, if that is often."""
    usual = bench.seconds(act)
    bench.start(act)
    kill, often = Kill(after_s=rng.uniform(0, usual)), bench.n_acks[act.name]
    if often >= _OFTEN and rng.random() < 0.5:
        kill = Kill(after_s=rng.uniform(0, 0.02), after_acks=rng.randint(1, often))
    bench.judge(act, row, [in_child(lambda ack: act.do(bench.world, ack), kill=kill)])


def power_cut(bench: Bench, act: Act, row: Row, rng: random.Random) -> None:
    """Killed, and what was not synced since the last ack never reached the disk, or as rubbish."""
    log = book_of(bench.world).with_name("book.sqlite-wal")

    def size() -> int:
        return log.stat().st_size if log.exists() else 0

    usual = bench.seconds(act)
    bench.start(act)
    ended = in_child(
        lambda ack: act.do(bench.world, lambda text: ack(f"{text}|{size()}")),
        kill=Kill(after_s=rng.uniform(0, 0.01 * usual), after_acks=rng.randint(1, 8)),
    )
    synced = int(ended.acks[-1].partition("|")[2]) if ended.acks else 0
    if size() > synced:
        data = bytearray(log.read_bytes())
        cut = rng.randint(synced, len(data))
        data[cut:] = rng.randbytes(len(data) - cut) if rng.random() < 0.5 else b""
        log.write_bytes(data)
    log.with_name("book.sqlite-shm").unlink(missing_ok=True)
    bench.judge(act, row, [ended])


def full_disk(bench: Bench, act: Act, row: Row, rng: random.Random) -> None:
    """A small disk with little left; or, where none can be mounted, files that may not grow."""
    template = bench.template(act)
    bench.world.mkdir(exist_ok=True)
    left = round(10 ** rng.uniform(3, 6.2))
    if not may_mount():
        fresh_world(bench.world, template)
        before = short_files(left)
        bench.judge(act, row, [in_child(lambda ack: act.do(bench.world, ack), before=before)])
        return
    with small_disk(bench.world, DISK_KB):
        fresh_world(bench.world, template)
        with nearly_full(bench.world, left):
            ended = in_child(lambda ack: act.do(bench.world, ack))
        bench.judge(act, row, [ended])


def read_only_disk(bench: Bench, act: Act, row: Row, _: random.Random) -> None:
    """Nothing may be written where everything lies."""
    template = bench.template(act)
    bench.world.mkdir(exist_ok=True)
    if may_mount():
        with small_disk(bench.world, DISK_KB):
            fresh_world(bench.world, template)
            with read_only(bench.world):
                ended = in_child(lambda ack: act.do(bench.world, ack))
            bench.judge(act, row, [_refused(ended)])
        return
    fresh_world(bench.world, template)
    with _closed(bench.world):
        before = other_user() if os.geteuid() == 0 else None
        ended = in_child(lambda ack: act.do(bench.world, ack), before=before)
    bench.judge(act, row, [_refused(ended)])


def _refused(ended: Ended) -> Ended:
    if ended.how == "done":
        return Ended(acks=ended.acks, how="fault", words="it wrote all the same", took_s=0)
    return ended


@contextlib.contextmanager
def _closed(folder: Path) -> Iterator[None]:
    paths = [folder, *folder.rglob("*")]
    modes = {path: path.stat().st_mode for path in paths}
    for path in reversed(paths):
        path.chmod(0o500 if path.is_dir() else 0o400)
    try:
        yield
    finally:
        for path in paths:
            path.chmod(modes[path])


def failing_disk(bench: Bench, act: Act, row: Row, rng: random.Random) -> None:
    """From some moment on the kernel answers some calls with EIO."""
    usual = bench.seconds(act)
    bench.start(act)
    names = tuple(rng.sample(FAILING, rng.randint(1, 3)))
    after_s = rng.choice([0.0, rng.uniform(0, usual)])
    before = failing_calls(names, after_s)
    bench.judge(act, row, [in_child(lambda ack: act.do(bench.world, ack), before=before)])


def clock_back(bench: Bench, act: Act, row: Row, rng: random.Random) -> None:
    """The same three times, with the clock days to years before and ahead."""
    bench.start(act)
    ended = [
        in_child(
            lambda ack: act.do(bench.world, ack),
            before=clock_off_by(rng.choice([-1, 1]) * 10 ** rng.uniform(3, 8)),
        )
        for _ in range(2)
    ]
    ended.append(in_child(lambda ack: act.do(bench.world, ack)))
    bench.judge(act, row, ended)


def several_programs(bench: Bench, act: Act, row: Row, rng: random.Random) -> None:
    """Three at once on one logbook; one of them is killed."""
    usual = bench.seconds(act)
    bench.start(act)
    children = [start_child(lambda ack: act.do(bench.world, ack)) for _ in range(3)]
    victim = Kill(after_s=rng.uniform(0, usual))
    ended = [child.finish(victim if not n else None) for n, child in enumerate(children)]
    bench.judge(act, row, ended)


def little_left(bench: Bench, act: Act, row: Row, rng: random.Random) -> None:
    """Little memory left."""
    bench.start(act)
    picture = card_photo(42)
    large = encoded(picture.repeat(2, axis=0).repeat(2, axis=1), "JPEG",
                    exif=exif("2024:03:09 12:00:00"), quality=90)  # fmt: skip
    (bench.world / "room" / "in" / "a large one.jpg").write_bytes(large)
    before = little_memory(rng.randrange(0, 260_000_000))
    bench.judge(act, row, [in_child(lambda ack: act.do(bench.world, ack), before=before)])


def changing_photo(bench: Bench, act: Act, row: Row, rng: random.Random) -> None:
    """A photo is copied into its folder, in pieces and over and over, while the folder is read."""
    bench.start(act)
    path = bench.world / "room" / "in" / "rack03.jpg"
    whole, piece = path.read_bytes(), rng.randint(200, 900)

    def copy(_: Ack) -> None:
        while True:
            with path.open("wb", buffering=0) as file:
                for start in range(0, len(whole), piece):
                    file.write(whole[start : start + piece])
                    time.sleep(0.0005)

    copier = start_child(copy)
    ended = in_child(lambda ack: act.do(bench.world, ack))
    copier.finish(Kill(after_s=0))
    path.write_bytes(whole)
    # Were a half photo recorded as one, verify would miss it: nothing has its bytes.
    bench.judge(act, row, [ended])


Strike = Callable[[Bench, Act, Row, random.Random], None]
SINGLE = tuple(name for name in ACTS if name != "watch, two processes")
OF_LOGBOOK = ("keep readings", "correct", "write down", "forget")
FAULTS: tuple[tuple[str, Strike, tuple[str, ...], float], ...] = (
    ("killed (SIGKILL)", killed, SINGLE, 1.0),
    ("killed with its helpers", killed, ("watch, two processes",), 0.02),
    ("power cut", power_cut, ("keep readings", "correct", "write down"), 0.1),
    ("disk full", full_disk, SINGLE, 0.2),
    (
        "read-only disk",
        read_only_disk,
        tuple(name for name in SINGLE if name not in ("read", "watch")),
        0.04,
    ),
    ("input/output errors", failing_disk, SINGLE, 0.2),
    ("clock set back and ahead", clock_back, (*OF_LOGBOOK, "backup"), 0.06),
    ("three programs at once", several_programs, ("read", *OF_LOGBOOK, "backup", "send in"), 0.1),
    ("photo changing while read", changing_photo, ("read",), 0.03),
    ("little memory", little_left, ("read",), 0.05),
)
"""Kind, what strikes, what it strikes, and how many tries for one of the first kind."""


def tries_of(
    acts: Sequence[str], share: float, tries: int, rng: random.Random
) -> Iterator[tuple[str, int]]:
    """Spread tries over acts, at least one for each kind; few of them by chance."""
    if not acts:
        return
    total = max(1, round(share * tries))
    luckier = rng.sample(acts, total % len(acts))
    for act in acts:
        count = total // len(acts) + (act in luckier)
        if count:
            yield act, count


def run(
    tries: int, seed: int, say: Callable[[str], None], *, kind_part: str = "", act_part: str = ""
) -> list[Row]:
    """Do all tries and return the table."""
    rows = []
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="polypvision-faults-", dir=memory) as folder:
        bench = Bench(Path(folder), seed)
        bench.warm_up()
        for kind, strike, all_acts, share in FAULTS:
            acts = [act for act in all_acts if act_part in act] if kind_part in kind else []
            if strike is failing_disk and not can_fail_calls():
                say(f"{kind}: left out, for this system cannot be asked for them")
                continue
            for name, count in tries_of(acts, share, tries, chance(seed, kind)):
                row = Row(kind=kind, act=name)
                for number in range(count):
                    strike(bench, ACTS[name], row, chance(seed, kind, name, number))
                rows.append(row)
                say(line(row))
    return rows


def line(row: Row) -> str:
    ends = ", ".join(f"{count} {how}" for how, count in sorted(row.ends.items()))
    return (
        f"| {row.kind} | {row.act} | {row.tries} | {row.survived} | {row.acked} | {row.lost} "
        f"| {ends} |"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--tries", type=int, default=300, help="tries of being killed")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--kind", default="", help="only kinds that have this in their name")
    parser.add_argument("--act", default="", help="only acts that have this in their name")
    asked = parser.parse_args()

    def say(text: str) -> None:
        sys.stdout.write(text + "\n")
        sys.stdout.flush()

    say(
        f"{platform.platform()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"SQLite {sqlite3.sqlite_version}, small disks {'can' if may_mount() else 'cannot'} be "
        f"mounted, seed {asked.seed}"
    )
    start = time.monotonic()
    say("| kind | while | tries | survived | records acked | lost or doubled | how it ended |")
    say("|---|---|---|---|---|---|---|")
    rows = run(asked.tries, asked.seed, say, kind_part=asked.kind, act_part=asked.act)
    total = Row(kind="all", act="")
    for row in rows:
        for name in ("tries", "survived", "lost", "acked"):
            setattr(total, name, getattr(total, name) + getattr(row, name))
        total.ends += row.ends
    say(line(total))
    say(f"{time.monotonic() - start:.0f} s")
    words = [f"{row.kind}, {row.act}: {word}" for row in rows for word in row.words]
    for word in words[: LOST_SHOWN * len(rows)]:
        say(word)
    return 0 if total.survived == total.tries and not total.lost else 1


if __name__ == "__main__":
    sys.exit(main())
