"""A folder of small plates, each cheap to read and different from all others."""

import os
import signal
import sqlite3
import sys
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from photo_makers import encoded
from plain_plates import PX_PER_MM, plain_plate, polyp

from polypvision.batch.run import read_batch
from polypvision.files.photos import find_photos
from polypvision.plates.export import export_plates
from polypvision.plates.read import PhotoOutcome, ReadWishes
from polypvision.store.logbook import Logbook, open_logbook

MM_PER_PX = 1 / PX_PER_MM
WISHES = ReadWishes(mm_per_px=MM_PER_PX, plate="rack 3")
WORDS = ("--mm-per-px", str(MM_PER_PX), "--plate", "rack 3")


def small_plate(number: int) -> bytes:
    """A PNG of 240 x 180 pixels with one or two polyps, no two numbers alike."""
    rng = np.random.default_rng(number)
    polyps = [polyp(number * 2 + 1, 11.0, 15.0, 8.0 + 4.0 * float(rng.random()))]
    if number % 2:
        polyps.append(polyp(number * 2 + 2, 29.0, 15.0, 8.0 + 4.0 * float(rng.random())))
    return encoded(plain_plate(40.0, 30.0, polyps), "PNG")


def write_plates(folder: Path, n: int) -> list[Path]:
    """Write n plates, a day apart by their names."""
    folder.mkdir(parents=True, exist_ok=True)
    written = [folder / f"2024-{1 + i // 28:02d}-{1 + i % 28:02d}.png" for i in range(n)]
    for number, path in enumerate(written):
        path.write_bytes(small_plate(number))
    return written


def tables(logbook: Path | Logbook, out: Path) -> dict[str, bytes]:
    """Return the exported tables of a logbook, by their names."""
    book = logbook if isinstance(logbook, Logbook) else open_logbook(logbook)
    written, _ = export_plates(book, None, out, formats=("csv", "parquet", "coco"))
    if not isinstance(logbook, Logbook):
        book.close()
    return {path.name: path.read_bytes() for path in written}


def recorded(folder: Path, place: Path, **more: Any) -> list[PhotoOutcome]:
    """Read a folder into a logbook."""
    with open_logbook(place, create=True) as book:
        return list(read_batch(list(find_photos([folder])), WISHES, logbook=book, **more))


def statuses(outcomes: Sequence[PhotoOutcome]) -> list[str]:
    return [one.status for one in outcomes]


@dataclass(frozen=True)
class Deadly:
    """Stands in a brief where it is asked whether a photo is known, and kills the process.

    At one photo whenever it is read, at another the first time.
    """

    always: str
    once: str
    mark: Path

    def __call__(self, sha256: str) -> bool:
        first = sha256 == self.once and not self.mark.exists()
        if first:
            self.mark.touch()
        if first or sha256 == self.always:
            os.kill(os.getpid(), signal.SIGKILL)
        return False


def command(folder: Path, place: Path) -> list[str]:
    """Return the command that reads a folder with two processes."""
    words = ["read", str(folder), *WORDS, "--jobs", "2", "--logbook", str(place)]
    return [sys.executable, "-m", "polypvision", *words]


def n_recorded(place: Path) -> int:
    """Return how many photos a logbook holds that may be in the making."""
    try:
        with closing(sqlite3.connect(f"file:{place}?mode=ro", uri=True)) as looked:
            return int(looked.execute("SELECT count(*) FROM photos").fetchone()[0])
    except sqlite3.OperationalError:
        return 0


def children(pid: int) -> list[int]:
    """Return the processes that a process started (Linux)."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            if int(stat.read_text().rpartition(")")[2].split()[1]) == pid:
                found.append(int(stat.parent.name))
        except OSError:
            continue  # Ended while we looked.
    return found


def is_alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
