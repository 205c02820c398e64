"""What was ticked off today's lists: a line for every tick and every tick taken back."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from polypvision.store.schema import ticks


@dataclass(frozen=True, kw_only=True)
class Tick:
    """A task ticked off, or a tick taken back.

    Attributes
    ----------
    key : str
        `today.Task.key`.
    done : bool
        False takes the tick back.
    author : str
    at : datetime
        With its offset.
    task : mapping
        The task as it stood on the list, as plain JSON values.
    """

    key: str
    done: bool
    author: str
    at: datetime
    task: Mapping[str, Any]


def add_tick(connection: sa.Connection, tick: Tick) -> None:
    """Write a tick; those before it stay."""
    connection.execute(
        sa.insert(ticks).values(
            task_key=tick.key,
            done=tick.done,
            author=tick.author,
            at=tick.at.isoformat(),
            task=dict(tick.task),
        )
    )


def ticks_that_hold(connection: sa.Connection) -> dict[str, Tick]:
    """Return the tasks that are ticked off, by key: those whose last line is a tick."""
    last = sa.select(sa.func.max(ticks.c.id)).group_by(ticks.c.task_key)
    chosen = sa.select(ticks).where(ticks.c.id.in_(last), ticks.c.done).order_by(ticks.c.id)
    return {
        row.task_key: Tick(
            key=row.task_key,
            done=True,
            author=row.author,
            at=datetime.fromisoformat(row.at),
            task=row.task,
        )
        for row in connection.execute(chosen)
    }
