"""Made-up plates of cut pieces for the tests of outcomes, plan and today's list."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

from time_builders import START, grid, make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.outcomes import Piece
from polypvision.plan import PlateState, plate_state
from polypvision.reading import PlateReading
from polypvision.track import link_readings

DAYS = (0.0, 3, 7, 14, 21, 28, 42, 56)


def cut(day: float = -0.1, plate: str = "0042", **more: Any) -> LogEntry:
    return LogEntry(plate=plate, at=START + timedelta(days=day), kind="cut", **more)


def plate_of(
    fates: Sequence[tuple[float, float, float]],
    days: Sequence[float] = DAYS,
    *,
    plate: str = "0042",
    diameter_mm: float = 20.0,
) -> list[PlateReading]:
    """Return readings of a plate of pieces, each (sealed, mouth, lost) on such days."""
    readings = []
    for day in days:
        polyps = [
            make_polyp(
                n + 1,
                x,
                y,
                diameter_mm * (1 + 0.003 * day),
                wound_mm2=max(40 * (1 - day / sealed), 0.0),
                n_mouths=int(day >= mouth),
                two_mouths_probability=0.02,
            )
            for n, ((x, y), (sealed, mouth, lost)) in enumerate(
                zip(grid(4, 4, 34.0), fates, strict=False)
            )
            if day < lost
        ]
        readings.append(make_reading(day, polyps, plate=plate, photo=f"{plate}-{day:03.0f}.jpg"))
    return readings


def state_of(
    readings: Sequence[PlateReading],
    log: Sequence[LogEntry] = (),
    *,
    plate: str = "0042",
    line: str = "",
    size_mm: float = 20.0,
    foretell: bool = False,
    **more: Any,
) -> PlateState:
    tracks = link_readings(readings, log=log)
    made = plate_state(tracks, log, plate=plate, line=line, size_mm=size_mm, foretell=foretell)
    return replace(made, **more)


def pieces_of(
    readings: Sequence[PlateReading], log: Sequence[LogEntry]
) -> tuple[tuple[Piece, ...], tuple[str, ...]]:
    state = state_of(readings, log)
    return tuple(state.pieces), tuple(state.remarks)
