"""What the keeper says of a plate: its line, how many mouths are normal, its card's true scale."""

from dataclasses import asdict, dataclass

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


def ensure_plate(connection: sa.Connection, plate: str) -> None:
    """Begin a plate's row if there is none."""
    if find_facts(connection, plate) is None:
        connection.execute(sa.insert(plates).values(**asdict(PlateFacts(plate=plate))))


def find_facts(connection: sa.Connection, plate: str) -> PlateFacts | None:
    """Return what is said of a plate, or None if it is unknown."""
    row = connection.execute(sa.select(plates).where(plates.c.plate == plate)).first()
    return None if row is None else PlateFacts(**row._mapping)


def all_facts(connection: sa.Connection) -> list[PlateFacts]:
    """Return what is said of every plate."""
    return [PlateFacts(**row._mapping) for row in connection.execute(sa.select(plates))]


def facts_of(connection: sa.Connection, plate: str) -> PlateFacts:
    """Return what is said of a plate.

    Raises
    ------
    PlateUnknown
    """
    facts = find_facts(connection, plate)
    if facts is None:
        names = connection.execute(sa.select(plates.c.plate).order_by(plates.c.plate)).scalars()
        known = ", ".join(names) or "none yet"
        raise PlateUnknown(f"The logbook has no plate {plate!r}. It has: {known}.")
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
    for row in connection.execute(sa.select(plates).order_by(plates.c.plate)).all():
        read = (photos.c.plate == row.plate) & photos.c.error.is_(None)
        days = connection.execute(sa.select(photos.c.taken_at).where(read)).scalars().all()
        dated = sorted(day for day in days if day)
        entries = connection.execute(
            sa.select(sa.func.count())
            .select_from(log_entries)
            .where(log_entries.c.plate == row.plate)
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
