"""Today's list of all plates, of which only those that changed are worked out anew."""

import contextlib
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date

from polypvision import __version__
from polypvision.errors import LogbookError
from polypvision.plan import READY_MM
from polypvision.plates.room import KnownPlate, known_plate
from polypvision.reading import Refusal
from polypvision.store.dues import KeptDue, keep_dues, kept_dues
from polypvision.store.logbook import Logbook
from polypvision.store.readings import refused_photos
from polypvision.store.stamps import plate_marks
from polypvision.today import (
    PlateDue,
    Task,
    TodaySettings,
    all_due,
    due_from_record,
    due_record,
    plate_due,
)

_TOGETHER = 50
"""Plates kept in one transaction."""

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class Dues:
    """What today's list needs of all plates.

    Attributes
    ----------
    plates : tuple of PlateDue
        In the order of their names.
    later : int
        Photos left out because they are dated later.
    waiting : int
        Plates that there was no time to work out.
    """

    plates: tuple[PlateDue, ...]
    later: int = 0
    waiting: int = 0


def dues_of(
    logbook: Logbook,
    on: date,
    *,
    size_mm: float = READY_MM,
    within_s: float | None = None,
    progress: Progress | None = None,
) -> Dues:
    """Return what today's list needs, as all plates were known on a day.

    What is worked out is kept in the logbook until the plate changes, so that one new photo costs
    the work of one plate, whoever asks.

    Parameters
    ----------
    logbook : Logbook
    on : date
    size_mm : float
        The diameter from which on a piece is large enough.
    within_s : float or None
        Seconds after which no further plate is begun; None takes what it takes.
    progress : callable, optional
        Told of each plate that is worked out: how many are, of how many, and its name.
    """
    until = None if within_s is None else time.monotonic() + within_s
    with logbook.reading() as connection:
        marks, kept = plate_marks(connection), kept_dues(connection, size_mm)
    changed = [
        plate
        for plate, mark in marks.items()
        if plate not in kept or kept[plate].mark != _mark(mark)
    ]
    found: dict[str, PlateDue] = {}
    fresh: list[KeptDue] = []
    later = waiting = 0
    for n, plate in enumerate(sorted(changed), 1):
        if until is not None and time.monotonic() > until:
            waiting = len(changed) - n + 1
            break
        known = known_plate(logbook, plate, size_mm=size_mm, foretell=False)
        kept[plate] = _worked_out(known)
        fresh.append(kept[plate])
        marks[plate] = known.mark
        if len(fresh) == _TOGETHER:
            _keep(logbook, size_mm, fresh)
            fresh = []
        if progress is not None:
            progress(n, len(changed), plate)
    _keep(logbook, size_mm, fresh)
    for plate in sorted(marks):
        one = kept.get(plate)
        if one is None or one.mark != _mark(marks[plate]):
            continue
        if one.body["until"] and date.fromisoformat(one.body["until"]) > on:
            # Not kept: the day before yesterday's list is asked for once.
            then = known_plate(logbook, plate, on=on, size_mm=size_mm, foretell=False)
            found[plate] = plate_due(then.state)
            later += then.later
        else:
            found[plate] = due_from_record(plate, one.body)
    return Dues(plates=tuple(found.values()), later=later, waiting=waiting)


def today(
    logbook: Logbook,
    on: date,
    *,
    size_mm: float = READY_MM,
    settings: TodaySettings | None = None,
    progress: Progress | None = None,
) -> tuple[tuple[Task, ...], int]:
    """Return what to do on a day, and how many photos were left out because they are dated later.

    Parameters
    ----------
    logbook : Logbook
    on : date
    size_mm : float
    settings : TodaySettings, optional
    progress : callable, optional
        As in `dues_of`.
    """
    dues = dues_of(logbook, on, size_mm=size_mm, progress=progress)
    return tasks_on(logbook, dues.plates, on, settings=settings), dues.later


def tasks_on(
    logbook: Logbook,
    plates: Sequence[PlateDue],
    on: date,
    *,
    settings: TodaySettings | None = None,
) -> tuple[Task, ...]:
    """Return what to do on a day on plates as they were known then."""
    with logbook.reading() as connection:
        refused = [
            replace(photo.outcome, facts=replace(photo.outcome.facts, photo=photo.names[-1]))
            for photo in refused_photos(connection)
            if isinstance(photo.outcome, Refusal)
        ]
    return all_due(plates, on, refused=refused, settings=settings)


def _mark(mark: str) -> str:
    """Another program may see another thing in the same photos."""
    return f"{mark} {__version__}"


def _worked_out(known: KnownPlate) -> KeptDue:
    days = [one.outcome.facts.taken_at for one in known.photos]
    days += [entry.at for entry in known.state.log]
    last = max((day.date() for day in days if day is not None), default=None)
    body = {**due_record(plate_due(known.state)), "until": last and last.isoformat()}
    return KeptDue(plate=known.facts.plate, mark=_mark(known.mark), body=body)


def _keep(logbook: Logbook, size_mm: float, fresh: list[KeptDue]) -> None:
    # In a logbook that may only be read it is worked out again the next time.
    with contextlib.suppress(LogbookError):
        logbook.write(lambda connection: keep_dues(connection, size_mm, fresh))
