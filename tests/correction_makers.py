"""Corrections made by hand, without a logbook."""

from datetime import UTC, datetime, timedelta

from polypvision.corrections import Act, Correction
from polypvision.reading import PlateReading, Polyp

AT = datetime(2031, 3, 5, 9, tzinfo=UTC)


def correction(
    number: int, act: Act, *was: Polyp, author: str = "Ada", minutes: int = 0
) -> Correction:
    """Return a correction with an id made of its number."""
    return Correction(
        id=f"c{number:05d}",
        number=number,
        author=author,
        at=AT + timedelta(minutes=minutes),
        act=act,
        was=was,
    )


def polyp_of(reading: PlateReading, label: int) -> Polyp:
    """Return the polyp with that label."""
    return next(polyp for polyp in reading.polyps if polyp.label == label)
