"""Corrections as plain JSON values, for the logbook."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np

from polypvision.corrections.acts import (
    KINDS,
    Act,
    AddPolyp,
    Correction,
    JoinLineage,
    kind_of,
)
from polypvision.reading import polyp_from, polyp_record


def to_record(correction: Correction) -> dict[str, Any]:
    """Return a correction as plain JSON values: ``id``, ``number``, ``author``, ``at``, ``kind``,
    ``body`` (what was done) and ``was`` (the polyps as they stood)."""
    return {
        "id": correction.id,
        "number": correction.number,
        "author": correction.author,
        "at": correction.at.isoformat(),
        "kind": kind_of(correction.act),
        "body": {name: _plain(value) for name, value in vars(correction.act).items()},
        "was": [polyp_record(polyp) for polyp in correction.was],
    }


def from_record(record: Mapping[str, Any]) -> Correction:
    """Return the correction whose record this is: the inverse of `to_record`.

    Raises
    ------
    KeyError
        If its kind is unknown.
    """
    return Correction(
        id=record["id"],
        number=record["number"],
        author=record["author"],
        at=datetime.fromisoformat(record["at"]),
        act=_act(record["kind"], record["body"]),
        was=tuple(polyp_from(polyp) for polyp in record["was"]),
    )


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return np.round(value, 3).tolist()
    if isinstance(value, tuple):
        return [list(one) if isinstance(one, tuple) else one for one in value]
    if isinstance(value, (str, int, float)):
        return value
    return polyp_record(value)


def _act(kind: str, body: Mapping[str, Any]) -> Act:
    made = KINDS[kind]
    values = dict(body)
    for name in ("outline_px", "line_px"):
        if name in values:
            values[name] = np.asarray(values[name], np.float64).reshape(-1, 2)
    for name in ("place_px", "from_px", "to_px"):
        if name in values:
            values[name] = (float(values[name][0]), float(values[name][1]))
    if made is AddPolyp:
        values["mouths_px"] = tuple((float(x), float(y)) for x, y in values["mouths_px"])
    if made is JoinLineage:
        values["before"] = polyp_from(values["before"])
    return made(**values)
