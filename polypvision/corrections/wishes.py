"""Corrections as a person or a page writes them: plain JSON values, checked word by word.

Every one is an object with ``kind``; the others of its keys are listed in `KEYS`. A polyp is named
by its ``label`` on the photo as it was seen, or by a place on it, ``at``: [x, y].
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely

from polypvision.corrections.acts import (
    Act,
    AddMouth,
    AddPolyp,
    DeleteMouth,
    DeletePolyp,
    EraseWound,
    MergePolyps,
    MoveMouth,
    NameIndividual,
    PaintWound,
    PartLineage,
    Place,
    ReshapePolyp,
    SplitPolyp,
)
from polypvision.corrections.draft import plane_of
from polypvision.corrections.geometry import (
    brush,
    check_line,
    check_outline,
    check_places,
    circle,
)
from polypvision.errors import CorrectionError
from polypvision.measure.overlap import polygons
from polypvision.reading import PlateReading, Points, Polyp

_ONE = ("label", "at")
_AREA = ("outline_px", "stroke_px", "radius_px")
KEYS: Mapping[str, tuple[str, ...]] = {
    "add": ("outline_px", "centre_px", "diameter_mm", "mouths_px"),
    "delete": _ONE,
    "reshape": (*_ONE, "outline_px"),
    "split": (*_ONE, "line_px"),
    "merge": ("labels", "ats"),
    "add-mouth": ("label", "place_px"),
    "move-mouth": ("label", "from_px", "to_px"),
    "delete-mouth": ("label", "place_px"),
    "paint-wound": (*_ONE, *_AREA),
    "erase-wound": (*_ONE, *_AREA),
    "name": (*_ONE, "name"),
    "join": (*_ONE, "as", "with"),
    "part": (*_ONE, "as"),
    "withdraw": ("id",),
    "undo": (),
    "redo": (),
}
"""Keys of each kind besides ``photo`` and ``kind``."""
_POINTS_MOST = 20_000
_MOST = 1e6
"""No photo is as many pixels wide, and no polyp as many millimetres."""
_NAME_MOST = 40
_MACHINE_NAME = re.compile(r"P\d+")


@dataclass(frozen=True, kw_only=True)
class Wish:
    """One correction as written: ``photo`` (hash or file name), ``kind`` and its other values."""

    photo: str
    kind: str
    values: Mapping[str, Any]


def wish_of(value: Any, *, photo: str | None = None) -> Wish:
    """Return one correction as written, after a look at its keys.

    Parameters
    ----------
    value : object
        As JSON gave it.
    photo : str, optional
        Where it need not say which photo it is on.

    Raises
    ------
    CorrectionError
        If it is no object, its kind is unknown, or a key is unknown.
    """
    if not isinstance(value, dict):
        raise CorrectionError("A correction is an object: {...}. See: polypvision correct --help")
    kind = value.get("kind")
    if not isinstance(kind, str) or kind not in KEYS:
        raise CorrectionError(f"Unknown kind {kind!r}. Use one of {', '.join(KEYS)}.")
    named = value.get("photo", photo)
    if not isinstance(named, str) or not named.strip():
        raise CorrectionError('No photo is named. Give its file name or hash as "photo".')
    values = {key: one for key, one in value.items() if key not in ("photo", "kind")}
    unknown = [key for key in values if key not in KEYS[kind]]
    if unknown:
        raise CorrectionError(
            f"{kind} has no {', '.join(map(repr, unknown))}. "
            f"It takes: {', '.join(KEYS[kind]) or 'nothing more'}."
        )
    return Wish(photo=named.strip(), kind=kind, values=values)


def act_of(
    wish: Wish, reading: PlateReading, size_px: tuple[int, int] | None
) -> tuple[Act, tuple[Polyp, ...]]:
    """Return what is to be done, and to which polyps as they stand.

    Parameters
    ----------
    wish : Wish
        Of a kind that concerns this photo alone: not join, withdraw, undo or redo.
    reading : PlateReading
        As the person saw it.
    size_px : tuple of 2 ints or None
        Width and height of the upright photo.

    Raises
    ------
    CorrectionError
    """
    values, kind = wish.values, wish.kind
    if kind == "add":
        return _added(values, reading, size_px), ()
    if kind == "merge":
        return MergePolyps(), several(values, reading)
    if kind in ("add-mouth", "move-mouth", "delete-mouth"):
        return _mouth(kind, values, reading, size_px)
    was = (one_polyp(values, reading),)
    if kind == "delete":
        return DeletePolyp(), was
    if kind == "reshape":
        return ReshapePolyp(outline_px=_outline(values, size_px)), was
    if kind == "split":
        line = _points(values, "line_px")
        check_line(line, size_px)
        return SplitPolyp(line_px=line), was
    if kind == "name":
        return NameIndividual(name=_name(values.get("name"))), was
    if kind == "part":
        return PartLineage(relation=relation(values)), was
    area = _area(values, size_px)
    return (PaintWound if kind == "paint-wound" else EraseWound)(outline_px=area), was


def one_polyp(values: Mapping[str, Any], reading: PlateReading) -> Polyp:
    """Return the polyp named by ``label`` or by a place ``at`` on it.

    Raises
    ------
    CorrectionError
    """
    if ("label" in values) == ("at" in values):
        raise CorrectionError('Name the polyp by "label" or by a place on it, "at": [x, y].')
    if "at" in values:
        return _under(_place(values["at"], "at"), reading)
    return _labelled(values["label"], reading)


def several(values: Mapping[str, Any], reading: PlateReading) -> tuple[Polyp, ...]:
    """Return the polyps named by ``labels`` or by places ``ats``; at least two.

    Raises
    ------
    CorrectionError
    """
    named = values.get("labels", values.get("ats"))
    if not isinstance(named, list) or ("labels" in values) == ("ats" in values):
        raise CorrectionError('Name the polyps to merge by "labels": [1, 2] or "ats": places.')
    if "labels" in values:
        polyps = [_labelled(label, reading) for label in named]
    else:
        polyps = [_under(_place(at, "ats"), reading) for at in named]
    unlike = {polyp.label: polyp for polyp in polyps}
    if len(unlike) < 2:
        raise CorrectionError("To merge takes two polyps or more. Name each of them.")
    return tuple(polyp for _, polyp in sorted(unlike.items()))


def relation(values: Mapping[str, Any]) -> Literal["same", "daughter"]:
    """Return the value of ``as``: 'same' or 'daughter'.

    Raises
    ------
    CorrectionError
    """
    word = values.get("as")
    if word == "same":
        return "same"
    if word == "daughter":
        return "daughter"
    raise CorrectionError(
        f'"as" is {word!r}. Say "same" (the same individual) or "daughter" (it came from it).'
    )


def _labelled(label: Any, reading: PlateReading) -> Polyp:
    for polyp in reading.polyps:
        if polyp.label == label and not isinstance(label, bool):
            return polyp
    known = ", ".join(str(polyp.label) for polyp in reading.polyps) or "none"
    raise CorrectionError(
        f"The photo has no polyp {label!r}. It has: {known}. Look at the photo as it is now."
    )


def _under(place: Place, reading: PlateReading) -> Polyp:
    shapes = polygons([polyp.outline_px for polyp in reading.polyps])
    for polyp, shape in zip(reading.polyps, shapes, strict=True):
        if shape.covers(shapely.Point(place)):
            return polyp
    raise CorrectionError(
        f"No polyp lies at x {place[0]:.0f}, y {place[1]:.0f}. Point inside an outline, or add it."
    )


def _number(value: Any, what: str) -> float:
    try:
        number = math.nan if isinstance(value, (bool, str)) else float(value)
    except (TypeError, ValueError, OverflowError):
        number = math.nan  # JSON may hold whole numbers that are larger than any photo.
    if not abs(number) <= _MOST:
        raise CorrectionError(f"{what} is {str(value)[:40]}. Give a number.")
    return number


def _above_zero(value: Any, what: str) -> float:
    number = _number(value, what)
    if number <= 0:
        raise CorrectionError(f"{what} is {number:g}. Give a size above 0.")
    return number


def _place(value: Any, what: str) -> Place:
    if not isinstance(value, list) or len(value) != 2:
        raise CorrectionError(f"{what} is {value!r}. Give a place as [x, y].")
    return _number(value[0], what), _number(value[1], what)


def _points(values: Mapping[str, Any], key: str) -> Points:
    value = values.get(key)
    if not isinstance(value, list) or not value:
        raise CorrectionError(f"{key} is missing. Give a list of places: [[x, y], ...].")
    if len(value) > _POINTS_MOST:
        raise CorrectionError(f"{key} has {len(value)} points. Give at most {_POINTS_MOST}.")
    points = np.array([_place(one, key) for one in value], np.float64)
    if len(points) > 1 and (points[0] == points[-1]).all() and key == "outline_px":
        points = points[:-1]  # Some write the first point once more at the end.
    return points


def _outline(values: Mapping[str, Any], size_px: tuple[int, int] | None) -> Points:
    outline = _points(values, "outline_px")
    check_outline(outline, size_px, "The outline")
    return outline


def _area(values: Mapping[str, Any], size_px: tuple[int, int] | None) -> Points:
    """An outline, or a stroke with a round brush."""
    if "stroke_px" not in values:
        return _outline(values, size_px)
    stroke = _points(values, "stroke_px")
    check_places(stroke, size_px, "The stroke")
    return brush(stroke, _above_zero(values.get("radius_px"), "radius_px"))


def _added(
    values: Mapping[str, Any], reading: PlateReading, size_px: tuple[int, int] | None
) -> AddPolyp:
    if ("outline_px" in values) == ("centre_px" in values):
        raise CorrectionError(
            'Draw the polyp by "outline_px", or give "centre_px" and "diameter_mm".'
        )
    if "outline_px" in values:
        outline = _outline(values, size_px)
    else:
        centre = np.array([_place(values["centre_px"], "centre_px")])
        radius = _above_zero(values.get("diameter_mm"), "diameter_mm") / 2
        plane = plane_of(reading)
        outline = plane.to_photo(circle(plane.to_mm(centre)[0], radius))
        check_outline(outline, size_px, "The circle")
    given = values.get("mouths_px", [])
    if not isinstance(given, list):
        raise CorrectionError("mouths_px is no list. Give places: [[x, y], ...].")
    mouths = tuple(_place(one, "mouths_px") for one in given)
    if mouths:
        inside = shapely.Polygon(outline).buffer(1.0)
        if not all(inside.contains(shapely.Point(place)) for place in mouths):
            raise CorrectionError("A mouth lies outside the outline. Set it inside.")
    return AddPolyp(outline_px=outline, mouths_px=mouths)


def _mouth(
    kind: str, values: Mapping[str, Any], reading: PlateReading, size_px: tuple[int, int] | None
) -> tuple[Act, tuple[Polyp, ...]]:
    keys = ("from_px", "to_px") if kind == "move-mouth" else ("place_px",)
    places = [_place(values.get(key), key) for key in keys]
    check_places(np.array(places), size_px, "The mouth")
    polyp = _labelled(values["label"], reading) if "label" in values else _under(places[0], reading)
    if kind == "move-mouth":
        return MoveMouth(from_px=places[0], to_px=places[1]), (polyp,)
    return (AddMouth if kind == "add-mouth" else DeleteMouth)(place_px=places[0]), (polyp,)


def _name(value: Any) -> str:
    name = value.strip() if isinstance(value, str) else ""
    plain = all(letter.isalnum() or letter in " -'." for letter in name)
    if not name or len(name) > _NAME_MOST or not plain:
        raise CorrectionError(
            f"The name {value!r} cannot be used. Give 1 to {_NAME_MOST} letters, digits, blanks, "
            "hyphens or dots."
        )
    if _MACHINE_NAME.fullmatch(name):
        raise CorrectionError(
            f"Names like {name} are given by the machine. Choose another, such as a word."
        )
    return name
