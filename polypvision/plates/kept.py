"""What was worked out of each plate, of which only those that changed are worked out anew."""

import contextlib
import time
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache, partial
from typing import Any

from polypvision.errors import LogbookError, PlateUnknown
from polypvision.plan import READY_MM, glance_at, glance_record, outlook_of, outlook_record
from polypvision.plates.known import KnownPlate, known_plate
from polypvision.plates.program import program_mark
from polypvision.spread import spread_each
from polypvision.store.kept import Kept, KeptKind, keep, kept_marks, kept_of
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.stamps import plate_marks
from polypvision.today import due_record, plate_due

_TOGETHER = 50
"""Plates kept in one transaction, and looked up in one."""
_LEAST_FOR_ONE = 16
"""Plates for which one more process is worth its start (own estimate: two seconds against a quarter
of one for each plate)."""

Progress = Callable[[int, int, str], None]


class KeptPlates:
    """What is known of the plates of a logbook, each as it stood when it was last asked for.

    Parameters
    ----------
    logbook : Logbook
    size_mm : float
        The diameter from which on a piece is large enough.
    jobs : int
        Processes that work plates out, at most.
    """

    def __init__(self, logbook: Logbook, *, size_mm: float = READY_MM, jobs: int = 1) -> None:
        self._logbook = logbook
        self._size_mm = size_mm
        self._jobs = jobs
        with logbook.reading() as connection:
            self._marks = plate_marks(connection)
        self._held: dict[tuple[KeptKind, str], Kept] = {}

    def mark_of(self, plate: str) -> str:
        """Return the mark of a plate that is not forgotten, as it was looked at last."""
        return self._marks[plate]

    def work_out(
        self,
        kind: KeptKind,
        *,
        within_s: float | None = None,
        progress: Progress | None = None,
    ) -> int:
        """Work out the plates that have changed, and keep what was found in the logbook.

        Parameters
        ----------
        kind : {'due', 'glance', 'outlook'}
            What will be asked for. What comes of the same work is kept beside it.
        within_s : float or None
            Seconds after which no further plate is begun; None takes what it takes.
        progress : callable, optional
            Told of each plate that is worked out: how many are, of how many, and its name.

        Returns
        -------
        int
            Plates that there was no time for.
        """
        until = None if within_s is None else time.monotonic() + within_s
        with self._logbook.reading() as connection:
            found = kept_marks(connection, kind, self._size_of(kind))
        changed = sorted(
            plate for plate, mark in self._marks.items() if found.get(plate) != state_mark(mark)
        )
        done = 0
        fresh: list[Kept] = []
        with contextlib.closing(self._worked_out(kind, changed)) as worked:
            # None is begun when the time is over.
            while done < len(changed) and (until is None or time.monotonic() <= until):
                plate = changed[done]
                fresh += self._noted(plate, next(worked))
                done += 1
                if done % _TOGETHER == 0:
                    self._keep(fresh)
                    fresh = []
                if progress is not None:
                    progress(done, len(changed), plate)
        self._keep(fresh)
        return len(changed) - done

    def each(
        self, kind: KeptKind, plates: Sequence[str] | None = None, *, waiting: bool = False
    ) -> Iterator[tuple[str, Mapping[str, Any]]]:
        """Yield plates with what is known of them, one after the other; at no time all of them.

        Parameters
        ----------
        kind : {'due', 'glance', 'outlook'}
        plates : sequence of str, optional
            In this order; all of them by their names if left out.
        waiting : bool
            Leave out those that are not worked out yet, instead of doing so now.
        """
        names = sorted(self._marks) if plates is None else plates
        for start in range(0, len(names), _TOGETHER):
            some = names[start : start + _TOGETHER]
            with self._logbook.reading() as connection:
                found = kept_of(connection, kind, self._size_of(kind), some)
            for plate in some:
                kept = self._held.get((kind, plate)) or found.pop(plate, None)
                if kept is None or kept.mark != state_mark(self._marks[plate]):
                    kept = None if waiting else self._now(kind, plate)
                if kept is not None:
                    yield plate, kept.body

    def _now(self, kind: KeptKind, plate: str) -> Kept | None:
        """Work out a plate that others worked out anew while all were looked at."""
        found = _work_out(self._logbook, self._size_mm, kind, plate)
        return next((one for one in found if one.kind == kind), None)

    def _size_of(self, kind: KeptKind) -> float:
        """A glance is the same whatever size is asked for."""
        return 0.0 if kind == "glance" else self._size_mm

    def _worked_out(self, kind: KeptKind, changed: Sequence[str]) -> Generator[tuple[Kept, ...]]:
        jobs = min(self._jobs, len(changed) // _LEAST_FOR_ONE)
        if jobs <= 1:
            for plate in changed:
                yield _work_out(self._logbook, self._size_mm, kind, plate)
            return
        work = partial(_work_out_elsewhere, self._logbook.address, self._size_mm, kind)
        yield from spread_each(work, changed, jobs=jobs)

    def _noted(self, plate: str, found: Sequence[Kept]) -> Sequence[Kept]:
        """Remember of which state of the plate something was worked out."""
        if found:
            self._marks[plate] = found[0].mark
        else:
            del self._marks[plate]
        return [replace(one, mark=state_mark(one.mark)) for one in found]

    def _keep(self, fresh: list[Kept]) -> None:
        def write(connection: Any) -> None:
            for size_mm in (0.0, self._size_mm):
                own = [one for one in fresh if self._size_of(one.kind) == size_mm]
                keep(connection, size_mm, own, usual_mm=READY_MM)

        try:
            self._logbook.write(write)
        except LogbookError:
            # In a logbook that may only be read it is worked out again the next time.
            self._held |= {(one.kind, one.plate): one for one in fresh}


def state_mark(mark: str) -> str:
    """Return what tells a state of a plate, and which program looked."""
    return f"{mark} {program_mark()}"


def _work_out(logbook: Logbook, size_mm: float, kind: KeptKind, plate: str) -> tuple[Kept, ...]:
    """Return all that comes of working a plate out so far, under the plate's own mark.

    Nothing if it was forgotten meanwhile.
    """
    try:
        known = known_plate(logbook, plate, size_mm=size_mm, foretell=kind == "outlook")
    except PlateUnknown:
        return ()
    bodies: dict[KeptKind, Mapping[str, Any]] = {
        "due": _due(known),
        "glance": glance_record(glance_at(known.state)),
    }
    if kind == "outlook":
        bodies["outlook"] = outlook_record(outlook_of(known.state))
    return tuple(
        Kept(plate=plate, kind=one, mark=known.mark, body=body) for one, body in bodies.items()
    )


def _due(known: KnownPlate) -> dict[str, Any]:
    """Return what today's list needs of a plate, and the last day of which something is known."""
    days = [one.outcome.facts.taken_at for one in known.photos]
    days += [entry.at for entry in known.state.log]
    last = max((day.date() for day in days if day is not None), default=None)
    return {**due_record(plate_due(known.state)), "until": last and last.isoformat()}


opened_once = cache(open_logbook)
"""Once in each process that works plates out."""


def _work_out_elsewhere(
    address: str, size_mm: float, kind: KeptKind, plate: str
) -> tuple[Kept, ...]:
    return _work_out(opened_once(address), size_mm, kind, plate)
