"""All that one dated photo told us, as plain frozen values, and its record for the outside."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from math import isnan
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from polypvision.flags import check_flags

Points = NDArray[np.float64]
"""Array (n, 2) of float64, columns x and y."""


@dataclass(frozen=True, kw_only=True)
class PhotoFacts:
    """What is known of a photo file besides its pixels.

    Attributes
    ----------
    photo : str
        The path as it was given.
    sha256 : str
        Hash of the file's bytes, lower-case hexadecimal.
    taken_at : datetime or None
        When it was taken; with an offset where the camera recorded one.
    """

    photo: str
    sha256: str
    taken_at: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class Scale:
    """The photo's scale at the middle of the measured area.

    Attributes
    ----------
    mm_per_px, mm_per_px_err : float
        Millimetres per photo pixel and its standard uncertainty (NaN when unknown).
    source : {'card', 'given'}
        From the reference card, or from the person.
    reprojection_px : float
        Root mean square reprojection error of the card's corners, photo pixels; NaN without a card.
    """

    mm_per_px: float
    mm_per_px_err: float
    source: Literal["card", "given"]
    reprojection_px: float = float("nan")


@dataclass(frozen=True, kw_only=True)
class Sight:
    """How a camera sees the plane of the discs, where one homography does not say it all.

    A point of the plate at ``height`` above the card's plane is ``(x, y, -height)``; the camera
    sees it at ``R (x, y, -height) + t``, z pointing away from the lens (Hartley and Zisserman 2004,
    Multiple View Geometry, ch. 6, from memory). Distortion is Brown's: k1, k2, p1, p2, k3.

    Attributes
    ----------
    focal_px : float
    centre_px : tuple of 2 floats
        Principal point in the upright photo.
    distortion : tuple of 5 floats
    distortion_focal_px : float
        Focal length in which the distortion counts its radii.
    rotation : tuple of 3 floats
        Rotation vector of R, radians.
    translation_mm : tuple of 3 floats
    disc_height_mm : float
        Of the discs above the card's plane, towards the camera.
    boundary : {'none', 'surface', 'port'}
        Where water begins: nowhere, at a surface parallel to the plate, or at a pane square to the
        line of sight.
    boundary_mm : float
        Of a surface: its height above the card's plane; of a pane: its distance from the lens.
    index : float
        Refractive index of the water.
    """

    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    distortion_focal_px: float
    rotation: tuple[float, float, float]
    translation_mm: tuple[float, float, float]
    disc_height_mm: float = 0.0
    boundary: Literal["none", "surface", "port"] = "none"
    boundary_mm: float = 0.0
    index: float = 1.0


@dataclass(frozen=True, kw_only=True)
class BudgetLine:
    """One source of uncertainty of a polyp's sizes (JCGM 100:2008, 5.1.3).

    Attributes
    ----------
    name : str
        What is uncertain; one of `polypvision.measure.budget.SOURCES`.
    u : float
        Its standard uncertainty.
    unit : str
        Of ``u``.
    diameter_mm, wound_mm2 : float
        What one ``u`` of it does to the diameter and to the wound's area: sensitivity times u.
    """

    name: str
    u: float
    unit: str
    diameter_mm: float
    wound_mm2: float


@dataclass(frozen=True, kw_only=True)
class Mouth:
    """One mouth: place in the photo (pixels) and on the plate (mm), and a score from 0 to 1."""

    x_px: float
    y_px: float
    x_mm: float
    y_mm: float
    score: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Polyp:
    """One polyp on one photo. Lengths in mm, areas in mm2, ``_err`` one standard uncertainty.

    Attributes
    ----------
    outline_px, outline_mm : ndarray (n, 2) of float64
        Closed outline (first point not repeated), x and y, in the upright photo and on the plate.
    diameter_mm : float
        Diameter of the circle with the same planform area.
    two_mouths_probability : float
        Probability from 0 to 1 that there are two mouths or more.
    wound_mm2, wound_margin_mm : float
        Pale exposed tissue at a cut edge, and the length of its border with living tissue.
    wound_outlines_px : tuple of ndarray (n, 2) of float64
        Closed outline of each wound in the upright photo.
    colour_lab : tuple of 3 floats
        Median CIELAB colour (D65) of the disc in the balanced photo.
    score : float
        How sure it is a polyp, 0 to 1.
    corrected_by : tuple of str
        The people whose corrections it shows, in order; empty if it is as the machine read it.
    budget : tuple of BudgetLine
        Where the uncertainties come from; empty where that was not recorded.
    """

    label: int
    x_mm: float
    y_mm: float
    x_px: float
    y_px: float
    outline_px: Points
    outline_mm: Points
    diameter_mm: float
    diameter_mm_err: float
    feret_max_mm: float
    area_mm2: float
    area_mm2_err: float
    mouths: tuple[Mouth, ...] = ()
    two_mouths_probability: float
    wound_mm2: float
    wound_mm2_err: float
    wound_margin_mm: float
    wound_outlines_px: tuple[Points, ...] = ()
    colour_lab: tuple[float, float, float]
    score: float
    flags: tuple[str, ...] = ()
    corrected_by: tuple[str, ...] = ()
    budget: tuple[BudgetLine, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "flags", check_flags(self.flags))

    @property
    def n_mouths(self) -> int:
        """Number of mouths seen."""
        return len(self.mouths)


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateReading:
    """A photo that was read. No polyps is an empty reading, not an error.

    Attributes
    ----------
    facts : PhotoFacts
    plate : str or None
        The plate's code as printed ("0042"), or the name given; None without either.
    scale : Scale
    polyps : tuple of Polyp
        In the order of their labels.
    flags : tuple of str
        On the photo as a whole.
    plate_to_photo : ndarray (3, 3) of float64 or None
        Homography from plate coordinates (mm) to pixels of the upright photo; None where it was
        not recorded. Of a photo with a `sight` it is the nearest homography.
    sight : Sight or None
        How the discs' plane is seen, where height, water or a lens profile came in.
    """

    facts: PhotoFacts
    plate: str | None
    scale: Scale
    polyps: tuple[Polyp, ...] = ()
    flags: tuple[str, ...] = ()
    plate_to_photo: NDArray[np.float64] | None = None
    sight: Sight | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "flags", check_flags(self.flags))

    @property
    def n_polyps(self) -> int:
        """Number of polyps seen."""
        return len(self.polyps)

    @property
    def n_mouths(self) -> int:
        """Number of mouths seen on all polyps."""
        return sum(polyp.n_mouths for polyp in self.polyps)

    @property
    def taken_at(self) -> datetime | None:
        """When the photo was taken."""
        return self.facts.taken_at


@dataclass(frozen=True, kw_only=True)
class Refusal:
    """A photo that could not be read, and why."""

    facts: PhotoFacts
    kind: str
    message: str
    plate: str | None = None
    flags: tuple[str, ...] = field(default=())


Outcome = PlateReading | Refusal


def _number(value: float, digits: int) -> float | None:
    """Round for the record; NaN becomes None, which JSON can say."""
    return None if isnan(value) else round(float(value), digits)


def polyp_record(polyp: Polyp, *, arrays: bool = False) -> dict[str, Any]:
    """Return a polyp as plain JSON values, as in the record of its photo; see `to_record`."""

    def outline(points: Points, digits: int) -> Points | list[list[float]]:
        rounded = np.ascontiguousarray(np.round(points, digits))
        return rounded if arrays else rounded.tolist()

    return {
        "label": polyp.label,
        "x_mm": _number(polyp.x_mm, 3),
        "y_mm": _number(polyp.y_mm, 3),
        "x_px": _number(polyp.x_px, 2),
        "y_px": _number(polyp.y_px, 2),
        "outline_px": outline(polyp.outline_px, 2),
        "outline_mm": outline(polyp.outline_mm, 3),
        "diameter_mm": _number(polyp.diameter_mm, 4),
        "diameter_mm_err": _number(polyp.diameter_mm_err, 4),
        "feret_max_mm": _number(polyp.feret_max_mm, 4),
        "area_mm2": _number(polyp.area_mm2, 4),
        "area_mm2_err": _number(polyp.area_mm2_err, 4),
        "n_mouths": polyp.n_mouths,
        "mouths": [
            {
                "x_px": _number(mouth.x_px, 2),
                "y_px": _number(mouth.y_px, 2),
                "x_mm": _number(mouth.x_mm, 3),
                "y_mm": _number(mouth.y_mm, 3),
                "score": _number(mouth.score, 4),
            }
            for mouth in polyp.mouths
        ],
        "two_mouths_probability": _number(polyp.two_mouths_probability, 4),
        "wound_mm2": _number(polyp.wound_mm2, 4),
        "wound_mm2_err": _number(polyp.wound_mm2_err, 4),
        "wound_margin_mm": _number(polyp.wound_margin_mm, 4),
        "wound_outlines_px": [outline(one, 2) for one in polyp.wound_outlines_px],
        "colour_lab": [round(float(value), 2) for value in polyp.colour_lab],
        "score": _number(polyp.score, 4),
        "flags": list(polyp.flags),
        "corrected_by": list(polyp.corrected_by),
        "budget": [_line_record(line) for line in polyp.budget],
    }


def _line_record(line: BudgetLine) -> dict[str, Any]:
    return {
        "name": line.name,
        "u": _number(line.u, 6),
        "unit": line.unit,
        "diameter_mm": _number(line.diameter_mm, 5),
        "wound_mm2": _number(line.wound_mm2, 5),
    }


def _line_from(record: Mapping[str, Any]) -> BudgetLine:
    numbers = {key: _float(record[key]) for key in ("u", "diameter_mm", "wound_mm2")}
    return BudgetLine(name=record["name"], unit=record["unit"], **numbers)


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    """Return values as they come back from JSON: lists for tuples."""
    return {key: list(v) if isinstance(v, tuple) else v for key, v in values.items()}


def _sight_from(record: Mapping[str, Any] | None) -> Sight | None:
    if record is None:
        return None
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in record.items()}
    return Sight(**values)


def to_record(outcome: Outcome, *, arrays: bool = False) -> dict[str, Any]:
    """Return the outside record of a photo (the contract in DEVELOPERS.md): plain JSON values.

    Parameters
    ----------
    outcome : PlateReading or Refusal
    arrays : bool
        Leave outlines as arrays (n, 2), for a writer of JSON that takes them: as lists they are
        nearly all the objects of a photo, and Python's collector of garbage visits them all.

    Returns
    -------
    dict
        Same keys for a reading and a refusal; NaN is written as None.
    """
    taken_at = outcome.facts.taken_at
    head: dict[str, Any] = {
        "photo": outcome.facts.photo,
        "sha256": outcome.facts.sha256,
        "taken_at": None if taken_at is None else taken_at.isoformat(),
        "plate": outcome.plate,
        "error": None,
        "flags": list(outcome.flags),
        "scale": None,
        "plate_to_photo": None,
        "sight": None,
        "n_polyps": 0,
        "n_mouths": 0,
        "polyps": [],
    }
    if isinstance(outcome, Refusal):
        return {**head, "error": {"kind": outcome.kind, "message": outcome.message}}
    scale = outcome.scale
    return {
        **head,
        "scale": {
            "mm_per_px": _number(scale.mm_per_px, 8),
            "mm_per_px_err": _number(scale.mm_per_px_err, 8),
            "source": scale.source,
            "reprojection_px": _number(scale.reprojection_px, 4),
        },
        "plate_to_photo": (
            None if outcome.plate_to_photo is None else outcome.plate_to_photo.tolist()
        ),
        "sight": None if outcome.sight is None else _plain(asdict(outcome.sight)),
        "n_polyps": outcome.n_polyps,
        "n_mouths": outcome.n_mouths,
        "polyps": [polyp_record(polyp, arrays=arrays) for polyp in outcome.polyps],
    }


def _float(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def polyp_from(record: Mapping[str, Any]) -> Polyp:
    """Return the polyp whose record this is: the inverse of `polyp_record`."""
    lab = record["colour_lab"]
    return Polyp(
        label=int(record["label"]),
        outline_px=np.asarray(record["outline_px"], dtype=np.float64).reshape(-1, 2),
        outline_mm=np.asarray(record["outline_mm"], dtype=np.float64).reshape(-1, 2),
        mouths=tuple(
            Mouth(**{key: _float(value) for key, value in mouth.items()})
            for mouth in record["mouths"]
        ),
        wound_outlines_px=tuple(
            np.asarray(outline, dtype=np.float64).reshape(-1, 2)
            for outline in record.get("wound_outlines_px", ())
        ),
        colour_lab=(float(lab[0]), float(lab[1]), float(lab[2])),
        flags=tuple(record["flags"]),
        corrected_by=tuple(record.get("corrected_by", ())),
        budget=tuple(_line_from(line) for line in record.get("budget", ())),
        **{
            key: _float(record[key])
            for key in (
                "x_mm",
                "y_mm",
                "x_px",
                "y_px",
                "diameter_mm",
                "diameter_mm_err",
                "feret_max_mm",
                "area_mm2",
                "area_mm2_err",
                "two_mouths_probability",
                "wound_mm2",
                "wound_mm2_err",
                "wound_margin_mm",
                "score",
            )
        },
    )


def from_record(record: Mapping[str, Any]) -> Outcome:
    """Return the reading or refusal whose record this is: the inverse of `to_record`.

    Raises
    ------
    KeyError
        If a key of the contract is missing.
    """
    taken_at = record["taken_at"]
    facts = PhotoFacts(
        photo=record["photo"],
        sha256=record["sha256"],
        taken_at=None if taken_at is None else datetime.fromisoformat(taken_at),
    )
    flags = tuple(record["flags"])
    error = record["error"]
    if error is not None:
        return Refusal(
            facts=facts,
            kind=error["kind"],
            message=error["message"],
            plate=record["plate"],
            flags=flags,
        )
    scale, plane = record["scale"], record.get("plate_to_photo")
    return PlateReading(
        facts=facts,
        plate=record["plate"],
        scale=Scale(
            mm_per_px=_float(scale["mm_per_px"]),
            mm_per_px_err=_float(scale["mm_per_px_err"]),
            source=scale["source"],
            reprojection_px=_float(scale["reprojection_px"]),
        ),
        polyps=tuple(polyp_from(polyp) for polyp in record["polyps"]),
        flags=flags,
        plate_to_photo=None if plane is None else np.asarray(plane, np.float64).reshape(3, 3),
        sight=_sight_from(record.get("sight")),
    )
