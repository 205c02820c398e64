"""What is really on a photo, from either of two plain JSON shapes.

Records
    The outside contract's own records (`polypvision.reading.to_record`), as the renderer writes
    them. A polyp with ``"partial": true``, or flagged ``touches-edge``, is neither right nor wrong
    when found or missed. A photo may say its ``family`` and ``ground``, a polyp its ``kind``.

Ellipse annotations
    One object per photo, all in pixels of the upright photo: ``file``; ``polyps``, each with its
    centre ``x, y``, width and height ``w, h`` of an upright ellipse, ``mouths`` and ``mouth_xy``;
    ``partial_or_closed_polyps``, centres ``x, y`` only; and optionally ``distractors``
    (``x, y, w, h``), ``n_polyps_range`` (least and most that a careful person could count),
    ``kind`` and ``confidence``; photos of low confidence are a group of their own.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from polypvision.errors import TableError
from polypvision.measure.shape import equivalent_diameter, polygon_area
from polypvision.reading import Points

_ELLIPSE_POINTS = 180
"""Corners of an ellipse drawn as a polygon: its area is then 0.02 percent short."""


@dataclass(frozen=True, kw_only=True, eq=False)
class TruthPolyp:
    """One polyp as it really is.

    Attributes
    ----------
    name : str
        Its name through time where the truth has one, else its number on the photo.
    outline_px : ndarray (n, 2) of float64
        In the upright photo.
    diameter_px, diameter_mm : float
        Diameter of the circle with the same planform area; mm is NaN where no scale is known.
    n_mouths : int
    mouths_px : ndarray (k, 2) of float64
        Places of those mouths whose place is known.
    wound_mm2 : float
        NaN where unknown.
    wounds_px : tuple of ndarray (n, 2), or None
        Outline of each wound in the upright photo; None where unknown.
    kind : str
        What sort of polyp; empty where unknown.
    """

    name: str
    outline_px: Points
    diameter_px: float
    diameter_mm: float
    n_mouths: int
    mouths_px: Points
    wound_mm2: float
    wounds_px: tuple[Points, ...] | None = None
    kind: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class TruthPhoto:
    """What is really on one photo.

    Attributes
    ----------
    photo : str
        Path or name of the photo.
    partial : tuple of ndarray (n, 2)
        Outlines of polyps cut off or closed, or single points (1, 2) inside them.
    distractors : tuple of ndarray (n, 2)
        Outlines of things that are no polyps.
    n_polyps_range : tuple of 2 ints or None
        Least and most polyps that a careful person could count.
    group, ground : str
        What sort of photo, and what lies under the polyps; empty where unknown.
    """

    photo: str
    polyps: tuple[TruthPolyp, ...]
    partial: tuple[Points, ...] = field(default=())
    distractors: tuple[Points, ...] = field(default=())
    n_polyps_range: tuple[int, int] | None = None
    group: str = ""
    ground: str = ""


def ellipse(x: float, y: float, width: float, height: float) -> Points:
    """Return an upright ellipse as an outline (180, 2)."""
    angle = np.arange(_ELLIPSE_POINTS) * (2 * np.pi / _ELLIPSE_POINTS)
    outline: Points = np.column_stack(
        [x + width / 2 * np.cos(angle), y + height / 2 * np.sin(angle)]
    )
    return outline


def _points(values: Any) -> Points:
    return np.asarray(values, dtype=np.float64).reshape(-1, 2)


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _from_record(record: Mapping[str, Any]) -> TruthPhoto:
    polyps: list[TruthPolyp] = []
    partial: list[Points] = []
    for polyp in record["polyps"]:
        outline = _points(polyp["outline_px"])
        if polyp.get("partial") or "touches-edge" in polyp.get("flags", ()):
            partial.append(outline)
            continue
        polyps.append(
            TruthPolyp(
                name=str(polyp.get("name", polyp["label"])),
                outline_px=outline,
                diameter_px=equivalent_diameter(polygon_area(outline)),
                diameter_mm=_or_nan(polyp["diameter_mm"]),
                n_mouths=int(polyp["n_mouths"]),
                mouths_px=_points([[m["x_px"], m["y_px"]] for m in polyp["mouths"]]),
                wound_mm2=_or_nan(polyp["wound_mm2"]),
                wounds_px=_wounds(polyp),
                kind=str(polyp.get("kind", "")),
            )
        )
    return TruthPhoto(
        photo=record["photo"],
        polyps=tuple(polyps),
        partial=tuple(partial),
        group=str(record.get("family", "")),
        ground=str(record.get("ground", "")),
    )


def _wounds(polyp: Mapping[str, Any]) -> tuple[Points, ...] | None:
    """Outlines of the wounds; none at all is only believed where no wound is said to be."""
    outlines = tuple(_points(outline) for outline in polyp.get("wound_outlines_px", ()))
    return outlines if outlines or polyp["wound_mm2"] == 0 else None


def _group(record: Mapping[str, Any]) -> str:
    kind = str(record.get("kind", ""))
    return f"{kind}, low confidence" if record.get("confidence") == "low" else kind


def _from_ellipses(record: Mapping[str, Any]) -> TruthPhoto:
    span = record.get("n_polyps_range")
    return TruthPhoto(
        photo=record["file"],
        polyps=tuple(
            TruthPolyp(
                name=str(number),
                outline_px=ellipse(polyp["x"], polyp["y"], polyp["w"], polyp["h"]),
                diameter_px=float(np.sqrt(polyp["w"] * polyp["h"])),
                diameter_mm=float("nan"),
                n_mouths=int(polyp["mouths"]),
                mouths_px=_points(polyp["mouth_xy"]),
                wound_mm2=float("nan"),
                kind=str(record.get("kind", "")),
            )
            for number, polyp in enumerate(record["polyps"], 1)
        ),
        partial=tuple(
            _points([polyp["x"], polyp["y"]])
            for polyp in record.get("partial_or_closed_polyps", ())
        ),
        distractors=tuple(
            ellipse(thing["x"], thing["y"], thing["w"], thing["h"])
            for thing in record.get("distractors", ())
        ),
        n_polyps_range=None if span is None else (int(span[0]), int(span[1])),
        group=_group(record),
        ground=str(record.get("ground", "")),
    )


def truth_photos(records: Sequence[Mapping[str, Any]]) -> tuple[TruthPhoto, ...]:
    """Return the truth of each photo from parsed JSON of either shape.

    Parameters
    ----------
    records : sequence of mapping
        See the head of this module.

    Raises
    ------
    TableError
        If an entry has neither shape or lacks a key.
    """
    if not isinstance(records, Sequence) or isinstance(records, str):
        raise TableError("The truth is not a list; give a JSON list with one object per photo.")
    photos: list[TruthPhoto] = []
    for number, record in enumerate(records, 1):
        try:
            photos.append(_from_ellipses(record) if "file" in record else _from_record(record))
        except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as trouble:
            what = f"no {trouble}" if isinstance(trouble, KeyError) else str(trouble)
            raise TableError(
                f"Entry {number} of the truth cannot be used: {what}. "
                "Each needs photo and polyps (records as `read --json` writes them) "
                "or file and polyps (ellipse annotations)."
            ) from trouble
    return tuple(photos)
