"""Things on a plate that are no polyps: plugs, tiles, glue, snails, bubbles, algae, rubble."""

from collections.abc import Callable, Sequence

import cv2
import numpy as np
import shapely
import shapely.affinity

from polypvision.render.canvas import Canvas, Patch, Radiance, Relief, lay
from polypvision.render.ground import bars
from polypvision.render.noise import Field, cloud, grain
from polypvision.render.scene import FurnitureKind, FurnitureSpec

_Colour = tuple[float, float, float]

_SNAIL_LENGTH = 1.12
"""Of a snail's shell, by its width."""
_HOSE_LENGTH = 6
"""Of a cover, by half its width."""
_HIDING = ("snail", "cover")
_QUARTER_POINTS = 32


def _turned(spec: FurnitureSpec, patch: Patch) -> tuple[Field, Field]:
    """Places of the patch's pixels from the thing's middle, turned with it, mm."""
    turn = np.radians(spec.angle_deg)
    dx, dy = patch.x_mm - np.float32(spec.x_mm), patch.y_mm - np.float32(spec.y_mm)
    return (
        np.asarray(dx * np.cos(turn) + dy * np.sin(turn), np.float32),
        np.asarray(dy * np.cos(turn) - dx * np.sin(turn), np.float32),
    )


def _cover(depth: Field, scale: float) -> Field:
    return np.asarray(np.clip(depth * scale + 0.5, 0, 1), np.float32)


def _fill(shape: tuple[int, int], colour: _Colour) -> Radiance:
    return np.broadcast_to(np.array(colour, np.float32), (*shape, 3)).copy()


def _blend(albedo: Radiance, colour: _Colour, weight: Field) -> Radiance:
    weight = np.clip(weight, 0, 1)[..., None]
    return np.asarray(albedo + weight * (np.array(colour, np.float32) - albedo), np.float32)


def _dome(depth: Field, edge: float, thickness: float) -> Field:
    rise = np.clip(depth / edge, 0, 1)
    return np.asarray(thickness * np.sqrt(np.clip(1 - (1 - rise) ** 2, 0, 1)), np.float32)


def _uneven(u: Field, v: Field, size: float, rng: np.random.Generator, rough: float) -> Field:
    """Distance inside an irregular outline of about this greatest width, mm."""
    angle = np.arctan2(v, u)
    edge = np.ones_like(angle)
    for order in range(2, 9):
        edge += rough * rng.normal() / order**1.4 * np.cos(order * angle + rng.uniform(0, 6.28))
    edge *= size / 2 / (1 + 1.2 * rough)
    return np.asarray(edge - np.hypot(u, v * rng.uniform(1.0, 1.5)), np.float32)


def _ceramic(
    shape: tuple[int, int], scale: float, tint: float, rng: np.random.Generator
) -> Radiance:
    level = rng.uniform(0.28, 0.6)
    hue: _Colour = ((0.30, 0.10, 0.20), (0.16, 0.20, 0.06), (0.32, 0.16, 0.08))[rng.integers(3)]
    albedo = _fill(shape, (level, level * 0.97, level * 0.88))
    albedo *= (1 + 0.10 * cloud(shape, 4 * scale, rng) + 0.06 * grain(shape, 0.8, rng))[..., None]
    crust = cloud(shape, 7 * scale, rng, octaves=4)
    return _blend(
        albedo, hue, np.asarray(0.9 * np.clip(crust + 2.2 * tint - 1.4, 0, 1), np.float32)
    )


def _plug(spec: FurnitureSpec, patch: Patch, scale: float, rng: np.random.Generator) -> Relief:
    """A round ceramic plug, often crusted pink: easily taken for a disc."""
    u, v = _turned(spec, patch)
    depth = np.asarray(spec.size_mm / 2 - np.hypot(u, v), np.float32)
    grooved = rng.random() < 0.5
    albedo = _ceramic(patch.shape, scale, spec.tint, rng)
    height = _dome(depth, 1.0, 2.5) + 0.10 * cloud(patch.shape, 2 * scale, rng)
    if grooved:
        groove = np.exp(-(((depth - spec.size_mm * 0.12) / 0.5) ** 2))
        height = height - 0.5 * groove
    return Relief(cover=_cover(depth, scale), albedo=albedo, height=height, thickness_mm=3.5)


