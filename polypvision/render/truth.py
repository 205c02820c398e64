"""What is truly on a rendered photo, in the shape of a reading."""

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from polypvision.columns import TRUTH, table
from polypvision.reading import Mouth, PhotoFacts, PlateReading, Points, Polyp, Scale, to_record
from polypvision.render.furniture import hidden_area
from polypvision.render.photo import RenderedPhoto
from polypvision.render.scene import LEAST_VISIBLE, PolypSpec, Scene
from polypvision.render.shapes import Planform, overlap, polygon_centroid

OUTLINE_POINTS = 180
"""Points of an outline in a record; areas are computed from the full outline."""
_NAN = float("nan")


def _thin(outline: Points) -> Points:
    step = max(len(outline) // OUTLINE_POINTS, 1)
    return outline[::step]


def _in_photo(points_px: Points, rgb: NDArray[np.uint8]) -> NDArray[np.bool_]:
    height, width = rgb.shape[:2]
    x, y = points_px[:, 0], points_px[:, 1]
    return np.asarray((x >= -0.5) & (y >= -0.5) & (x < width - 0.5) & (y < height - 0.5))


def _polyp(
    label: int,
    scene: Scene,
    spec: PolypSpec,
    shape: Planform,
    photo: RenderedPhoto,
    touching: bool,
    colour_lab: tuple[float, float, float],
) -> Polyp:
    outline = shape.outline_mm
    centre = polygon_centroid(outline)
    centre_px = photo.to_photo(centre[None])[0]
    outline_px = photo.to_photo(outline)
    mouths_px = photo.to_photo(shape.mouths_mm)
    flags = {
        "touching": touching,
        "touches-edge": not _in_photo(outline_px, photo.rgb).all(),
        "two-mouths": len(shape.mouths_mm) > scene.normal_mouths,
        "wound": shape.wound_mm2 > 0.01,
    }
    return Polyp(
        label=label,
        x_mm=float(centre[0]),
        y_mm=float(centre[1]),
        x_px=float(centre_px[0]),
        y_px=float(centre_px[1]),
        outline_px=_thin(outline_px),
        outline_mm=_thin(outline),
        diameter_mm=float(np.sqrt(4 * shape.area_mm2 / np.pi)),
        diameter_mm_err=_NAN,
        feret_max_mm=shape.feret_max_mm,
        area_mm2=shape.area_mm2,
        area_mm2_err=_NAN,
        mouths=tuple(
            Mouth(
                x_px=float(px[0]),
                y_px=float(px[1]),
                x_mm=float(mm[0]),
                y_mm=float(mm[1]),
                score=1.0,
            )
            for px, mm in zip(mouths_px, shape.mouths_mm, strict=True)
        ),
        two_mouths_probability=float(len(shape.mouths_mm) >= 2),
        wound_mm2=max(shape.wound_mm2, 0.0),
        wound_mm2_err=_NAN,
        wound_margin_mm=shape.wound_margin_mm,
        wound_outlines_px=tuple(photo.to_photo(wound) for wound in shape.wounds_mm)
        if flags["wound"]
        else (),
        colour_lab=colour_lab,
        score=1.0,
        flags=tuple(word for word, holds in flags.items() if holds),
    )


def truth_reading(
    photo: RenderedPhoto, scene: Scene, sha256: str
) -> tuple[PlateReading, list[str]]:
    """Return what a perfect reading of the photo would be, and its polyps' names.

    Polyps wholly outside the photo are left out; uncertainties are NaN.
    """
    touching = {
        index
        for first in range(len(photo.shapes))
        for second in range(first + 1, len(photo.shapes))
        if _near(photo.shapes[first], photo.shapes[second])
        for index in (first, second)
    }
    polyps: list[Polyp] = []
    names: list[str] = []
    for index, (spec, shape) in enumerate(zip(scene.polyps, photo.shapes, strict=True)):
        seen = _in_photo(photo.to_photo(shape.outline_mm), photo.rgb)
        if not seen.any():
            continue
        label = len(polyps) + 1
        colour = photo.colours_lab[index]
        polyps.append(_polyp(label, scene, spec, shape, photo, index in touching, colour))
        names.append(spec.name)
    camera = scene.camera
    scale = Scale(
        mm_per_px=photo.mm_per_px((camera.width_px - 1) / 2, (camera.height_px - 1) / 2),
        mm_per_px_err=_NAN,
        source="card",
    )
    reading = PlateReading(
        facts=PhotoFacts(photo=scene.photo, sha256=sha256, taken_at=scene.taken_at),
        plate=f"{scene.plate:04d}",
        scale=scale,
        polyps=tuple(polyps),
    )
    return reading, names


def _near(one: Planform, other: Planform) -> bool:
    """Whether two outlines come within a tenth of a millimetre."""
    across = other.centre_mm - one.centre_mm
    if np.hypot(*across) > one.radius_mm.max() + other.radius_mm.max() + 0.1:
        return False
    first, second = one.outline_mm[::4], other.outline_mm[::4]
    gaps = np.hypot(*(first[:, None] - second[None]).transpose(2, 0, 1))
    return bool(gaps.min() < 0.1 or len(overlap(one, other)) > 0)


def visible_share(shape: Planform, scene: Scene) -> float:
    """Return the share of a planform, 0 to 1, that no snail or cover hides from above."""
    return _seen_beside(hidden_area(scene.furniture), shape)


def _seen_beside(hidden: shapely.Geometry, shape: Planform) -> float:
    whole = shapely.Polygon(shape.outline_mm).buffer(0)
    return float(whole.difference(hidden).area / whole.area)


def truth_record(photo: RenderedPhoto, scene: Scene, sha256: str) -> dict[str, Any]:
    """Return the truth as a reading's record.

    The photo has its ``ground`` besides, and each polyp its ``name`` and ``kind`` (of skin). One
    that is hidden is ``partial``: neither right nor wrong when found or missed.
    """
    reading, names = truth_reading(photo, scene, sha256)
    record = {**to_record(reading), "ground": scene.ground}
    kinds = {spec.name: spec.texture for spec in scene.polyps}
    hidden = hidden_area(scene.furniture)
    shares = {
        spec.name: _seen_beside(hidden, shape)
        for spec, shape in zip(scene.polyps, photo.shapes, strict=True)
    }
    for polyp, name in zip(record["polyps"], names, strict=True):
        polyp["name"] = name
        polyp["kind"] = kinds[name]
        if shares[name] < LEAST_VISIBLE:
            polyp["partial"] = True
    return record


def truth_table(records: list[dict[str, Any]]) -> pd.DataFrame:
    """Return truth records as one table with the columns of `columns.TRUTH`."""
    rows = [{"photo": record["photo"], **polyp} for record in records for polyp in record["polyps"]]
    return table([{column.name: row[column.name] for column in TRUTH} for row in rows], TRUTH)
