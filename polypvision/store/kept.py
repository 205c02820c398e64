"""What was worked out of each plate, kept so that it need not be worked out again.

Nothing here is a record: it may be deleted at any time, and is worked out anew.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import sqlalchemy as sa

from polypvision.store.schema import plate_kept
from polypvision.store.upserts import insert_into

KeptKind = Literal["due", "glance", "outlook"]
"""For today's list; for what all plates together tell; for the stock to come."""


@dataclass(frozen=True, kw_only=True)
class Kept:
    """What was worked out of a plate: ``mark`` tells of which state of it, and by whom."""

    plate: str
    kind: KeptKind
    mark: str
    body: Mapping[str, Any]


def kept_marks(connection: sa.Connection, kind: KeptKind, size_mm: float) -> dict[str, str]:
    """Return of which state of each plate something is kept."""
    rows = connection.execute(_of_kind(kind, size_mm, plate_kept.c.plate, plate_kept.c.mark))
    return {row.plate: row.mark for row in rows}


def kept_of(
    connection: sa.Connection, kind: KeptKind, size_mm: float, plates: Sequence[str]
) -> dict[str, Kept]:
    """Return what is kept of these plates, by plate.

    Parameters
    ----------
    connection : Connection
    kind : {'due', 'glance', 'outlook'}
    size_mm : float
        The diameter asked for.
    plates : sequence of str
        Not too many at once: the outlook of one has some 35 KB.
    """
    own = plate_kept.c
    chosen = _of_kind(kind, size_mm, own.plate, own.mark, own.body)
    return {
        row.plate: Kept(plate=row.plate, kind=kind, mark=row.mark, body=row.body)
        for row in connection.execute(chosen.where(own.plate.in_(plates)))
    }


def _of_kind(kind: KeptKind, size_mm: float, *columns: sa.ColumnElement[Any]) -> sa.Select[Any]:
    own = plate_kept.c
    return sa.select(*columns).where(own.kind == kind, own.size_mm == size_mm)


def keep(
    connection: sa.Connection, size_mm: float, kept: Sequence[Kept], *, usual_mm: float
) -> None:
    """Keep what was worked out, in place of what was kept of the same plates.

    Parameters
    ----------
    connection : Connection
    size_mm : float
        The diameter asked for.
    kept : sequence of Kept
    usual_mm : float
        Outlooks are long: of each plate that of this diameter is kept, and of one other.
    """
    own = plate_kept.c
    rows = [
        {"plate": one.plate, "kind": one.kind, "size_mm": size_mm, "mark": one.mark,
         "body": dict(one.body)}
        # In one order, so that two who write at once do not wait for each other.
        for one in sorted(kept, key=lambda one: (one.plate, one.kind))
    ]  # fmt: skip
    if rows:
        added = insert_into(connection, plate_kept)
        new = {"mark": added.excluded.mark, "body": added.excluded.body}
        keys = ["plate", "kind", "size_mm"]
        connection.execute(added.on_conflict_do_update(index_elements=keys, set_=new), rows)
    outlooks = [one.plate for one in kept if one.kind == "outlook"]
    if outlooks:
        other = own.size_mm.not_in([size_mm, usual_mm])
        old = sa.delete(plate_kept).where(own.kind == "outlook", own.plate.in_(outlooks), other)
        connection.execute(old)
