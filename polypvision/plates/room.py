"""All plates of the logbook together: outcomes and the stock to come."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
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
    RoomForecast,
    RoomTally,
    glance_from_record,
    outlook_from_record,
    week_dates,
)
from polypvision.plates.kept import KeptPlates, Progress
from polypvision.store.logbook import Logbook
from polypvision.today import Task


@dataclass(frozen=True, kw_only=True, eq=False)
class RoomLook:
    """What a look at all plates of a room leaves: little of each.

    Attributes
    ----------
    glances : tuple of PlateGlance
        In the order of their names.
    """

    glances: tuple[PlateGlance, ...]

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """All cut pieces."""
        return tuple(piece for one in self.glances for piece in one.pieces)

    @property
    def log(self) -> tuple[LogEntry, ...]:
        """All lines of the log."""
        return tuple(entry for one in self.glances for entry in one.log)

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the log leaves open, and what to do."""
        return tuple(words for one in self.glances for words in one.remarks)


def look_over(logbook: Logbook, *, jobs: int = 1, progress: Progress | None = None) -> RoomLook:
    """Look at all plates; only those that have changed are worked out.

    Parameters
    ----------
    logbook : Logbook
    jobs : int
        Processes that work plates out.
    progress : callable, optional
        As of `KeptPlates.work_out`.
    """
    kept = KeptPlates(logbook, jobs=jobs)
    kept.work_out("glance", progress=progress)
    return _looked(kept)


def _looked(kept: KeptPlates) -> RoomLook:
    found = kept.each("glance")
    return RoomLook(glances=tuple(glance_from_record(plate, body) for plate, body in found))


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
    *,
    size_mm: float = READY_MM,
    weeks: int = WEEKS,
    jobs: int = 1,
    progress: Progress | None = None,
) -> tuple[RoomForecast, RoomLook]:
    """Return the stock to come, by weeks from the latest photo on, and what was seen for it.

    Parameters
    ----------
    logbook : Logbook
    size_mm : float
        The diameter from which on a piece is large enough.
    weeks : int
    jobs : int
        Processes that work plates out.
    progress : callable, optional
        As of `KeptPlates.work_out`, and once more told of every plate that is added up.
    """
    kept = KeptPlates(logbook, size_mm=size_mm, jobs=jobs)
    kept.work_out("outlook", progress=progress)
    look = _looked(kept)
    photos = [one.last_photo for one in look.glances if one.last_photo is not None]
    last = max(photos, key=_wall_clock, default=None)
    tally = RoomTally(look.glances, week_dates(last, weeks) if last else (), size_mm=size_mm)
    for done, (plate, body) in enumerate(kept.each("outlook", tally.order)):
        if progress is not None:
            progress(done, len(tally.order), plate)
        tally.add(outlook_from_record(plate, body))
    return tally.forecast(), look


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
