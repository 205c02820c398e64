"""A made-up plate through eight weeks: halves that heal, one that does not, a division, a loss."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from time_builders import PX_PER_MM, START, grid, make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.growth import PlateGrowth, growth_of
from polypvision.healing import WoundCourse, wound_courses
from polypvision.reading import PlateReading, Polyp
from polypvision.track import PlateTracks, link_readings

DAYS = (0, 3, 7, 14, 21, 28, 42, 56)
_HEALING = (38.0, 44, 36, 20, 8, 2, 0, 0)
_STALLED = (36.0, 38, 30, 24, 23.6, 23.9, 24.1, 23.8)


@dataclass(frozen=True, kw_only=True, eq=False)
class Series:
    tracks: PlateTracks
    courses: tuple[WoundCourse, ...]
    growth: PlateGrowth
    log: tuple[LogEntry, ...]


def _polyps(index: int, day: float) -> list[Polyp]:
    found = []
    for n, (x, y) in enumerate(grid(4, 3, 32.0)):
        size = (14 + 1.1 * n) * float(np.exp(0.0045 * day))
        if n == 3 and day >= 56:
            continue
        if n < 3:
            area = _HEALING[index] * (1 + 0.2 * n)
            flags = ("wound",) if area else ()
            found.append(make_polyp(0, x, y, size, wound_mm2=area, flags=flags))
        elif n == 4:
            found.append(
                make_polyp(0, x, y, size, wound_mm2=_STALLED[index], flags=("wound", "touching"))
            )
        elif n == 6 and day >= 42:
            found += [make_polyp(0, x + side * 0.33 * size, y, 0.69 * size) for side in (-1, 1)]
        elif n in (6, 9):
            found.append(make_polyp(0, x, y, size, stretch=1.2, n_mouths=2, flags=("two-mouths",)))
        else:
            found.append(make_polyp(0, x, y, size))
    return [replace(polyp, label=number) for number, polyp in enumerate(found, 1)]


def readings(days: Sequence[float] = DAYS) -> list[PlateReading]:
    return [
        make_reading(day, _polyps(index, day), flags=("tilted",)) for index, day in enumerate(days)
    ]


@cache
def series(*, note: str = "New blade.") -> Series:
    log = (
        LogEntry(
            plate="0042",
            at=START - timedelta(hours=2),
            kind="cut",
            method="halves",
            pieces=2,
            donor="the green one",
            dip="one minute",
            note=note,
        ),
    )
    tracks = link_readings(readings(), log=log)
    courses = wound_courses(tracks, log)
    return Series(tracks=tracks, courses=courses, growth=growth_of(tracks, courses), log=log)


def photo(reading: PlateReading, *, noise: float = 0.0) -> NDArray[np.uint8]:
    """Return a plain picture of the discs where the reading says they are."""
    height, width = int(115 * PX_PER_MM), int(145 * PX_PER_MM)
    rgb = np.full((height, width, 3), (60, 80, 130), dtype=np.uint8)
    for polyp in reading.polyps:
        fixed = np.rint(polyp.outline_px * 16).astype(np.int32)
        cv2.fillPoly(rgb, [fixed], (110, 130, 60), cv2.LINE_AA, 4)
    if noise:
        grain = np.random.default_rng(1).normal(0, noise, rgb.shape)
        rgb = np.clip(rgb + grain, 0, 255).astype(np.uint8)
    return rgb
