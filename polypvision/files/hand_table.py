"""What a person measured or counted by hand, as a CSV table."""

import math
from pathlib import Path

from polypvision.errors import TableError
from polypvision.evaluate.by_hand import HandMeasurement
from polypvision.files.dates import parse_date
from polypvision.files.tables import read_csv

HAND_COLUMNS = ("date", "polyp", "diameter_mm", "area_mm2", "wound_mm2", "mouths", "count")


def read_hand_table(path: Path) -> list[HandMeasurement]:
    """Return the lines of a table of hand measurements, in order.

    Parameters
    ----------
    path : Path
        CSV with a head line and some of `HAND_COLUMNS`. A line names a polyp and has sizes or
        mouths of it, or names none and has the count of all.

    Raises
    ------
    TableError
        With the number of the row that is wrong.
    """
    rows = read_csv(path, HAND_COLUMNS, ())
    return [_line(row, number, f"{path}, row {number}") for number, row in enumerate(rows, 1)]


def _line(row: dict[str, str], number: int, where: str) -> HandMeasurement:
    polyp, date = row.get("polyp", ""), row.get("date", "")
    try:
        at = parse_date(date) if date else None
    except ValueError as error:
        raise TableError(f"{where}: {error}") from error
    found = HandMeasurement(
        row=number,
        polyp=polyp,
        at=at,
        diameter_mm=_size(row, "diameter_mm", where),
        area_mm2=_size(row, "area_mm2", where),
        wound_mm2=_size(row, "wound_mm2", where),
        mouths=_whole(row, "mouths", where),
        count=_whole(row, "count", where),
    )
    of_polyp = [found.diameter_mm, found.area_mm2, found.wound_mm2, found.mouths]
    if polyp and found.count is not None:
        raise TableError(f"{where}: a count is of all polyps. Give it a line without a polyp.")
    if not polyp and any(value is not None for value in of_polyp):
        raise TableError(f"{where}: sizes or mouths of no polyp. Name it in the column polyp.")
    if found.count is None and all(value is None for value in of_polyp):
        raise TableError(f"{where}: nothing was measured. Leave the line out.")
    return found


def _size(row: dict[str, str], name: str, where: str) -> float | None:
    text = row.get(name, "")
    if not text:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    least_is_possible = name == "wound_mm2"
    if not math.isfinite(value) or value < 0 or (value == 0 and not least_is_possible):
        raise TableError(f"{where}: {name} is {text!r}. Give a number above 0.")
    return value


def _whole(row: dict[str, str], name: str, where: str) -> int | None:
    text = row.get(name, "")
    if text and not (text.isascii() and text.isdigit()):
        raise TableError(f"{where}: {name} is {text!r}. Give a whole number.")
    return int(text) if text else None
