"""What the keeper says of a plate: its line, how many mouths are normal, its card's true scale."""

from dataclasses import asdict, dataclass, fields

import sqlalchemy as sa

from polypvision.errors import PlateUnknown
from polypvision.store.schema import log_entries, photos, plates


@dataclass(frozen=True, kw_only=True)
class PlateFacts:
    """What is said of a plate.

    Attributes
    ----------
    plate : str
        Code as printed, four digits, or a name.
    line : str
        The line or kind of polyp that grows on it.
    normal_mouths : int
        Mouths that a polyp of this line has when it is not dividing.
    bar_mm : float or None
        True length of the card's printed bar, measured with callipers.
    note : str
    disc_height_mm : float or None
        How far the oral discs usually stand above the card.
    water_depth_mm : float or None
        How deep the discs usually are under water when they are photographed; 0 or None is in air.
    """

    plate: str
    line: str = ""
    normal_mouths: int = 1
    bar_mm: float | None = None
    note: str = ""
    disc_height_mm: float | None = None
    water_depth_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class PlateSummary:
    """A plate, how many photos of it were read, and the dates (ISO 8601) of first and last."""

    facts: PlateFacts
    n_photos: int
    first: str | None
    last: str | None
    n_entries: int


_FACTS = tuple(plates.c[field.name] for field in fields(PlateFacts))


def ensure_plate(connection: sa.Connection, plate: str) -> None:
    """Begin a plate's row if there is none; one that was forgotten is there again."""
    there = sa.update(plates).where(plates.c.plate == plate).values(forgotten_at=None)
    if connection.execute(there).rowcount == 0:
        connection.execute(sa.insert(plates).values(**asdict(PlateFacts(plate=plate))))


def find_facts(connection: sa.Connection, plate: str) -> PlateFacts | None:
    """Return what is said of a plate, forgotten or not; None if it is unknown."""
    row = connection.execute(sa.select(*_FACTS).where(plates.c.plate == plate)).first()
    return None if row is None else PlateFacts(**row._mapping)


def facts_of(connection: sa.Connection, plate: str) -> PlateFacts:
    """Return what is said of a plate.

    Raises
    ------
    PlateUnknown
    """
    held = sa.select(plates.c.plate).where(plates.c.forgotten_at.is_(None))
    facts = find_facts(connection, plate)
    if facts is None or not connection.execute(held.where(plates.c.plate == plate)).first():
        known = ", ".join(connection.execute(held.order_by(plates.c.plate)).scalars()) or "none yet"
        way = "" if facts is None else " It was forgotten; bring it back: polypvision forget --undo"
        raise PlateUnknown(f"The logbook has no plate {plate!r}. It has: {known}.{way}")
    return facts


def set_facts(connection: sa.Connection, facts: PlateFacts) -> None:
    """Write what is said of a plate, in place of what was said before."""
    ensure_plate(connection, facts.plate)
    connection.execute(
        sa.update(plates).where(plates.c.plate == facts.plate).values(**asdict(facts))
    )


def summaries(connection: sa.Connection) -> list[PlateSummary]:
    """Return every plate in the order of its name."""
    found = []
    held = sa.select(*_FACTS).where(plates.c.forgotten_at.is_(None))
    for row in connection.execute(held.order_by(plates.c.plate)).all():
        read = (photos.c.plate == row.plate) & photos.c.error.is_(None)
        read &= photos.c.forgotten_at.is_(None)
        days = connection.execute(sa.select(photos.c.taken_at).where(read)).scalars().all()
        dated = sorted(day for day in days if day)
        entries = connection.execute(
            sa.select(sa.func.count())
            .select_from(log_entries)
            .where(log_entries.c.plate == row.plate, log_entries.c.forgotten_at.is_(None))
        ).scalar_one()
        found.append(
            PlateSummary(
                facts=PlateFacts(**row._mapping),
                n_photos=len(days),
                first=dated[0] if dated else None,
                last=dated[-1] if dated else None,
                n_entries=entries,
            )
        )
    return found
