"""What the commands that look at all plates cost: run it, it prints a table.

    python tests/benchmarks/whole_room.py [FOLDER]

Logbooks of 10, 1,000 and 10,000 plates are filled as for `long_logbook.py`, in FOLDER if one is
given (2 GB). Each command runs as a person would call it, in a process of its own, alone on one
processor; told are its processor time and the most memory it took.

With 10 plates each command is run first when nothing is known of the plates yet, and once more.
What all plates take the first time is what one takes, times their number; so in the larger logbooks
it is put down for all plates what was worked out of like ones, and the commands are run when
nothing has changed since, and when one plate has. `verify` finds none of the photos, for there are
no files (status 1), and does not read their bytes. It and export are of up to 1,000 plates, for
they go through every plate each time. A report is drawn of 10 plates; in the larger folders there
are pages of like plates, as they are when they were drawn, and one plate gets a new photo: its page
is drawn, and on all the others the stock is another.
"""

import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from long_logbook import ON, filled, jot, machine
from long_logbooks import add_photo, plate_name, put_down_kept, put_down_pages

SIZES = (10, 1_000, 10_000)
COMMANDS: dict[str, tuple[str, ...]] = {
    "`outcomes`": ("outcomes",),
    "`outcomes --by line`": ("outcomes", "--by", "line"),
    "`plan`": ("plan",),
    "`today`": ("today", "--on", ON.isoformat()),
}
KEEPING: dict[str, tuple[str, ...]] = {
    "`backup`": ("backup", "{out}/backups"),
    "`restore`": ("restore", "{out}/backups"),
    "`forget` a plate": ("forget", "--plate", plate_name(5)),
    "`forget --undo`": ("forget", "--plate", plate_name(5), "--undo"),
}
EACH_PLATE: dict[str, tuple[int, tuple[str, ...]]] = {
    "`verify`": (1_000, ("verify",)),
    "`export`": (1_000, ("export", "--out", "{out}/tables")),
}
REPORT = ("report", "--all", "--out", "{out}/pages", "--on", ON.isoformat())


_TELLING = """
import atexit, runpy, sys

def tell():
    with open("/proc/self/status") as lines:
        print(next(one for one in lines if one.startswith("VmHWM")).split()[1], file=sys.stderr)

atexit.register(tell)
runpy.run_module("polypvision", run_name="__main__", alter_sys=True)
"""
"""The command, and at its end the most memory it had (kB). That of `wait4` is at least its parent's
(getrusage(2), from memory)."""


def run(place: Path, words: Sequence[str], out: Path) -> tuple[float, float]:
    """Return the processor time (s) and the most memory (MB) of a command."""
    given = [word.format(out=out) for word in words]
    command = [sys.executable, "-c", _TELLING, *given, "--logbook", str(place)]
    if words[0] in ("outcomes", "plan", "today", "report"):
        command += ["--jobs", "1"]
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    assert child.stderr is not None
    said = child.stderr.read().decode()
    _, status, used = os.wait4(child.pid, 0)
    if os.waitstatus_to_exitcode(status) not in (0, int(words[0] == "verify")):
        raise SystemExit(f"{' '.join(command)} failed: {said}")
    return used.ru_utime + used.ru_stime, int(said.split()[-1]) / 1000


def row(what: str, n: int, took: tuple[float, float]) -> None:
    """Print a row."""
    seconds, megabytes = took
    print(f"| {what} | {n:,} | {seconds:.1f} | {1000 * seconds / n:.1f} | {megabytes:.0f} |")
    sys.stdout.flush()


def main(folder: str | None = None) -> None:
    """Measure and print."""
    print(machine())
    with ExitStack() as stack:
        base = Path(folder or stack.enter_context(tempfile.TemporaryDirectory()))
        places = {n: base / f"b{n}.sqlite" for n in SIZES}
        books = {n: stack.enter_context(filled(str(place), n)) for n, place in places.items()}
        print("\n| | plates | s | ms a plate | peak, MB |\n|---|---|---|---|---|")
        for name, words in COMMANDS.items():
            with books[SIZES[0]].writing() as connection:
                connection.exec_driver_sql("DELETE FROM plate_kept")
            row(f"{name}, first", SIZES[0], run(places[SIZES[0]], words, base))
        run(places[SIZES[0]], COMMANDS["`plan`"], base)
        for n in SIZES[1:]:
            put_down_kept(books[SIZES[0]], books[n])
        for name, words in COMMANDS.items():
            for n in SIZES:
                row(f"{name}, nothing changed", n, run(places[n], words, base))
        for n in SIZES:
            jot(books[n], plate_name(3))
            row("`plan`, one plate changed", n, run(places[n], COMMANDS["`plan`"], base))
        for n in SIZES:
            for name, words in KEEPING.items():
                back = base / f"back-{n}.sqlite" if words[0] == "restore" else places[n]
                row(name, n, run(back, words, base / f"keeping-{n}"))
        for name, (most, words) in EACH_PLATE.items():
            for n in (one for one in SIZES if one <= most):
                row(name, n, run(places[n], words, base))
        out = {n: base / f"reports-{n}" for n in SIZES}
        row("`report --all`, first", SIZES[0], run(places[SIZES[0]], REPORT, out[SIZES[0]]))
        for n in SIZES[1:]:
            put_down_pages(out[SIZES[0]] / "pages", books[n], out[n] / "pages")
        for n in SIZES:
            add_photo(books[n], plate_name(3))
            row("`report --all`, one new photo", n, run(places[n], REPORT, out[n]))
            row("`report --all`, nothing changed", n, run(places[n], REPORT, out[n]))


if __name__ == "__main__":
    main(*sys.argv[1:2])
