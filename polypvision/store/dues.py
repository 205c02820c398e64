"""What today's list needs of each plate, kept so that it need not be worked out again.

Nothing here is a record: it may be deleted at any time, and is worked out anew.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from polypvision.store.schema import plate_dues
from polypvision.store.upserts import insert_into


@dataclass(frozen=True, kw_only=True)
class KeptDue:
    """What was worked out of a plate: ``mark`` tells of which state of it, and by whom."""

    plate: str
    mark: str
    body: Mapping[str, Any]


def kept_dues(connection: sa.Connection, size_mm: float) -> dict[str, KeptDue]:
    """Return what is kept for the diameter asked for, by plate."""
    chosen = sa.select(plate_dues.c.plate, plate_dues.c.mark, plate_dues.c.body)
    rows = connection.execute(chosen.where(plate_dues.c.size_mm == size_mm))
    return {row.plate: KeptDue(plate=row.plate, mark=row.mark, body=row.body) for row in rows}


def keep_dues(connection: sa.Connection, size_mm: float, dues: Iterable[KeptDue]) -> None:
    """Keep what was worked out, in place of what was kept of the same plates."""
    rows = [
        {"plate": due.plate, "size_mm": size_mm, "mark": due.mark, "body": dict(due.body)}
        # In one order, so that two who write at once do not wait for each other.
        for due in sorted(dues, key=lambda due: due.plate)
    ]
    if rows:
        added = insert_into(connection, plate_dues)
        new = {"mark": added.excluded.mark, "body": added.excluded.body}
        keys = ["plate", "size_mm"]
        connection.execute(added.on_conflict_do_update(index_elements=keys, set_=new), rows)
