"""A polyp's skin: relief and colours over its exact planform."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.color import rgb2lab

from polypvision.render.canvas import Canvas, Patch, Radiance, Relief, box_of, lay
from polypvision.render.noise import Field, cloud, look_up
from polypvision.render.scene import Morph, PolypSpec
from polypvision.render.shapes import ANGLES, Planform, look_round

_Colour = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Pigment:
    """Linear reflectances of one colour form, and its fluorescence."""

    disc: _Colour
    mottle: _Colour
    rim: _Colour
    tip: _Colour
    glow: _Colour


# Chosen by eye for colour forms as the trade names them by hue; common practice, no source.
PIGMENTS: dict[Morph, Pigment] = {
    "rust": Pigment(
        disc=(0.30, 0.055, 0.03),
        mottle=(0.42, 0.13, 0.05),
        rim=(0.17, 0.045, 0.05),
        tip=(0.50, 0.18, 0.09),
        glow=(0.22, 0.03, 0.0),
    ),
    "green": Pigment(
        disc=(0.05, 0.20, 0.04),
        mottle=(0.13, 0.27, 0.06),
        rim=(0.10, 0.08, 0.17),
        tip=(0.20, 0.46, 0.11),
        glow=(0.04, 0.40, 0.06),
    ),
    "teal": Pigment(
        disc=(0.045, 0.16, 0.17),
        mottle=(0.10, 0.26, 0.25),
        rim=(0.05, 0.10, 0.22),
        tip=(0.26, 0.42, 0.42),
        glow=(0.0, 0.20, 0.14),
    ),
    "purple": Pigment(
        disc=(0.15, 0.06, 0.20),
        mottle=(0.24, 0.10, 0.27),
        rim=(0.07, 0.05, 0.17),
        tip=(0.34, 0.22, 0.42),
        glow=(0.06, 0.02, 0.08),
    ),
    "bicolour": Pigment(
        disc=(0.06, 0.19, 0.04),
        mottle=(0.40, 0.17, 0.03),
        rim=(0.46, 0.18, 0.03),
        tip=(0.52, 0.24, 0.04),
        glow=(0.22, 0.18, 0.02),
    ),
    "brown": Pigment(
        disc=(0.12, 0.075, 0.045),
        mottle=(0.20, 0.13, 0.08),
        rim=(0.08, 0.055, 0.045),
        tip=(0.27, 0.20, 0.13),
        glow=(0.03, 0.02, 0.0),
    ),
    "blue": Pigment(
        disc=(0.06, 0.10, 0.27),
        mottle=(0.13, 0.19, 0.36),
        rim=(0.05, 0.06, 0.17),
        tip=(0.28, 0.36, 0.55),
        glow=(0.0, 0.03, 0.20),
    ),
    "pink": Pigment(
        disc=(0.42, 0.13, 0.16),
        mottle=(0.50, 0.23, 0.22),
        rim=(0.28, 0.09, 0.14),
        tip=(0.58, 0.33, 0.32),
        glow=(0.15, 0.03, 0.02),
    ),
    "gold": Pigment(
        disc=(0.40, 0.27, 0.04),
        mottle=(0.48, 0.38, 0.12),
        rim=(0.10, 0.22, 0.24),
        tip=(0.58, 0.50, 0.22),
        glow=(0.30, 0.26, 0.02),
    ),
    "ink": Pigment(
        disc=(0.018, 0.018, 0.035),
        mottle=(0.05, 0.035, 0.07),
        rim=(0.36, 0.11, 0.02),
        tip=(0.10, 0.12, 0.16),
        glow=(0.10, 0.02, 0.0),
    ),
}
_BLEACHED = np.array([0.62, 0.57, 0.47], dtype=np.float32)
_WOUND = np.array([0.72, 0.67, 0.57], dtype=np.float32)


def _colour(value: _Colour, rng: np.random.Generator) -> NDArray[np.float32]:
    """A pigment with this polyp's own shift of hue and depth."""
    shift = np.exp(rng.normal(0, 0.10, size=3) + rng.normal(0, 0.12))
    return np.asarray(np.array(value) * shift, np.float32)


def _over(albedo: Radiance, colour: NDArray[np.float32], weight: Field) -> Radiance:
    weight = np.clip(weight, 0, 1)[..., None]
    return np.asarray(albedo + weight * (colour - albedo), np.float32)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Frame:
    """Polyp coordinates of a patch's pixels.

    ``depth`` is the distance in mm inside the outline, ``living_depth`` that inside the border of
    the living tissue, ``rho`` runs from 0 in the middle to 1 at the outline, ``u, v`` are turned
    with the polyp and in its radii.
    """

    theta: Field
    rho: Field
    depth: Field
    living_depth: Field
    u: Field
    v: Field


