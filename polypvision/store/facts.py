"""What the keeper says of a plate: its line, how many mouths are normal, its card's true scale."""

from dataclasses import asdict, dataclass, fields
from typing import Any

import sqlalchemy as sa

from polypvision.errors import PlateUnknown
from polypvision.store.schema import log_entries, photos, plates
from polypvision.store.stamps import new_mark, touch
from polypvision.store.upserts import Upsert, insert_into

_NAMED = 10
"""Plates that a message names."""


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
_HELD = plates.c.forgotten_at.is_(None)


def ensure_plate(connection: sa.Connection, plate: str) -> None:
    """Begin a plate's row if there is none, whoever else does so at the same time.

    One that was forgotten is there again.
    """
    row = _first_row(connection, plate)
    there = row.on_conflict_do_update(
        index_elements=["plate"],
        set_={"forgotten_at": None},
        where=plates.c.forgotten_at.is_not(None),
    )
    connection.execute(there)


def _first_row(connection: sa.Connection, plate: str) -> Upsert:
    facts = asdict(PlateFacts(plate=plate))
    return insert_into(connection, plates).values(**facts, mark=new_mark())


def hold_plate(connection: sa.Connection, plate: str) -> None:
    """Keep others from writing of this plate until the transaction ends.

    SQLite lets in one writer at a time anyway; a server's database locks the plate's row.
    """
    connection.execute(_first_row(connection, plate).on_conflict_do_nothing())
    connection.execute(sa.select(plates.c.plate).where(plates.c.plate == plate).with_for_update())


def find_facts(connection: sa.Connection, plate: str) -> PlateFacts | None:
    """Return what is said of a plate, forgotten or not; None if it is unknown."""
    row = connection.execute(sa.select(*_FACTS).where(plates.c.plate == plate)).first()
    return None if row is None else PlateFacts(**row._mapping)


def all_facts(connection: sa.Connection) -> list[PlateFacts]:
    """Return what is said of every plate."""
    return [PlateFacts(**row._mapping) for row in connection.execute(sa.select(*_FACTS))]


def facts_of(connection: sa.Connection, plate: str) -> PlateFacts:
    """Return what is said of a plate.

    Raises
    ------
    PlateUnknown
    """
    held = sa.select(plates.c.plate).where(_HELD)
    facts = find_facts(connection, plate)
    if facts is None or not connection.execute(held.where(plates.c.plate == plate)).first():
        way = "" if facts is None else " It was forgotten; bring it back: polypvision forget --undo"
        raise PlateUnknown(
            f"The logbook has no plate {plate!r}. It has: {_known(connection)}.{way}"
        )
    return facts


def _known(connection: sa.Connection) -> str:
    """Return what plates there are, or how many and the first of them."""
    held = sa.select(plates.c.plate).where(_HELD).order_by(plates.c.plate)
    first = connection.execute(held.limit(_NAMED + 1))
    names = list(first.scalars())
    if len(names) <= _NAMED:
        return ", ".join(names) or "none yet"
    return f"{', '.join(names[:_NAMED])} and {count_plates(connection) - _NAMED} more"


def set_facts(connection: sa.Connection, facts: PlateFacts) -> None:
    """Write what is said of a plate, in place of what was said before."""
    ensure_plate(connection, facts.plate)
    connection.execute(
        sa.update(plates).where(plates.c.plate == facts.plate).values(**asdict(facts))
    )
    touch(connection, facts.plate)


def plate_names(connection: sa.Connection) -> list[str]:
    """Return the names of all plates, in their order."""
    held = sa.select(plates.c.plate).where(_HELD).order_by(plates.c.plate)
    return list(connection.execute(held).scalars())


def count_plates(connection: sa.Connection, words: str = "") -> int:
    """Return how many plates there are; with words, those that have them in name, line or note."""
    chosen = sa.select(sa.func.count()).select_from(plates).where(_with_words(words))
    return int(connection.execute(chosen).scalar_one())


def summaries(
    connection: sa.Connection, *, words: str = "", start: int = 0, most: int | None = None
) -> list[PlateSummary]:
    """Return plates in the order of their names.

    Parameters
    ----------
    connection : Connection
    words : str
        Only those that have all of these words in their name, line or note.
    start : int
        So many of them are left out before the first.
    most : int or None
        At most so many; None is all.
    """
    chosen = sa.select(*_FACTS).where(_with_words(words)).order_by(plates.c.plate)
    return _summed_up(connection, chosen.offset(start).limit(most))


def summary_of(connection: sa.Connection, plate: str) -> PlateSummary:
    """Return one plate.

    Raises
    ------
    PlateUnknown
    """
    facts_of(connection, plate)
    return _summed_up(connection, sa.select(*_FACTS).where(plates.c.plate == plate))[0]


def _with_words(words: str) -> sa.ColumnElement[bool]:
    text = plates.c.plate + " " + plates.c.line + " " + plates.c.note
    found = [text.icontains(word, autoescape=True) for word in words.split()]
    return sa.and_(_HELD, *found)


def _summed_up(connection: sa.Connection, chosen: sa.Select[Any]) -> list[PlateSummary]:
    """Return the chosen plates with what there is of each: three questions, however many."""
    facts = [PlateFacts(**row._mapping) for row in connection.execute(chosen)]
    these = chosen.with_only_columns(plates.c.plate).subquery()
    own = photos.c.plate.in_(sa.select(these.c.plate)) & photos.c.error.is_(None)
    own &= photos.c.forgotten_at.is_(None)
    taken = photos.c.taken_at
    read = sa.select(photos.c.plate, sa.func.count(), sa.func.min(taken), sa.func.max(taken))
    seen = {
        plate: (n, first, last)
        for plate, n, first, last in connection.execute(read.where(own).group_by(photos.c.plate))
    }
    lines = sa.select(log_entries.c.plate, sa.func.count()).group_by(log_entries.c.plate)
    lines = lines.where(log_entries.c.plate.in_(sa.select(these.c.plate)))
    lines = lines.where(log_entries.c.forgotten_at.is_(None))
    written = {row.plate: int(row[1]) for row in connection.execute(lines)}
    found = []
    for one in facts:
        n, first, last = seen.get(one.plate, (0, None, None))
        found.append(
            PlateSummary(
                facts=one, n_photos=n, first=first, last=last, n_entries=written.get(one.plate, 0)
            )
        )
    return found
