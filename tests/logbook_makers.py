"""A logbook filled by hand, without reading any photo."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from photo_makers import encoded, exif
from PIL import Image
from time_builders import make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.files.photos import read_file
from polypvision.plates.log import note, say_of_plate
from polypvision.store.logbook import Logbook
from polypvision.store.readings import save_photo

DAYS = (0, 7, 14, 28)


def fill(book: Logbook, folder: Path) -> list[Path]:
    """Four dates of a plate with two polyps, one of them healing; readings as if from photos."""
    paths = []
    for day in DAYS:
        wound = 20.0 * (1 - day / 28)
        polyps = [
            make_polyp(1, 20, 20, 15 + 0.05 * day, wound_mm2=wound, flags=("wound",)),
            make_polyp(2, 50, 20, 18 + 0.05 * day),
        ]
        made = make_reading(day, polyps, taken_at=datetime(2024, 3, 1 + day, 12, tzinfo=UTC))
        rng = np.random.default_rng(day)
        rgb = rng.integers(60, 90, (300, 420, 3)).astype(np.uint8)
        place = folder / f"photo {day}.jpg"
        tags = Image.Exif()
        tags.load(exif("2024:03:01 12:00:00", orientation=6))
        tags[0x8825] = {1: "S", 2: (17.0, 30.0, 0.0)}
        place.write_bytes(encoded(np.ascontiguousarray(np.rot90(rgb)), "JPEG", exif=tags.tobytes()))
        sha256 = read_file(place).sha256
        facts = replace(made.facts, photo=str(place), sha256=sha256)
        with book.writing() as connection:
            save_photo(
                connection,
                replace(made, facts=facts),
                path=str(place),
                settings={"mm_per_px": 1 / 6},
                size_px=(420, 300),
                date_source="exif",
            )
        paths.append(place)
    cut = LogEntry(plate="0042", at=datetime(2024, 3, 1, 8, tzinfo=UTC), kind="cut", pieces=2)
    note(book, cut)
    say_of_plate(book, "0042", line="green <wild>")
    return paths