def _tile(spec: FurnitureSpec, patch: Patch, scale: float, rng: np.random.Generator) -> Relief:
    u, v = _turned(spec, patch)
    half = spec.size_mm / 2 / np.sqrt(2)
    depth = np.asarray(half - np.maximum(np.abs(u), np.abs(v)), np.float32)
    albedo = _ceramic(patch.shape, scale, spec.tint, rng)
    height = _dome(depth, 0.6, 2.0) + 0.08 * cloud(patch.shape, 2 * scale, rng)
    return Relief(cover=_cover(depth, scale), albedo=albedo, height=height, thickness_mm=3.0)


def _grid(spec: FurnitureSpec, patch: Patch, scale: float, rng: np.random.Generator) -> Relief:
    """A piece of egg-crate."""
    u, v = _turned(spec, patch)
    half = spec.size_mm / 2 / np.sqrt(2)
    within = half - np.maximum(np.abs(u), np.abs(v))
    _, bar = bars(u, v, 15.0, 2.4)
    depth = np.asarray(np.minimum(within, bar), np.float32)
    albedo = _fill(patch.shape, (0.55, 0.57, 0.55))
    film = cloud(patch.shape, 9 * scale, rng)
    albedo = _blend(albedo, (0.16, 0.19, 0.07), np.asarray(spec.tint * film, np.float32))
    height = _dome(depth, 0.5, 1.5)
    return Relief(cover=_cover(depth, scale), albedo=albedo, height=height, thickness_mm=4.0)


def _glue(spec: FurnitureSpec, patch: Patch, scale: float, rng: np.random.Generator) -> Relief:
    """A blob of set glue: pale, wet-looking, like raw tissue at a glance."""
    u, v = _turned(spec, patch)
    depth = _uneven(u, v, spec.size_mm, rng, 0.35)
    level = rng.uniform(0.42, 0.72)
    albedo = _fill(patch.shape, (level, level * 0.98, level * 0.93))
    film = cloud(patch.shape, 3 * scale, rng)
    albedo = _blend(albedo, (0.25, 0.17, 0.16), np.asarray(0.8 * spec.tint * film, np.float32))
    height = _dome(depth, spec.size_mm * 0.3, 1.6) + 0.15 * cloud(patch.shape, 2 * scale, rng)
    return Relief(
        cover=_cover(depth, scale), albedo=albedo, height=height, gloss=0.35, thickness_mm=1.5
    )


def _snail(spec: FurnitureSpec, patch: Patch, scale: float, rng: np.random.Generator) -> Relief:
    """A top-shaped snail seen from above: a cone with a spiral seam."""
    u, v = _turned(spec, patch)
    radius = np.hypot(u, v * _SNAIL_LENGTH)
    depth = np.asarray(spec.size_mm / 2 - radius, np.float32)
    angle = np.arctan2(v, u) / (2 * np.pi)
    turns = 3.2 * np.sqrt(radius / (spec.size_mm / 2)) - angle
    whorl = np.abs((turns % 1.0) - 0.5) * 2
    stripes = np.sin(angle * 2 * np.pi * 22 + 4 * turns)
    dark: _Colour = ((0.08, 0.06, 0.05), (0.20, 0.09, 0.12), (0.10, 0.12, 0.06))[rng.integers(3)]
    albedo = _fill(patch.shape, (0.34, 0.28, 0.20))
    albedo = _blend(albedo, dark, np.asarray(0.5 + 0.4 * stripes - 0.3 * (1 - whorl), np.float32))
    film = cloud(patch.shape, 3 * scale, rng)
    albedo = _blend(albedo, (0.28, 0.11, 0.18), np.asarray(spec.tint * film, np.float32))
    height = np.clip(depth, 0, None) * 1.1 + 0.5 * np.sqrt(np.clip(1 - whorl**2, 0, 1))
    return Relief(
        cover=_cover(depth, scale),
        albedo=albedo,
        height=np.asarray(height, np.float32),
        gloss=0.15,
        thickness_mm=min(0.5 * spec.size_mm, 5.0),
    )


