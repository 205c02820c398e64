"""Readings against each other and against a person's measurements."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from polypvision.errors import ComparisonError, TableError
from polypvision.evaluate.by_hand import Both, HandAgreement, HandMeasurement, compare_by_hand
from polypvision.evaluate.repeat import Repeats, compare_repeats
from polypvision.files.hand_table import read_hand_table
from polypvision.plates.corrected import corrected_photos, followed
from polypvision.plates.read import Progress, ReadWishes, read_photos
from polypvision.reading import PlateReading, Polyp, Refusal
from polypvision.store.logbook import Logbook
from polypvision.words import counted


@dataclass(frozen=True, kw_only=True, eq=False)
class RepeatReport:
    """How readings of one plate repeat, and the photos that could not be read."""

    repeats: Repeats
    refused: tuple[Refusal, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class HandReport:
    """The machine against a person, and the rows of the table that had no partner."""

    agreement: HandAgreement
    not_found: tuple[str, ...]


def repeat_photos(
    paths: Sequence[Path], wishes: ReadWishes | None = None, *, progress: Progress | None = None
) -> RepeatReport:
    """Read photos of one plate taken at once, and say how well the readings repeat.

    Raises
    ------
    ComparisonError
        If fewer than two could be read, or they show different plates.
    """
    outcomes = [one.outcome for one in read_photos(paths, wishes, progress=progress)]
    if not outcomes:
        raise ComparisonError(
            f"No photo was found in {', '.join(map(str, paths))}. Check the name."
        )
    readings = [one for one in outcomes if isinstance(one, PlateReading)]
    refused = tuple(one for one in outcomes if isinstance(one, Refusal))
    if len(readings) < 2:
        why = f" {refused[0].message}" if refused else ""
        raise ComparisonError(
            f"{len(readings)} of {counted(len(outcomes), 'photo')} could be read, and it "
            f"takes two to compare.{why} Take 5 to 10 photos of one plate within minutes, moving "
            "the camera."
        )
    plates = sorted({str(one.plate) for one in readings})
    if len(plates) > 1:
        raise ComparisonError(
            f"The photos show plates {' and '.join(plates)}. Give photos of one plate only."
        )
    return RepeatReport(repeats=compare_repeats(readings), refused=refused)


Find = Callable[[HandMeasurement, str], Both | None]
"""What the machine has for one row; None if it saw no such polyp."""


def agree_with_photo(photo: Path, table: Path, wishes: ReadWishes | None = None) -> HandReport:
    """Compare one photo with a person's measurements; polyps are called by their labels.

    Raises
    ------
    ComparisonError
        If the photo could not be read.
    TableError
    """
    rows = read_hand_table(table)
    [one] = read_photos([photo], wishes)
    reading = one.outcome
    if isinstance(reading, Refusal):
        raise ComparisonError(reading.message)
    labels = {str(polyp.label): polyp for polyp in reading.polyps}

    def find(row: HandMeasurement, where: str) -> Both | None:
        if not row.polyp:
            return Both(hand=row, count=reading.n_polyps)
        if not row.polyp.isdigit():
            raise TableError(
                f"{where}: {row.polyp!r} is no label. On a photo, polyps are called by the numbers "
                "that read --json and the overlay show."
            )
        polyp = labels.get(str(int(row.polyp)))
        return None if polyp is None else Both(hand=row, polyp=polyp)

    return _report(rows, table, find)


def agree_with_plate(logbook: Logbook, plate: str, table: Path) -> HandReport:
    """Compare the machine's readings of a plate in the logbook with a person's measurements.

    Polyps are called by the names that `track` gives them. Sizes are the machine's own, whatever
    people corrected since.

    Raises
    ------
    PlateUnknown, TableError
    """
    rows = read_hand_table(table)
    with logbook.reading() as connection:
        tracks, _ = followed(connection, plate)
        machine = {
            one.photo.sha256: one.corrected.machine for one in corrected_photos(connection, plate)
        }
    dates = [(photo.taken_at, photo) for photo in tracks.photos]
    names = {one.name for one in tracks.individuals}

    def find(row: HandMeasurement, where: str) -> Both | None:
        if row.at is None:
            raise TableError(f"{where}: no date. Give the day on which it was measured.")
        same_day = [one for one in dates if one[0].date() == row.at.date()]
        if not same_day:
            raise TableError(
                f"{where}: no photo of plate {plate} was taken on {row.at:%Y-%m-%d}. Measure and "
                "photograph on the same day, or leave the row out."
            )
        _, photo = min(same_day, key=lambda one: _apart(one[0], row.at))
        reading = machine[photo.sha256]
        if not row.polyp:
            return Both(hand=row, count=reading.n_polyps)
        if row.polyp not in names:
            raise TableError(
                f"{where}: plate {plate} has no polyp {row.polyp!r}. polypvision track {plate} "
                "shows their names."
            )
        here = {label for label, name in photo.names.items() if name == row.polyp}
        polyp: Polyp | None = next((p for p in reading.polyps if p.label in here), None)
        return None if polyp is None else Both(hand=row, polyp=polyp)

    return _report(rows, table, find)


def _apart(one: datetime, other: datetime | None) -> float:
    assert other is not None
    return abs((one.replace(tzinfo=None) - other.replace(tzinfo=None)).total_seconds())


def _report(rows: Sequence[HandMeasurement], table: Path, find: Find) -> HandReport:
    pairs: list[Both] = []
    missing: list[str] = []
    seen: set[tuple[str, datetime | None]] = set()
    for row in rows:
        where = f"{table}, row {row.row}"
        if (row.polyp, row.at) in seen:
            raise TableError(f"{where}: the same polyp and date once more. Give one row for each.")
        seen.add((row.polyp, row.at))
        both = find(row, where)
        if both is None:
            missing.append(f"row {row.row}: polyp {row.polyp} was not seen")
        else:
            pairs.append(both)
    if not pairs:
        raise TableError(f"{table}: none of its rows is of a polyp that was read.")
    return HandReport(agreement=compare_by_hand(pairs), not_found=tuple(missing))