def _depth(distance: Field, radius: NDArray[np.float64], theta: Field) -> tuple[Field, Field]:
    """Distance inside a star-shaped outline, to first order, and its radius there, mm."""
    step = (np.roll(radius, -1) - np.roll(radius, 1)) / (2 * (ANGLES[1] - ANGLES[0]))
    slant = radius / np.hypot(radius, step)
    near, cosine = look_round(radius, theta), look_round(slant, theta)
    return np.asarray((near - distance) * cosine, np.float32), np.asarray(near, np.float32)


def _frame(shape: Planform, spec: PolypSpec, patch: Patch) -> _Frame:
    dx = patch.x_mm - np.float32(shape.centre_mm[0])
    dy = patch.y_mm - np.float32(shape.centre_mm[1])
    distance = np.hypot(dx, dy)
    theta = np.arctan2(dy, dx) % np.float32(2 * np.pi)
    depth, radius = _depth(distance, shape.radius_mm, theta)
    living_depth, _ = _depth(distance, shape.living_mm, theta)
    turn = np.radians(spec.angle_deg)
    unit = 2 / spec.diameter_mm
    return _Frame(
        theta=theta,
        rho=np.asarray(distance / np.maximum(radius, 1e-3), np.float32),
        depth=depth,
        living_depth=living_depth,
        u=np.asarray((dx * np.cos(turn) + dy * np.sin(turn)) * unit, np.float32),
        v=np.asarray((dy * np.cos(turn) - dx * np.sin(turn)) * unit, np.float32),
    )


def _noise(frame: _Frame, size: float, rng: np.random.Generator) -> Field:
    """Smooth noise that sticks to the polyp; ``size`` of its blobs in radii."""
    tile = cloud((192, 192), 192 * size / 4, rng, octaves=3)
    half = np.float32(0.5)
    return look_up(tile, frame.u / np.float32(4) + half, frame.v / np.float32(4) + half)


_MOST_BUBBLES = 1500


