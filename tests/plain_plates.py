"""Plates painted straight from above without card or camera: the scale is exact."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.srgb import to_codes
from polypvision.pipeline import ReadSettings, read_plate
from polypvision.reading import PhotoFacts, PlateReading
from polypvision.render.canvas import Canvas, Lamp
from polypvision.render.furniture import paint_furniture
from polypvision.render.ground import paint_ground
from polypvision.render.scene import FurnitureSpec, Ground, Light, PolypSpec
from polypvision.render.shapes import planform
from polypvision.render.tissue import paint_polyp

PX_PER_MM = 6.0


def plain_plate(
    width_mm: float,
    height_mm: float,
    polyps: Sequence[PolypSpec] = (),
    things: Sequence[FurnitureSpec] = (),
    ground: Ground = "mat",
) -> NDArray[np.uint8]:
    """Return the picture (H, W, 3), 6 px/mm, its top left edge at 0, 0 mm."""
    lamp = Lamp.of(Light(blue=0.0, gradient=0.0))
    canvas = Canvas.blank((0.0, 0.0, width_mm, height_mm), PX_PER_MM, lamp)
    whole = canvas.patch(0.0, 0.0, width_mm, height_mm)
    assert whole is not None
    paint_ground(canvas, whole, ground, np.random.default_rng(1))
    for thing in things:
        paint_furniture(canvas, thing)
    for number, spec in enumerate(polyps, 1):
        paint_polyp(canvas, planform(spec), spec, number)
    return to_codes(np.clip(canvas.radiance, 0, 1))


def polyp(number: int, x_mm: float, y_mm: float, diameter_mm: float, **more: object) -> PolypSpec:
    values = {"morph": "rust", "texture": "ridges", "seed": number, **more}
    return PolypSpec(
        name=f"p{number}",
        x_mm=x_mm,
        y_mm=y_mm,
        diameter_mm=diameter_mm,
        **values,  # type: ignore[arg-type]
    )


def read(rgb: NDArray[np.uint8], mm_per_px: float = 1 / PX_PER_MM) -> PlateReading:
    """Read a picture at a given scale."""
    return read_plate(rgb, PhotoFacts(photo="made", sha256=""), ReadSettings(mm_per_px=mm_per_px))
