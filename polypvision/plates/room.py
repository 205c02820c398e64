"""All plates of the logbook together: outcomes and the stock to come."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from polypvision.outcomes import (
    By,
    Comparison,
    DonorYield,
    compare,
    donor_yields,
    kept_per_polyp,
    sentences,
)
from polypvision.plan import (
    READY_MM,
    WEEKS,
    PlateState,
    RoomForecast,
    plate_state,
    room_forecast,
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


def room_of(
    logbook: Logbook,
    plates: Sequence[str] | None = None,
    *,
    on: date | None = None,
    size_mm: float = READY_MM,
    foretell: bool = True,
) -> tuple[tuple[PlateState, ...], int]:
    """Return plates as they were known on a day.

    Parameters
    ----------
    logbook : Logbook
    plates : sequence of str or None
        All of them if None.
    on : date or None
        Photos and lines of the log from later are left out; None takes all.
    size_mm : float
    foretell : bool
        As in `plan.plate_state`.

    Returns
    -------
    tuple of PlateState
        In the order of their names.
    int
        Photos left out because they are dated later.

    Raises
    ------
    PlateUnknown
    """
    names = sorted(names_of_plates(logbook) if plates is None else plates)
    known = [
        known_plate(logbook, name, on=on, size_mm=size_mm, foretell=foretell) for name in names
    ]
    return tuple(one.state for one in known), sum(one.later for one in known)


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
    """Return one plate as it was known on a day; as `room_of`."""
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


def compare_room(states: Sequence[PlateState], by: By = "method") -> RoomOutcomes:
    """Return what became of the pieces of these plates, compared in one respect."""
    pieces = [piece for state in states for piece in state.pieces]
    log = [entry for state in states for entry in state.log]
    comparison = compare(pieces, by)
    kept = {
        group.name: kept_per_polyp(pieces, log, group.name)
        for group in comparison.groups
        if by == "method"
    }
    return RoomOutcomes(
        comparison=comparison,
        sentences=sentences(comparison, {name: n for name, n in kept.items() if n is not None}),
        yields=donor_yields(pieces, log),
        remarks=tuple(remark for state in states for remark in state.remarks),
    )


def latest_photo(states: Sequence[PlateState]) -> datetime | None:
    """Return when the latest photo of these plates was taken; None without any."""
    taken = [state.tracks.photos[-1].taken_at for state in states if state.tracks.photos]
    return max(taken, key=lambda at: at.replace(tzinfo=None), default=None)


def forecast_room(
    states: Sequence[PlateState], *, size_mm: float = READY_MM, weeks: int = WEEKS
) -> RoomForecast:
    """Return the stock to come, by weeks from the latest photo on."""
    start = latest_photo(states)
    dates = week_dates(start, weeks) if start else ()
    return room_forecast([s for s in states if s.tracks.photos], dates, size_mm=size_mm)


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