def _bubbles(
    shape: Planform, spec: PolypSpec, patch: Patch, scale: float
) -> tuple[Field, Field, Field]:
    """Packed round tentacles: height in mm, nearness to a tip (0 to 1), and chance per bubble.

    Chance is drawn for the most bubbles there can be, so that growth adds some and moves none.
    """
    rng = np.random.default_rng([spec.seed, 6])
    pitch = float(np.clip(spec.diameter_mm / 16, 1.1, 2.6)) * rng.uniform(0.85, 1.2)
    jitter = rng.normal(0, 0.16, (_MOST_BUBBLES, 2))
    sizes = rng.uniform(0.42, 0.60, _MOST_BUBBLES).astype(np.float32) * np.float32(pitch)
    moods = rng.normal(size=_MOST_BUBBLES).astype(np.float32)
    count = int(np.clip(1.05 * shape.area_mm2 / pitch**2, 12, _MOST_BUBBLES))
    order = np.arange(count) + 0.5
    # Sunflower packing (Vogel 1979, Math Biosci 44:179-189; from memory) fills a disc evenly.
    golden = np.pi * (3 - np.sqrt(5))
    angle = (order * golden + np.radians(spec.angle_deg)) % (2 * np.pi)
    reach = np.sqrt(order / count) * look_round(shape.radius_mm, angle)
    x = shape.centre_mm[0] + reach * np.cos(angle) + pitch * jitter[:count, 0]
    y = shape.centre_mm[1] + reach * np.sin(angle) + pitch * jitter[:count, 1]
    height, width = patch.shape
    columns = np.round((x - patch.x_mm[0, 0]) * scale).astype(int)
    rows = np.round((y - patch.y_mm[0, 0]) * scale).astype(int)
    seen = (columns >= 0) & (columns < width) & (rows >= 0) & (rows < height)
    if not seen.any():
        blank = np.zeros(patch.shape, np.float32)
        return blank, blank, blank
    source = np.full(patch.shape, 255, np.uint8)
    source[rows[seen], columns[seen]] = 0
    distance, labels = cv2.distanceTransformWithLabels(
        source, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    whose = np.zeros(int(labels.max()) + 1, np.int64)
    whose[labels[rows[seen], columns[seen]]] = np.flatnonzero(seen)
    size = sizes[whose][labels]
    inside = np.clip(1 - (distance / scale / size) ** 2, 0, 1)
    return (
        np.asarray(0.75 * np.sqrt(inside) * size, np.float32),
        np.asarray(inside, np.float32),
        np.asarray(moods[whose][labels], np.float32),
    )


def _texture(
    frame: _Frame,
    shape: Planform,
    spec: PolypSpec,
    patch: Patch,
    scale: float,
    rng: np.random.Generator,
) -> tuple[Field, Field]:
    """Relief in mm, and how much of each pixel shows the tips' colour (0 to 1)."""
    fine = _noise(frame, 0.12, rng)
    match spec.texture:
        case "ridges":
            count = int(np.clip(np.pi * spec.diameter_mm / rng.uniform(1.5, 2.6), 16, 90))
            bend = 0.5 * _noise(frame, 0.7, rng)
            wave = np.cos(count * (frame.theta - np.radians(spec.angle_deg)) + bend * 2)
            grow = np.clip(frame.rho * 1.6 - 0.25, 0, 1)
            height = 0.16 * wave * grow + 0.06 * fine
            tip = np.clip(0.55 * wave + 0.25 * fine, 0, 1) * grow
        case "bubbles":
            height, nearness, chance = _bubbles(shape, spec, patch, scale)
            tip = np.clip(nearness * (0.75 + 0.25 * chance), 0, 1)
        case "velvet":
            pile = _noise(frame, 0.05, rng)
            height = 0.10 * pile + 0.10 * fine
            tip = np.clip(0.3 * pile + 0.15 * fine, 0, 1)
        case "warts":
            dots = _noise(frame, 0.16, rng)
            height = 0.5 * np.clip(dots - 0.8, 0, 1.2) + 0.04 * fine
            tip = np.clip((dots - 0.9) * 2.0, 0, 1)
        case "net":
            threads = _net(frame, rng.uniform(5, 9), 0.25 * _noise(frame, 0.4, rng))
            height = 0.35 * threads + 0.04 * fine
            tip = np.clip(threads + 0.15 * fine, 0, 1)
    return np.asarray(height, np.float32), np.asarray(tip, np.float32)


def _net(frame: _Frame, meshes: float, warp: Field) -> Field:
    """Raised threads (0 to 1) of a net of six-sided meshes, that many in a radius."""
    waves = np.zeros_like(frame.u)
    for turn in np.radians((0.0, 60.0, 120.0)):
        along = frame.u * np.float32(np.cos(turn)) + frame.v * np.float32(np.sin(turn))
        waves += np.cos(np.float32(2 * np.pi * meshes) * along + np.float32(2) * warp)
    # Three waves sum to 3 in the middle of a mesh and to -1.5 where threads meet.
    return np.asarray(np.clip((0.6 - waves) / 1.2, 0, 1), np.float32)


def _mouth_fields(shape: Planform, patch: Patch, slim: float) -> tuple[Field, Field, Field]:
    """Over the patch: how deep in a slit, how much on a lip (0 to 1), and the cone's height."""
    slit = np.zeros(patch.shape, np.float32)
    lip = np.zeros(patch.shape, np.float32)
    cone = np.zeros(patch.shape, np.float32)
    length = shape.mouth_mm
    for x, y in shape.mouths_mm:
        dx, dy = patch.x_mm - np.float32(x), patch.y_mm - np.float32(y)
        along = dx * np.cos(shape.mouth_angle) + dy * np.sin(shape.mouth_angle)
        across = dy * np.cos(shape.mouth_angle) - dx * np.sin(shape.mouth_angle)
        near = np.hypot(along / (length / 2), across / (slim * length / 2))
        slit = np.maximum(slit, np.clip((1.0 - near) * 3, 0, 1))
        ring = np.hypot(along / (length / 2 + 0.35), across / (slim * length / 2 + 0.35))
        lip = np.maximum(lip, np.exp(-(((ring - 1.1) / 0.35) ** 2)))
        cone = np.maximum(cone, np.exp(-(dx * dx + dy * dy) / (0.9 * length) ** 2))
    return slit, lip, cone


@dataclass(frozen=True, kw_only=True, eq=False)
class _Mood:
    """How one polyp carries its mouths and rim."""

    slim: float
    throat: NDArray[np.float32]
    lips: NDArray[np.float32]
    rim_width: float


def _mood(rng: np.random.Generator, disc: NDArray[np.float32], tips: NDArray[np.float32]) -> _Mood:
    """Open dark slits, nearly closed ones, or bright ones; lips pale or in the tips' colour."""
    look = int(rng.choice(3, p=(0.6, 0.2, 0.2)))
    lips = tips if rng.random() < 0.35 else disc + np.float32(0.35) * (_BLEACHED - disc)
    dark = np.array([0.02, 0.012, 0.012], np.float32)
    throat = tips + np.float32(0.5) * (_BLEACHED - tips) if look == 2 else dark
    slim = rng.uniform(0.14, 0.22) if look == 1 else rng.uniform(0.28, 0.5)
    return _Mood(
        slim=slim,
        throat=np.asarray(throat, np.float32),
        lips=np.asarray(0.5 * disc if look == 2 else lips, np.float32),
        rim_width=rng.uniform(0.08, 0.16),
    )


def _lab(albedo: Radiance, inside: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Median colour of the tissue as CIELAB under D65; NaN where none is on the canvas."""
    if not inside.any():
        return (float("nan"), float("nan"), float("nan"))
    linear = np.clip(np.median(albedo[inside], axis=0), 0, 1).astype(np.float64)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    lab = rgb2lab(coded[None, None])[0, 0]
    return (float(lab[0]), float(lab[1]), float(lab[2]))


def paint_polyp(
    canvas: Canvas, shape: Planform, spec: PolypSpec, number: int
) -> tuple[float, float, float]:
    """Paint one polyp onto the canvas and mark its pixels as ``number``.

    Parameters
    ----------
    number : int
        Written into ``canvas.owner`` where the pixel's centre lies inside the outline.

    Returns
    -------
    tuple of 3 floats
        Median CIELAB colour (D65) of its living tissue; NaN if it lies off the canvas.
    """
    patch = canvas.patch(*box_of(shape.outline_mm, 7.0))
    if patch is None:
        return (float("nan"), float("nan"), float("nan"))
    rng = np.random.default_rng([spec.seed, 3])
    scale = canvas.px_per_mm
    frame = _frame(shape, spec, patch)
    pigment = PIGMENTS[spec.morph]
    disc, mottle, rim, tips = (
        _colour(value, rng) for value in (pigment.disc, pigment.mottle, pigment.rim, pigment.tip)
    )
    mood = _mood(rng, disc, tips)
    relief, tip = _texture(frame, shape, spec, patch, scale, rng)
    slit, lip, cone = _mouth_fields(shape, patch, mood.slim)

    blotch = _noise(frame, 0.55, rng)
    albedo = np.broadcast_to(disc, (*patch.shape, 3)).astype(np.float32)
    albedo = _over(albedo, mottle, 0.55 + 0.55 * blotch)
    rim_weight = 1 / (1 + np.exp(-(frame.rho - 1 + mood.rim_width + 0.02 * blotch) / 0.018))
    albedo = _over(albedo, rim, np.asarray(0.85 * rim_weight, np.float32))
    albedo = _over(albedo, tips, 0.75 * tip)
    albedo *= np.clip(1 + 0.12 * _noise(frame, 0.25, rng), 0.5, 1.5)[..., None]
    albedo = _over(albedo, _BLEACHED, np.full(patch.shape, 0.75 * (1 - spec.vigour), np.float32))
    albedo = _over(albedo, mood.lips, 0.55 * cone * cone)
    albedo = _over(albedo, 0.6 * mood.lips + 0.4 * _BLEACHED, 0.75 * lip)
    albedo = _over(albedo, mood.throat, 0.94 * slit)
    glow = albedo * (np.array(pigment.glow, np.float32) * (2.2 * spec.vigour))

    wound = np.clip(-frame.living_depth * scale + 0.5, 0, 1) * (shape.wound_mm2 > 1e-6)
    flesh = _noise(frame, 0.10, rng)
    raw = _WOUND * np.clip(1 + 0.06 * flesh + 0.03 * blotch, 0.7, 1.2)[..., None]
    albedo = np.asarray(albedo + wound[..., None] * (raw - albedo), np.float32)
    glow *= (1 - wound)[..., None]

    edge = float(np.clip(0.09 * spec.diameter_mm, 0.7, 2.0))
    rise = np.clip(frame.depth / edge, 0, 1)
    thickness = float(np.clip(0.10 * spec.diameter_mm, 1.0, 3.5))
    # The margin is thin and slopes gently: a steep one would be lost in its own shade.
    height = thickness * (1 - (1 - rise) ** 2)
    bowl = -0.35 * thickness * np.exp(-((frame.rho / 0.55) ** 2))
    height = height + (bowl + 0.6 * thickness * cone - 0.8 * slit) * rise
    height = height + relief * np.clip(rise * 1.2, 0, 1) * (1 - 0.7 * wound) * (1 - 0.8 * cone)
    height = height + 0.05 * wound * flesh - 0.25 * wound
    height = cv2.GaussianBlur(np.asarray(height, np.float32), (0, 0), 0.06 * scale + 0.3)

    lay(
        canvas,
        patch,
        Relief(
            cover=np.asarray(np.clip(frame.depth * scale + 0.5, 0, 1), np.float32),
            albedo=albedo,
            height=np.asarray(height, np.float32),
            gloss=np.asarray(0.16 + 0.22 * wound, np.float32),
            glow=glow,
            thickness_mm=thickness,
        ),
    )
    inside = frame.depth > 0
    canvas.owner[patch.rows, patch.columns][inside] = number
    raw_here = inside & (frame.living_depth <= 0)
    canvas.wound[patch.rows, patch.columns][inside] = raw_here[inside]
    return _lab(albedo, inside & (frame.living_depth > 0))
