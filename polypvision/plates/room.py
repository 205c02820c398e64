"""All plates of the logbook together: outcomes and the stock to come."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from polypvision.events import LogEntry
from polypvision.outcomes import (
    By,
    Comparison,
    DonorYield,
    Piece,
    compare,
    donor_yields,
    kept_per_polyp,
    sentences,
)
from polypvision.plan import (
    READY_MM,
    WEEKS,
    PlateGlance,
    PlateState,
    RoomForecast,
    RoomTally,
    StockForecast,
    foretold,
    glance_at,
    plate_state,
    week_dates,
)
from polypvision.plates.corrected import corrected_photos, follow
from polypvision.plates.log import names_of_plates
from polypvision.store.entries import entries_of
from polypvision.store.facts import PlateFacts, facts_of
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto
from polypvision.store.stamps import plate_stamp
from polypvision.today import Task

_HELD = 32
"""Plates that are kept in memory between two looks at a room; each takes some megabytes."""
Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class KnownPlate:
    """A plate as it was known on a day.

    Attributes
    ----------
    facts : PlateFacts
    photos : tuple of StoredPhoto
        In date order, their readings as people corrected them.
    state : PlateState
    later : int
        Photos left out because they are dated later.
    mark : str
        Of the state of the logbook in which it was known; see `store.stamps`.
    """

    facts: PlateFacts
    photos: tuple[StoredPhoto, ...]
    state: PlateState
    later: int = 0
    mark: str = ""


def known_plate(
    logbook: Logbook,
    plate: str,
    *,
    on: date | None = None,
    size_mm: float = READY_MM,
    foretell: bool = True,
) -> KnownPlate:
    """Return one plate as it was known on a day.

    Parameters
    ----------
    logbook : Logbook
    plate : str
    on : date or None
        Photos and lines of the log from later are left out; None takes all.
    size_mm : float
    foretell : bool
        As in `plan.plate_state`.

    Raises
    ------
    PlateUnknown
    """
    with logbook.reading() as connection:
        facts, mark = facts_of(connection, plate), plate_stamp(connection, plate)
        photos = corrected_photos(connection, plate)
        log = entries_of(connection, plate)
    n_all = len(photos)
    if on is not None:
        photos = [one for one in photos if (at := one.reading.taken_at) and at.date() <= on]
        log = [entry for entry in log if entry.at.date() <= on]
    tracks, log = follow(photos, log, normal_mouths=facts.normal_mouths)
    state = plate_state(
        tracks, log, plate=facts.plate, line=facts.line, size_mm=size_mm, foretell=foretell
    )
    return KnownPlate(
        facts=facts,
        photos=tuple(one.photo for one in photos),
        state=state,
        later=n_all - len(photos),
        mark=mark,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class RoomLook:
    """What a first look at all plates of a room leaves: little of each, and the first few whole.

    Attributes
    ----------
    glances : tuple of PlateGlance
        Of plates with photos, in the order of their names.
    pieces : tuple of Piece
    log : tuple of LogEntry
    remarks : tuple of str
        What the log leaves open, and what to do.
    held : mapping of str to KnownPlate
        Without forecasts; at most `_HELD`, so that small rooms are worked out once.
    """

    glances: tuple[PlateGlance, ...]
    pieces: tuple[Piece, ...]
    log: tuple[LogEntry, ...]
    remarks: tuple[str, ...]
    held: Mapping[str, KnownPlate]


def look_over(
    logbook: Logbook, *, size_mm: float = READY_MM, progress: Progress | None = None
) -> RoomLook:
    """Look at all plates, one after the other.

    Parameters
    ----------
    logbook : Logbook
    size_mm : float
    progress : callable, optional
        Told of each plate: how many are done, of how many, and its name.
    """
    names = names_of_plates(logbook)
    glances: list[PlateGlance] = []
    pieces: list[Piece] = []
    log: list[LogEntry] = []
    remarks: list[str] = []
    held: dict[str, KnownPlate] = {}
    for done, name in enumerate(names):
        if progress is not None:
            progress(done, len(names), name)
        known = known_plate(logbook, name, size_mm=size_mm, foretell=False)
        glance = glance_at(known.state)
        glances += [] if glance is None else [glance]
        pieces += known.state.pieces
        log += known.state.log
        remarks += known.state.remarks
        if len(held) < _HELD:
            held[name] = known
    return RoomLook(
        glances=tuple(glances), pieces=tuple(pieces), log=tuple(log), remarks=tuple(remarks),
        held=held,
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class RoomOutcomes:
    """What became of the pieces of a room.

    Attributes
    ----------
    comparison : Comparison
    sentences : tuple of str
        What it says.
    yields : tuple of DonorYield
    remarks : tuple of str
        What the log leaves open, and what to do.
    """

    comparison: Comparison
    sentences: tuple[str, ...]
    yields: tuple[DonorYield, ...]
    remarks: tuple[str, ...]


def compare_room(look: RoomLook, by: By = "method") -> RoomOutcomes:
    """Return what became of the pieces of a room, compared in one respect."""
    comparison = compare(look.pieces, by)
    kept = kept_per_polyp(look.pieces, look.log) if by == "method" else {}
    return RoomOutcomes(
        comparison=comparison,
        sentences=sentences(comparison, kept),
        yields=donor_yields(look.pieces, look.log),
        remarks=look.remarks,
    )


def foretell_room(
    logbook: Logbook,
    look: RoomLook,
    *,
    size_mm: float = READY_MM,
    weeks: int = WEEKS,
    each: Callable[[KnownPlate, StockForecast], None] | None = None,
    progress: Progress | None = None,
) -> RoomForecast:
    """Return the stock to come, by weeks from the latest photo on.

    Parameters
    ----------
    logbook : Logbook
    look : RoomLook
        Of the same logbook, and for the same size.
    size_mm : float
    weeks : int
    each : callable, optional
        Given every plate with photos, with its forecasts, and its stock; line by line.
    progress : callable, optional
        As of `look_over`.
    """
    last = max((one.last_photo for one in look.glances), key=_wall_clock, default=None)
    tally = RoomTally(look.glances, week_dates(last, weeks) if last else (), size_mm=size_mm)
    for done, name in enumerate(tally.order):
        if progress is not None:
            progress(done, len(tally.order), name)
        if name in look.held:
            known = look.held[name]
            known = replace(known, state=foretold(known.state))
        else:
            known = known_plate(logbook, name, size_mm=size_mm)
        stock = tally.add(known.state)
        if each is not None:
            each(known, stock)
    return tally.forecast()


def _wall_clock(at: datetime) -> datetime:
    """Of dates with and without offset, the wall clocks are compared."""
    return at.replace(tzinfo=None)


def task_record(tasks: Sequence[Task]) -> list[dict[str, Any]]:
    """Return today's list as plain JSON values, in its order."""
    return [
        {
            "key": task.key,
            "kind": task.kind,
            "plate": task.plate or None,
            "individuals": list(task.who),
            "what": task.what,
            "why": task.why,
            "evidence": task.evidence,
        }
        for task in tasks
    ]


def forecast_record(forecast: RoomForecast) -> dict[str, Any]:
    """Return a stock forecast as plain JSON values."""

    def one(stock: Any) -> dict[str, Any]:
        return {
            "name": stock.name,
            "size_mm": stock.size_mm,
            "n_pieces": stock.n_pieces,
            "n_ready": stock.n_ready,
            "weeks": [
                {
                    "on": week.on.date().isoformat(),
                    "expected": round(week.expected, 2),
                    "low": week.low,
                    "high": week.high,
                }
                for week in stock.weeks
            ],
        }

    return {
        "plates": [one(stock) for stock in forecast.plates],
        "lines": [one(stock) for stock in forecast.lines],
        "all": one(forecast.whole),
    }
