"""The plane of the plate as pixels in linear light, and things with relief laid onto it."""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.reading import Points
from polypvision.render.noise import Field
from polypvision.render.scene import Light

Radiance = NDArray[np.float32]
AMBIENT = 0.4
"""Part of the light that comes from all sides (water, tank walls): it fills shadows."""

_WHITE_LIGHT = np.array([1.0, 1.0, 1.0])
# Ratio of channels under almost only blue lamps; chosen by eye from reef photos in general.
_BLUE_LIGHT = np.array([0.13, 0.33, 1.0])


@dataclass(frozen=True, kw_only=True, eq=False)
class Lamp:
    """The light as painting needs it: colour, direction and how strongly things fluoresce."""

    colour: NDArray[np.float32]
    towards: NDArray[np.float32]
    fluorescence: float

    @classmethod
    def of(cls, light: Light) -> "Lamp":
        """Return the lamp of a scene's light."""
        colour = _WHITE_LIGHT ** (1 - light.blue) * _BLUE_LIGHT**light.blue
        azimuth, elevation = math.radians(light.azimuth_deg), math.radians(light.elevation_deg)
        flat = math.cos(elevation)
        towards = [flat * math.cos(azimuth), flat * math.sin(azimuth), math.sin(elevation)]
        return cls(
            colour=colour.astype(np.float32),
            towards=np.array(towards, dtype=np.float32),
            fluorescence=0.08 + 0.75 * light.blue**1.5,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Patch:
    """A rectangle of the canvas: its rows and columns, and each pixel's place in mm."""

    rows: slice
    columns: slice
    x_mm: Field
    y_mm: Field

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels."""
        return int(self.x_mm.shape[0]), int(self.x_mm.shape[1])


@dataclass(frozen=True, kw_only=True, eq=False)
class Canvas:
    """The painted plane; its arrays are painted in place while a photo is made.

    Attributes
    ----------
    origin_mm : tuple of 2 floats
        Plate coordinates of the canvas's top left edge (not of a pixel's centre).
    radiance : ndarray (H, W, 3) of float32
        Linear light; 1 is a perfectly white, flatly lit thing under white light.
    owner : ndarray (H, W) of int32
        1 + the number of the polyp that covers the pixel's centre; 0 none.
    wound : ndarray (H, W) of bool
        Where the pixel's centre lies on a wound.
    """

    px_per_mm: float
    origin_mm: tuple[float, float]
    radiance: Radiance
    owner: NDArray[np.int32]
    wound: NDArray[np.bool_]
    lamp: Lamp

    @classmethod
    def blank(
        cls, box_mm: tuple[float, float, float, float], px_per_mm: float, lamp: Lamp
    ) -> "Canvas":
        """Return a black canvas over a box: left, top, right, bottom in plate coordinates."""
        width = round((box_mm[2] - box_mm[0]) * px_per_mm)
        height = round((box_mm[3] - box_mm[1]) * px_per_mm)
        return cls(
            px_per_mm=px_per_mm,
            origin_mm=(box_mm[0], box_mm[1]),
            radiance=np.zeros((height, width, 3), dtype=np.float32),
            owner=np.zeros((height, width), dtype=np.int32),
            wound=np.zeros((height, width), dtype=np.bool_),
            lamp=lamp,
        )

    def patch(self, left: float, top: float, right: float, bottom: float) -> Patch | None:
        """Return the part of the canvas inside a box in mm; None if it lies outside."""
        height, width = self.owner.shape
        x0, y0 = self.origin_mm
        first = max(math.floor((left - x0) * self.px_per_mm), 0)
        last = min(math.ceil((right - x0) * self.px_per_mm), width)
        upper = max(math.floor((top - y0) * self.px_per_mm), 0)
        lower = min(math.ceil((bottom - y0) * self.px_per_mm), height)
        if first >= last or upper >= lower:
            return None
        x = (np.arange(first, last, dtype=np.float32) + 0.5) / self.px_per_mm + x0
        y = (np.arange(upper, lower, dtype=np.float32) + 0.5) / self.px_per_mm + y0
        x_mm, y_mm = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
        return Patch(rows=slice(upper, lower), columns=slice(first, last), x_mm=x_mm, y_mm=y_mm)

    def plane_to_pixels(self) -> NDArray[np.float64]:
        """Return the matrix (3, 3) from plate mm to canvas pixels (centres are integers)."""
        scale = self.px_per_mm
        return np.array(
            [
                [scale, 0.0, -self.origin_mm[0] * scale - 0.5],
                [0.0, scale, -self.origin_mm[1] * scale - 0.5],
                [0.0, 0.0, 1.0],
            ]
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Relief:
    """Something that lies on the plate, as fields over a patch.

    Attributes
    ----------
    cover : ndarray (H, W)
        How much of each pixel it covers, 0 to 1.
    albedo : ndarray (H, W, 3)
        Linear reflectance.
    height : ndarray (H, W)
        Above the ground, mm.
    gloss : ndarray (H, W) or float
        Strength of the wet highlight.
    glow : ndarray (H, W, 3) or None
        Fluorescence.
    thickness_mm : float
        How far its shadow reaches.
    """

    cover: Field
    albedo: Radiance
    height: Field
    gloss: Field | float = 0.1
    glow: Radiance | None = None
    thickness_mm: float = 2.0
    shine: float = 40.0


def shade(height: Field, px_per_mm: float, lamp: Lamp, shine: float) -> tuple[Field, Field]:
    """Return diffuse light (flat ground is 1) and highlight of a height field in mm."""
    dx = cv2.Sobel(height, cv2.CV_32F, 1, 0, ksize=3, scale=px_per_mm / 8)
    dy = cv2.Sobel(height, cv2.CV_32F, 0, 1, ksize=3, scale=px_per_mm / 8)
    norm = np.sqrt(1 + dx * dx + dy * dy)
    lx, ly, lz = (float(value) for value in lamp.towards)
    lit = np.maximum(lz - lx * dx - ly * dy, 0) / (norm * lz)
    # Open sky above: what leans away from the viewer sees less of it.
    diffuse = (1 - AMBIENT) * np.minimum(lit, 1.7) + AMBIENT * (0.5 + 0.5 / norm)
    half = np.array([lx, ly, lz + 1.0])
    half /= np.linalg.norm(half)
    facing = np.maximum(half[2] - half[0] * dx - half[1] * dy, 0) / norm
    return diffuse.astype(np.float32), (facing**shine).astype(np.float32)


def cast_shadow(canvas: Canvas, patch: Patch, cover: Field, thickness_mm: float) -> None:
    """Darken what lies under and beside a thing: contact shadow, and the lamp's."""
    scale = canvas.px_per_mm
    near = cv2.GaussianBlur(cover, (0, 0), max(0.45 * thickness_mm * scale, 0.8))
    lx, ly, lz = (float(value) for value in canvas.lamp.towards)
    reach = 0.7 * thickness_mm * scale / max(lz, 0.2)
    shift = np.array([[1, 0, -lx * reach], [0, 1, -ly * reach]], dtype=np.float64)
    far = cv2.warpAffine(cover, shift, (cover.shape[1], cover.shape[0]))
    far = cv2.GaussianBlur(far, (0, 0), max(0.3 * thickness_mm * scale, 0.8))
    light = (1 - 0.45 * near) * (1 - (1 - AMBIENT) * 0.8 * far)
    under = canvas.radiance[patch.rows, patch.columns]
    under *= light[..., None]


def lay(canvas: Canvas, patch: Patch, relief: Relief) -> None:
    """Paint a thing with relief, its highlight and its shadow onto the canvas."""
    cast_shadow(canvas, patch, relief.cover, relief.thickness_mm)
    diffuse, highlight = shade(relief.height, canvas.px_per_mm, canvas.lamp, relief.shine)
    colour = canvas.lamp.colour
    light = relief.albedo * diffuse[..., None] * colour
    light += (highlight * relief.gloss)[..., None] * colour
    if relief.glow is not None:
        light += canvas.lamp.fluorescence * relief.glow
    cover = relief.cover[..., None]
    under = canvas.radiance[patch.rows, patch.columns]
    under += cover * (light - under)


def flat(canvas: Canvas, patch: Patch, albedo: Radiance) -> None:
    """Paint a flat matte surface over a whole patch."""
    canvas.radiance[patch.rows, patch.columns] = albedo * canvas.lamp.colour


def box_of(points: Points, margin: float) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom of points (n, 2), widened by ``margin``."""
    low, high = points.min(axis=0) - margin, points.max(axis=0) + margin
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
