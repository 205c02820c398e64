"""What a plate costs beside 10 plates and beside 10,000: run it, it prints machine and tables.

    python tests/benchmarks/long_logbook.py [PLATES] [FOLDER_OR_ADDRESS]

Two logbooks are filled, one with 10 plates and one with 10,000 (6 dates, 15 polyps each; outlines
of 16 points instead of the 600 of photos). Then, in turns so that both see the same machine, a
plate is looked up (its query), worked out (as `track` and its page do), and its page asked for
through the whole application: the first time, which works it out, and warm; beside them a line
written into its log, a search for it, and a page of the list. Medians of 7, in milliseconds of
processor time of this process, for other work may run beside; and the least of the 7 by the clock,
which holds a server's work, too.

Then today's list: what all plates take the first time is what one takes, times their number, so in
the large logbook it is not waited for: what was worked out of like plates is put down for all. It
is asked for when nothing changed, and when one plate has.

With an address (postgresql://USER@HOST/DATABASE, an empty database) the large logbook lies there,
and the small one in a database of the same name with "_small" after it.
"""

import os
import platform
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from importlib.metadata import version
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from long_logbooks import (
    EVERY_DAYS,
    FIRST,
    bytes_per_photo,
    fill_long,
    plate_name,
    put_down_kept,
)
from starlette.testclient import TestClient

from polypvision.events import LogEntry
from polypvision.plates.corrected import corrected_photos
from polypvision.plates.dues import today
from polypvision.plates.known import known_plate
from polypvision.plates.log import list_plates, note
from polypvision.plates.view import PlateViews
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.stamps import plate_stamp
from polypvision.web.app import make_app
from polypvision.web.guard import Door

TURNS = 7
SMALL = 10
ON: date = (FIRST + timedelta(days=5 * EVERY_DAYS + 1)).date()


def machine() -> str:
    """Return the machine, and the versions of what is measured."""
    model = platform.processor() or platform.machine()
    with Path("/proc/cpuinfo").open() as lines:
        model = next((one.split(":")[1].strip() for one in lines if "model name" in one), model)
    libraries = ", ".join(f"{one} {version(one)}" for one in ("sqlalchemy", "psycopg"))
    load = os.getloadavg()[0]
    python = f"Python {platform.python_version()}, {libraries}"
    return f"{model}, {os.cpu_count()} cores, load {load:.1f}; {python}"


def milliseconds(work: Callable[[], object]) -> float:
    """Return how much processor time something takes."""
    start = time.process_time()
    work()
    return 1000 * (time.process_time() - start)


def query(book: Logbook, plate: str) -> None:
    """Look up all that is recorded of a plate."""
    with book.reading() as connection:
        plate_stamp(connection, plate)
        corrected_photos(connection, plate)


def jot(book: Logbook, plate: str) -> None:
    """Write a line into a plate's log."""
    note(book, LogEntry(plate=plate, at=FIRST, kind="note", note=f"seen {datetime.now()}"))


@dataclass(frozen=True, kw_only=True)
class Took:
    """Milliseconds: of this process's processor time in the median, and the least by the clock."""

    busy: float
    clock: float


def measured(books: dict[int, Logbook], folder: Path) -> dict[str, dict[int, Took]]:
    """Return what it took by what is asked and number of plates."""
    found: dict[str, dict[int, list[tuple[float, float]]]] = {}

    def add(name: str, n: int, work: Callable[[], object]) -> None:
        start = time.perf_counter()
        busy = milliseconds(work)
        clock = 1000 * (time.perf_counter() - start)
        found.setdefault(name, {}).setdefault(n, []).append((busy, clock))

    clients = {}
    for n, book in books.items():
        app, _ = make_app(book, folder / f"desk-{n}", Door(port=8742))
        clients[n] = TestClient(app, base_url="http://127.0.0.1:8742", client=("127.0.0.1", 5000))
        clients[n].get("/plates/none")
    for turn in range(TURNS):
        for n, book in books.items():
            plate, get = plate_name(turn % SMALL), clients[n].get
            add("query", n, lambda: query(book, plate))  # noqa: B023
            add("worked out", n, lambda: known_plate(book, plate, foretell=False))  # noqa: B023
            add("page, first", n, lambda: get(f"/plates/{plate}"))  # noqa: B023
            add("page, warm", n, lambda: get(f"/plates/{plate}"))  # noqa: B023
            add("a line in its log", n, lambda: jot(book, plate))  # noqa: B023
    for turn in range(TURNS):
        for n, book in books.items():
            views, name = PlateViews(book), plate_name(turn % SMALL)
            add("search", n, lambda: views.listed(name))  # noqa: B023
            add("list, 10 of them", n, lambda: views.listed(most=10))  # noqa: B023
    return {
        name: {
            n: Took(
                busy=statistics.median(busy for busy, _ in times),
                clock=min(clock for _, clock in times),
            )
            for n, times in sizes.items()
        }
        for name, sizes in found.items()
    }


def todays(book: Logbook) -> tuple[float, float]:
    """Return seconds of today's list: when nothing changed, and after one plate changed."""
    again = milliseconds(lambda: today(book, ON))
    jot(book, plate_name(3))
    return again / 1000, milliseconds(lambda: today(book, ON)) / 1000


def filled(place: str, n_plates: int) -> Logbook:
    """Return a logbook of so many plates, filled unless it is."""
    book = open_logbook(place, create=True)
    if not list_plates(book):
        took = milliseconds(lambda: fill_long(book, n_plates)) / 1000
        print(f"filled {n_plates:,} plates in {took:.0f} s")
    return book


def main(n_plates: int = 10_000, place: str | None = None) -> None:
    """Measure and print."""
    print(machine())
    print(f"{bytes_per_photo() / 1000:.1f} KB of record per photo")
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        if place and "://" in place:
            places = {SMALL: f"{place}_small", n_plates: place}
        else:
            base = Path(place) if place else folder
            places = {n: str(base / f"b{n}.sqlite") for n in (SMALL, n_plates)}
        books = {n: stack.enter_context(filled(where, n)) for n, where in places.items()}
        heads = f"{SMALL} plates | {n_plates:,} plates | ratio"
        print(
            f"\n| milliseconds | {heads} | by the clock, {heads} |\n|---|---|---|---|---|---|---|"
        )
        for name, sizes in measured(books, folder).items():
            small, large = sizes[SMALL], sizes[n_plates]
            cells = [
                f"{few:.1f} | {many:.1f} | {many / few:.2f}"
                for few, many in ((small.busy, large.busy), (small.clock, large.clock))
            ]
            print(f"| {name} | {' | '.join(cells)} |", flush=True)
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
        print(f"\npeak memory so far {memory:.0f} MB\n")
        first = milliseconds(lambda: today(books[SMALL], ON)) / 1000
        print(f"today's list of {SMALL} plates the first time: {first:.1f} s\n")
        put_down_kept(books[SMALL], books[n_plates])
        print("| today's list, seconds | nothing changed | one plate changed |\n|---|---|---|")
        for n, book in books.items():
            seconds = " | ".join(f"{one:.2f}" for one in todays(book))
            print(f"| {n:,} plates | {seconds} |", flush=True)
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
        print(f"\npeak memory {memory:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else 10_000, *sys.argv[2:3])
