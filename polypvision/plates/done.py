"""Today's list with what was ticked off: by whom, when, and how to take it back."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import sqlalchemy as sa

from polypvision.errors import TaskUnknown
from polypvision.plates.room import task_record
from polypvision.store.logbook import Logbook
from polypvision.store.ticks import Tick, add_tick, ticks_that_hold
from polypvision.today import Task

KEY_SHOWN = 6
"""Characters of a task's key that people see and type."""


@dataclass(frozen=True, kw_only=True)
class DoneTask:
    """A task of the list that somebody ticked off."""

    task: Task
    author: str
    at: datetime


def split_done(
    logbook: Logbook, tasks: Sequence[Task]
) -> tuple[tuple[Task, ...], tuple[DoneTask, ...]]:
    """Return what of a list is still to be done, and what was ticked off.

    A tick is for a task with its reason and evidence: with new evidence the task is due again.

    Raises
    ------
    LogbookError
    """
    with logbook.reading() as connection:
        holding = ticks_that_hold(connection)
    done = tuple(
        DoneTask(task=task, author=tick.author, at=tick.at)
        for task in tasks
        if (tick := holding.get(task.key)) is not None
    )
    return tuple(task for task in tasks if task.key not in holding), done


def tick_off(
    logbook: Logbook,
    tasks: Sequence[Task],
    key: str,
    *,
    author: str,
    done: bool = True,
    now: datetime | None = None,
) -> Task:
    """Tick a task of a list off, or take its tick back; twice is as good as once.

    Parameters
    ----------
    logbook : Logbook
    tasks : sequence of Task
        The list, with what was ticked off.
    key : str
        The task's, or its beginning.
    author : str
        Who says so.
    done : bool
        False takes the tick back.
    now : datetime, optional

    Raises
    ------
    TaskUnknown
        If the list has no such task, or several.
    LogbookError
    """
    found = [task for task in tasks if len(key) >= 4 and task.key.startswith(key.lower())]
    if len(found) != 1:
        raise TaskUnknown(
            f"There is no one task {key!r} on the list. It may have changed: look at it again."
        )
    task = found[0]
    record = task_record([task])[0]
    tick = Tick(key=task.key, done=done, author=author, at=now or datetime.now(UTC), task=record)

    def write(connection: sa.Connection) -> None:
        if (task.key in ticks_that_hold(connection)) != done:
            add_tick(connection, tick)

    logbook.write(write)
    return task
