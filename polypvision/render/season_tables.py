"""The tables that belong to the invented season: the keeper's log, and the truth behind it."""

import pandas as pd

from polypvision.columns import EVENTS, table
from polypvision.render.season import Season

LOG_COLUMNS = (
    "plate",
    "date",
    "kind",
    "method",
    "donor",
    "pieces",
    "dip",
    "note",
    "individual",
)


def log_table(season: Season) -> pd.DataFrame:
    """Return what the keeper wrote down, as a log table to import."""
    rows = [
        {
            **vars(entry),
            "date": entry.at.isoformat(timespec="minutes"),
            "pieces": "" if entry.pieces is None else str(entry.pieces),
            "method": entry.method or "",
            "individual": entry.individual or "",
        }
        for entry in season.log
    ]
    return pd.DataFrame(rows, columns=list(LOG_COLUMNS), dtype=str)


def event_table(season: Season) -> pd.DataFrame:
    """Return what really happened to each polyp, with the columns of `columns.EVENTS`."""
    rows: list[dict[str, object]] = [
        {
            "plate": event.plate,
            "date": event.at.date().isoformat(),
            "kind": event.kind,
            "individual": event.individual,
            "note": event.note,
            "source": "truth",
        }
        for event in season.events
    ]
    return table(rows, EVENTS)


def individual_table(season: Season) -> pd.DataFrame:
    """Return who is who: each polyp's name, its parent, and the polyp it was cut from."""
    rows = []
    for plate, lives in season.lives.items():
        for life in lives:
            kind = {"half": "half", "quarter": "quarter", "margin": "margin piece"}
            common = {"plate": plate, "origin": kind.get(life.shape, "whole"), "donor": life.donor}
            rows.append({**common, "individual": life.name, "parent": ""})
            if life.divides_day is not None:
                rows.append({**common, "individual": life.child, "parent": life.name})
    return pd.DataFrame(rows, columns=["plate", "individual", "parent", "origin", "donor"])
