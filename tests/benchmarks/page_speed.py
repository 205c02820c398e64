"""How long a plate's page takes with few dates and with many: run it, it prints one table.

    python tests/benchmarks/page_speed.py [DATES] [POLYPS]

Two plates of the same polyps are recorded in one logbook, one with 2 dates and one with 60. A page
is asked for as a browser does, through the whole application, in turns so that both see the same
machine. "Warm" is the median of 30; "first" is the first answer of a program just started, and
"after a note" the first after a line was written down. Sizes are what goes over the network.
"""

import statistics
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from starlette.testclient import TestClient
from time_builders import grid, make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.plates.log import note
from polypvision.reading import PlateReading
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import save_photo
from polypvision.web.app import make_app
from polypvision.web.guard import Door

EVERY_DAYS = 3
TURNS = 30
FEW, MANY = 2, 60


def readings(plate: str, n_dates: int, n_polyps: int) -> list[PlateReading]:
    """Return a plate of discs that grow, half of them cut and closing within 50 days."""
    found = []
    for n in range(n_dates):
        day = EVERY_DAYS * n
        polyps = []
        for label, (x, y) in enumerate(grid(8, -(-n_polyps // 8), 32.0)[:n_polyps], 1):
            wound = max(0.0, 40.0 - 0.8 * day) if label % 2 else 0.0
            flags = ("wound",) if wound else ()
            size = 14 + 0.02 * day
            polyps.append(make_polyp(label, x, y, size, wound_mm2=wound, flags=flags))
        one = make_reading(day, polyps)
        facts = replace(one.facts, photo=f"{plate}-{n}.jpg", sha256=f"{int(plate):04x}{n:060x}")
        found.append(replace(one, plate=plate, facts=facts))
    return found


def fill(book: Logbook, plate: str, n_dates: int, n_polyps: int) -> None:
    """Record such a plate, and its cut."""
    for one in readings(plate, n_dates, n_polyps):
        with book.writing() as connection:
            save_photo(connection, one, path=one.facts.photo, settings={}, size_px=(4000, 3000))
    cut = LogEntry(plate=plate, at=datetime(2031, 3, 4, 8, tzinfo=UTC), kind="cut", pieces=2)
    note(book, cut)


def asked(client: TestClient, plate: str) -> tuple[float, int]:
    """Return seconds and bytes of a plate's page."""
    start = time.perf_counter()
    with client.stream("GET", f"/plates/{plate}") as answer:
        size = sum(len(piece) for piece in answer.iter_raw())
        assert answer.status_code == 200
    return time.perf_counter() - start, size


def main(n_dates: int = MANY, n_polyps: int = 40) -> None:
    """Measure and print."""
    plates = {"0002": FEW, "0060": n_dates}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        with open_logbook(folder / "logbook.sqlite", create=True) as book:
            for plate, dates in plates.items():
                fill(book, plate, dates, n_polyps)
            app, _ = make_app(book, folder / "desk", Door(port=8742))
            client = TestClient(app, base_url="http://127.0.0.1:8742", client=("127.0.0.1", 5000))
            client.get("/plates/1")
            first = {plate: asked(client, plate)[0] for plate in plates}
            warm: dict[str, list[float]] = {plate: [] for plate in plates}
            sizes = {}
            for _ in range(TURNS):
                for plate in plates:
                    seconds, sizes[plate] = asked(client, plate)
                    warm[plate].append(seconds)
            after = {}
            for plate in plates:
                at = datetime(2031, 3, 4, 9, tzinfo=UTC) + timedelta(minutes=1)
                note(book, LogEntry(plate=plate, at=at, kind="note", note="seen"))
                after[plate] = asked(client, plate)[0]
            print(f"{n_polyps} polyps, milliseconds")
            print("| dates | warm | first | after a note | page, KB |")
            print("|---|---|---|---|---|")
            for plate, dates in plates.items():
                times = (statistics.median(warm[plate]), first[plate], after[plate])
                cells = " | ".join(f"{1000 * one:.1f}" for one in times)
                print(f"| {dates} | {cells} | {sizes[plate] / 1000:.0f} |")
            ratio = statistics.median(warm["0060"]) / statistics.median(warm["0002"])
            print(f"ratio, warm: {ratio:.2f}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
