"""Today's list of all plates, of which only those that changed are worked out anew."""

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from polypvision.plan import READY_MM
from polypvision.plates.kept import KeptPlates, Progress
from polypvision.plates.known import known_plate
from polypvision.reading import Refusal
from polypvision.store.logbook import Logbook
from polypvision.store.readings import refused_photos
from polypvision.today import PlateDue, Task, TodaySettings, all_due, due_from_record, plate_due


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


@dataclass(frozen=True, kw_only=True, eq=False)
class Then:
    """A plate of which photos or lines are dated later, as it was known on a day.

    Attributes
    ----------
    state : str
        Of the plate, with the size and the day asked for.
    due : PlateDue
    later : int
        Photos left out.
    """

    state: str
    due: PlateDue
    later: int


def dues_of(
    logbook: Logbook,
    on: date,
    *,
    size_mm: float = READY_MM,
    within_s: float | None = None,
    jobs: int = 1,
    progress: Progress | None = None,
    then: dict[str, Then] | None = None,
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
    jobs : int
        Processes that work plates out.
    progress : callable, optional
        Told of each plate that is worked out: how many are, of how many, and its name.
    then : dict, optional
        What was worked out of plates of which more is known from later days, and is here; for who
        asks again where time was short.
    """
    until = None if within_s is None else time.monotonic() + within_s
    kept = KeptPlates(logbook, size_mm=size_mm, jobs=jobs)
    waiting = kept.work_out("due", within_s=within_s, progress=progress)
    found: dict[str, PlateDue] = {}
    before: list[str] = []
    for plate, body in kept.each("due", waiting=True):
        found[plate] = due_from_record(plate, body)
        if body["until"] and date.fromisoformat(body["until"]) > on:
            before.append(plate)
    then = {} if then is None else then
    later = 0
    for n, plate in enumerate(before, 1):
        # Not kept in the logbook: the day before yesterday's list is asked for once.
        state = f"{kept.mark_of(plate)} {size_mm} {on}"
        if plate not in then or then[plate].state != state:
            if until is not None and time.monotonic() > until:
                del found[plate]
                waiting += 1
                continue
            known = known_plate(logbook, plate, on=on, size_mm=size_mm, foretell=False)
            then[plate] = Then(state=state, due=plate_due(known.state), later=known.later)
            if progress is not None:
                progress(n, len(before), plate)
        found[plate] = then[plate].due
        later += then[plate].later
    return Dues(plates=tuple(found.values()), later=later, waiting=waiting)


def today(
    logbook: Logbook,
    on: date,
    *,
    size_mm: float = READY_MM,
    settings: TodaySettings | None = None,
    jobs: int = 1,
    progress: Progress | None = None,
) -> tuple[tuple[Task, ...], int]:
    """Return what to do on a day, and how many photos were left out because they are dated later.

    Parameters
    ----------
    logbook : Logbook
    on : date
    size_mm : float
    settings : TodaySettings, optional
    jobs : int
    progress : callable, optional
        As in `dues_of`.
    """
    dues = dues_of(logbook, on, size_mm=size_mm, jobs=jobs, progress=progress)
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