def _algae(spec: FurnitureSpec, patch: Patch, scale: float, rng: np.random.Generator) -> Relief:
    """A tuft of hair algae: many fine bent strands."""
    strands = np.zeros(patch.shape, np.uint8)
    light = np.zeros(patch.shape, np.uint8)
    middle = np.array([spec.x_mm - patch.x_mm[0, 0], spec.y_mm - patch.y_mm[0, 0]]) * scale
    lengthwise = np.linspace(0, 1, 8)
    for _ in range(int(60 + 14 * spec.size_mm)):
        root = middle + rng.normal(size=2) * spec.size_mm * scale * 0.10
        angle = rng.uniform(0, 2 * np.pi)
        bend = rng.normal() * 0.9
        length = rng.uniform(0.15, 0.38) * spec.size_mm * scale
        heading = angle + bend * lengthwise
        steps = np.column_stack([np.cos(heading), np.sin(heading)]) * length / 8
        points = np.round((root + np.cumsum(steps, axis=0)) * 16).astype(np.int32)
        width = max(1, round(rng.uniform(0.12, 0.3) * scale))
        cv2.polylines(strands, [points], False, 255, width, cv2.LINE_AA, 4)
        cv2.polylines(light, [points], False, int(rng.integers(40, 255)), 1, cv2.LINE_AA, 4)
    cover = np.asarray(strands, np.float32) / np.float32(255)
    green: _Colour = (0.05 + 0.12 * spec.tint, 0.13, 0.03)
    albedo = _fill(patch.shape, green)
    bright = np.asarray(light, np.float32)[..., None] / np.float32(255)
    albedo *= 0.45 + 1.1 * bright
    height = np.asarray(cover * 0.5 + 0.4 * bright[..., 0], np.float32)
    return Relief(cover=cover, albedo=albedo, height=height, thickness_mm=1.5)


def _rubble(spec: FurnitureSpec, patch: Patch, scale: float, rng: np.random.Generator) -> Relief:
    """A piece of reef rubble crusted with coralline algae, in the hues of some polyps."""
    u, v = _turned(spec, patch)
    depth = _uneven(u, v, spec.size_mm, rng, 0.5)
    depth = np.asarray(depth + 0.6 * cloud(patch.shape, 2.5 * scale, rng), np.float32)
    albedo = _fill(patch.shape, (0.30, 0.25, 0.19))
    hues: tuple[_Colour, ...] = (
        (0.28, 0.07, 0.16),
        (0.34, 0.09, 0.05),
        (0.13, 0.17, 0.06),
        (0.20, 0.10, 0.24),
    )
    for hue in [hues[index] for index in rng.integers(4, size=2)]:
        film = cloud(patch.shape, 5 * scale, rng, octaves=4)
        weight = 0.9 * np.clip(1.5 * film + 2 * spec.tint - 0.6, 0, 1)
        albedo = _blend(albedo, hue, np.asarray(weight, np.float32))
    albedo *= np.clip(1 + 0.25 * cloud(patch.shape, 2 * scale, rng), 0.3, 1.7)[..., None]
    bumps = cloud(patch.shape, 4 * scale, rng, octaves=4)
    height = _dome(depth, spec.size_mm * 0.25, 3.0) + 0.45 * bumps
    return Relief(
        cover=_cover(depth, scale),
        albedo=albedo,
        height=np.asarray(height, np.float32),
        gloss=0.04,
        thickness_mm=3.5,
    )


def _hose(spec: FurnitureSpec, patch: Patch, scale: float, rng: np.random.Generator) -> Relief:
    """An opaque dark cover, a third as wide as long: a hose or a finger's shadow side."""
    u, v = _turned(spec, patch)
    half, width = spec.size_mm / 2, spec.size_mm / _HOSE_LENGTH
    depth = np.asarray(width - np.hypot(np.maximum(np.abs(u) - half + width, 0), v), np.float32)
    albedo = _fill(patch.shape, (0.05, 0.05, 0.055))
    albedo *= (1 + 0.08 * cloud(patch.shape, 5 * scale, rng))[..., None]
    height = _dome(depth, width, width)
    return Relief(
        cover=_cover(depth, scale), albedo=albedo, height=height, gloss=0.2, thickness_mm=5.0
    )


