"""Readings of one plate in the order of their dates; what cannot be placed is set aside."""

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from polypvision.errors import DateMissing
from polypvision.reading import PlateReading

FAR_DAYS = 366.0
"""A date farther than this from all others is taken for a clock that was set wrongly: over more
than a year nobody can follow a polyp by its place and size anyway."""

Dated = tuple[PlateReading, datetime]


def in_order(readings: Sequence[PlateReading]) -> list[Dated]:
    """Return the readings by date, each photo once.

    Raises
    ------
    DateMissing
        If a reading has no date.
    ValueError
        If the readings are of several plates.
    """
    dated: list[Dated] = []
    known: set[str] = set()
    for reading in readings:
        if reading.taken_at is None:
            raise DateMissing(
                f"{reading.facts.photo} has no date, so it has no place in time; give it one with "
                "--date when reading it."
            )
        if reading.facts.sha256 not in known:
            known.add(reading.facts.sha256)
            dated.append((reading, reading.taken_at))
    plates = sorted({str(reading.plate) for reading in readings})
    if len(plates) > 1:
        raise ValueError(f"readings of one plate are needed, got {', '.join(plates)}")
    aware = all(taken_at.tzinfo is not None for _, taken_at in dated)
    return sorted(
        dated,
        key=lambda one: (
            one[1].timestamp() if aware else one[1].replace(tzinfo=None),
            one[0].facts.sha256,
        ),
    )


def without_strays(dated: Sequence[Dated]) -> tuple[list[Dated], tuple[str, ...]]:
    """Return the readings whose dates belong together, and a remark on each of the others.

    The dates fall into groups with more than `FAR_DAYS` between them; if one group holds more than
    half of the photos the others are set aside. A remark says which photo, and what to do.
    """
    if len(dated) < 3:
        return list(dated), ()
    when = np.array([taken_at.replace(tzinfo=None) for _, taken_at in dated], "datetime64[s]")
    apart = np.diff(when).astype(np.float64) / 86400 > FAR_DAYS
    group = np.concatenate([[0], np.cumsum(apart)])
    sizes = np.bincount(group)
    largest = int(np.argmax(sizes))
    if 2 * sizes[largest] <= len(dated):
        return list(dated), ()
    kept = [one for one, number in zip(dated, group, strict=True) if number == largest]
    remarks = tuple(
        f"{reading.facts.photo} is dated {taken_at:%Y-%m-%d}, more than a year from the plate's "
        "other photos, and was left out; if its date is wrong, read it again with --date."
        for (reading, taken_at), number in zip(dated, group, strict=True)
        if number != largest
    )
    return kept, remarks
