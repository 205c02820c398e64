"""Readings as tables, and back from JSON."""

import csv
import json
from collections.abc import Iterable, Sequence
from io import StringIO
from pathlib import Path
from typing import Any

import pandas as pd

from polypvision.columns import PHOTOS, POLYPS, table
from polypvision.errors import TableError
from polypvision.reading import Outcome, PlateReading, Refusal, from_record


def _iso(outcome: Outcome) -> str | None:
    at = outcome.facts.taken_at
    return None if at is None else at.isoformat()


def _head(outcome: Outcome) -> dict[str, object]:
    return {
        "plate": outcome.plate,
        "taken_at": _iso(outcome),
        "photo": outcome.facts.photo,
        "sha256": outcome.facts.sha256,
    }


def _photo_row(outcome: Outcome) -> dict[str, object]:
    row = {**_head(outcome), "flags": " ".join(outcome.flags), "n_polyps": 0, "n_mouths": 0}
    row["n_two_mouths"] = 0
    if isinstance(outcome, Refusal):
        return {**row, "error": f"{outcome.kind}: {outcome.message}"}
    return {
        **row,
        "error": "",
        "mm_per_px": outcome.scale.mm_per_px,
        "mm_per_px_err": outcome.scale.mm_per_px_err,
        "reprojection_px": outcome.scale.reprojection_px,
        "n_polyps": outcome.n_polyps,
        "n_mouths": outcome.n_mouths,
        "n_two_mouths": sum("two-mouths" in polyp.flags for polyp in outcome.polyps),
        "area_mm2": sum(polyp.area_mm2 for polyp in outcome.polyps),
        "wound_mm2": sum(polyp.wound_mm2 for polyp in outcome.polyps),
    }


def photo_table(outcomes: Iterable[Outcome]) -> pd.DataFrame:
    """Return one row per photo with the columns `columns.PHOTOS`."""
    return table(map(_photo_row, outcomes), PHOTOS)


def polyp_table(outcomes: Iterable[Outcome]) -> pd.DataFrame:
    """Return one row per polyp and photo with the columns `columns.POLYPS`."""
    own = [column.name for column in POLYPS][4:-2]
    rows = (
        {
            **_head(outcome),
            **{name: getattr(polyp, name) for name in own},
            "flags": " ".join(polyp.flags),
            "corrected_by": "; ".join(polyp.corrected_by) or None,
        }
        for outcome in outcomes
        if isinstance(outcome, PlateReading)
        for polyp in outcome.polyps
    )
    return table(rows, POLYPS)


def read_json(path: Path, remedy: str = "Give the file that --json wrote.") -> Any:
    """Return what a JSON file holds.

    Parameters
    ----------
    path : Path
    remedy : str
        What to do if it is not JSON.

    Raises
    ------
    TableError
        If it cannot be read or is not JSON.
    """
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise TableError(f"{path} cannot be read ({error.strerror}). Check the name.") from error
    except ValueError as error:
        raise TableError(f"{path} is not JSON ({error}). {remedy}") from error
    except RecursionError as error:
        raise TableError(f"{path} is JSON within JSON without end. {remedy}") from error


def read_outcomes(path: Path) -> list[Outcome]:
    """Return the readings and refusals that ``read --json`` wrote.

    Raises
    ------
    TableError
        If the file is no such list.
    """
    records = read_json(path)
    try:
        if not isinstance(records, list):
            raise TypeError("no list")
        return [from_record(record) for record in records]
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise TableError(
            f"{path} is not a list of readings ({type(error).__name__}: {error}). "
            "Write one with: polypvision read PHOTO... --json FILE"
        ) from error


def read_csv(path: Path, columns: Sequence[str], needed: Sequence[str]) -> list[dict[str, str]]:
    """Return the rows of a CSV file as text, one dict per row, blanks stripped.

    Parameters
    ----------
    path : Path
        UTF-8, with a head line; separated by commas or semicolons.
    columns : sequence of str
        The columns it may have.
    needed : sequence of str
        Those it must have.

    Raises
    ------
    TableError
        If it cannot be read, or has an unknown column, or lacks a needed one.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise TableError(f"{path} cannot be read ({error.strerror}). Check the name.") from error
    except UnicodeDecodeError as error:
        raise TableError(f"{path} is not UTF-8 text. Save it as CSV UTF-8.") from error
    head = text.partition("\n")[0]
    rows = csv.DictReader(
        StringIO(text, newline=""), delimiter=";" if head.count(";") > head.count(",") else ","
    )
    names = [name.strip() for name in rows.fieldnames or []]
    unknown = [name for name in names if name not in columns]
    missing = [name for name in needed if name not in names]
    if unknown or missing:
        trouble = " and ".join(
            f"{word} {', '.join(repr(name) for name in some)}"
            for word, some in (("has no column", missing), ("has an unknown column", unknown))
            if some
        )
        raise TableError(f"{path} {trouble}. Its columns are: {', '.join(columns)}.")
    rows.fieldnames = names
    found = []
    for row in rows:
        if None in row:
            raise TableError(
                f"{path}, line {rows.line_num}: more fields than columns. Put text that holds "
                "a comma between double quotes."
            )
        found.append({name: (value or "").strip() for name, value in row.items()})
    return found