def _hub(spec: FurnitureSpec, patch: Patch, scale: float, rng: np.random.Generator) -> Relief:
    """A plug with a dark hole in its middle and spokes round it: much like an oral disc."""
    u, v = _turned(spec, patch)
    radius = spec.size_mm / 2
    reach = np.hypot(u, v)
    depth = np.asarray(radius - reach, np.float32)
    spokes = np.cos(int(rng.integers(8, 17)) * np.arctan2(v, u)) * (reach > 0.3 * radius)
    collar = np.exp(-(((reach / radius - 0.24) / 0.06) ** 2))
    hole = np.clip((0.16 * radius - reach) * scale + 0.5, 0, 1)
    albedo = _ceramic(patch.shape, scale, spec.tint, rng)
    albedo *= np.clip(1 + 0.25 * spokes + 0.3 * collar, 0.4, 1.6)[..., None]
    albedo = _blend(albedo, (0.02, 0.02, 0.02), np.asarray(hole, np.float32))
    height = _dome(depth, 1.0, 2.5) + 0.35 * spokes + 0.6 * collar - 2.0 * hole
    return Relief(
        cover=_cover(depth, scale),
        albedo=albedo,
        height=np.asarray(height, np.float32),
        thickness_mm=3.5,
    )


_MAKERS: dict[
    FurnitureKind, Callable[[FurnitureSpec, Patch, float, np.random.Generator], Relief]
] = {
    "plug": _plug,
    "tile": _tile,
    "grid": _grid,
    "glue": _glue,
    "snail": _snail,
    "algae": _algae,
    "rubble": _rubble,
    "cover": _hose,
    "hub": _hub,
}


def hidden_area(furniture: Sequence[FurnitureSpec]) -> shapely.Geometry:
    """Return where snails and covers hide what is on the plate, mm; other things hide no polyp."""
    return shapely.union_all([_hiding(spec) for spec in furniture if spec.kind in _HIDING])


def _hiding(spec: FurnitureSpec) -> shapely.Geometry:
    half = spec.size_mm / 2
    if spec.kind == "snail":
        round_mm = shapely.Point(0, 0).buffer(half, _QUARTER_POINTS)
        flat = shapely.affinity.scale(round_mm, 1, 1 / _SNAIL_LENGTH)
    else:
        width = spec.size_mm / _HOSE_LENGTH
        line = shapely.LineString([(width - half, 0.0), (half - width, 0.0)])
        flat = line.buffer(width, _QUARTER_POINTS)
    turned = shapely.affinity.rotate(flat, spec.angle_deg, origin=(0, 0))
    return shapely.affinity.translate(turned, spec.x_mm, spec.y_mm)


def _paint_bubble(canvas: Canvas, spec: FurnitureSpec, patch: Patch) -> None:
    """A gas bubble: clear, with a dark rim, a bright lamp and a bright far side."""
    u, v = patch.x_mm - np.float32(spec.x_mm), patch.y_mm - np.float32(spec.y_mm)
    radius = spec.size_mm / 2
    part = np.hypot(u, v) / radius
    depth = np.asarray(radius * (1 - part), np.float32)
    cover = _cover(depth, canvas.px_per_mm)[..., None]
    lx, ly, _ = (float(value) for value in canvas.lamp.towards)
    spot = np.exp(
        -((np.hypot(u - 0.55 * radius * lx, v - 0.55 * radius * ly) / (0.16 * radius)) ** 2)
    )
    far = np.exp(-((np.hypot(u + 0.6 * radius * lx, v + 0.6 * radius * ly) / (0.35 * radius)) ** 2))
    rim = np.clip((part - 0.7) / 0.3, 0, 1) ** 2
    under = canvas.radiance[patch.rows, patch.columns]
    through = under * (1 - 0.6 * rim)[..., None]
    through += ((1.2 * spot + 0.25 * far)[..., None] * canvas.lamp.colour).astype(np.float32)
    under += cover * (through - under)


def paint_furniture(canvas: Canvas, spec: FurnitureSpec) -> None:
    """Paint one thing onto the canvas."""
    reach = spec.size_mm / 2 + 7.0
    patch = canvas.patch(spec.x_mm - reach, spec.y_mm - reach, spec.x_mm + reach, spec.y_mm + reach)
    if patch is None:
        return
    if spec.kind == "bubble":
        _paint_bubble(canvas, spec, patch)
        return
    rng = np.random.default_rng([spec.seed, 4])
    lay(canvas, patch, _MAKERS[spec.kind](spec, patch, canvas.px_per_mm, rng))
