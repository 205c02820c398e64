"""The keeper's log as a CSV table: cuts, losses, sales, divisions, notes."""

from pathlib import Path

from polypvision.errors import TableError
from polypvision.events import CUT_METHODS, LOG_KINDS, LogEntry
from polypvision.files.dates import parse_date
from polypvision.files.tables import read_csv

LOG_COLUMNS = (
    "plate",
    "date",
    "kind",
    "individual",
    "pieces",
    "method",
    "donor",
    "dip",
    "note",
)


def read_log_table(path: Path) -> list[LogEntry]:
    """Return the lines of a log table, in order.

    Parameters
    ----------
    path : Path
        CSV with a head line; columns plate, date and kind are needed, the rest of `LOG_COLUMNS`
        may be there.

    Raises
    ------
    TableError
        With the number of the row that is wrong.
    """
    rows = read_csv(path, LOG_COLUMNS, ("plate", "date", "kind"))
    return [_entry(row, f"{path}, row {number}") for number, row in enumerate(rows, 1)]


def _entry(row: dict[str, str], where: str) -> LogEntry:
    kind, method, pieces = row["kind"].lower(), row.get("method", "").lower(), row.get("pieces", "")
    if not row["plate"]:
        raise TableError(f"{where}: no plate. Give its code or name.")
    if kind not in LOG_KINDS:
        raise TableError(f"{where}: unknown kind {kind!r}. Use one of {', '.join(LOG_KINDS)}.")
    if method and method not in CUT_METHODS:
        raise TableError(f"{where}: unknown method {method!r}. Use {', '.join(CUT_METHODS)}.")
    if pieces and not (pieces.isascii() and pieces.isdigit()):
        raise TableError(f"{where}: pieces is {pieces!r}. Give a whole number.")
    try:
        at = parse_date(row["date"])
    except ValueError as error:
        raise TableError(f"{where}: {error}") from error
    return LogEntry(
        plate=row["plate"],
        at=at,
        kind=kind,
        individual=row.get("individual") or None,
        pieces=int(pieces) if pieces else None,
        method=method or None,
        donor=row.get("donor", ""),
        dip=row.get("dip", ""),
        note=row.get("note", ""),
    )
