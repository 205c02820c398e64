"""Grounds on which polyps sit, and the tank round the plate."""

import cv2
import numpy as np

from polypvision.render.canvas import Canvas, Patch, Radiance, flat, shade
from polypvision.render.noise import Field, cloud, grain, specks
from polypvision.render.scene import Ground

_Colour = tuple[float, float, float]


def _mix(albedo: Radiance, colour: _Colour, weight: Field) -> Radiance:
    """Blend a colour over an albedo by a weight (H, W), 0 to 1."""
    weight = np.clip(weight, 0, 1, dtype=np.float32)[..., None]
    return np.asarray(albedo + weight * (np.array(colour, np.float32) - albedo), np.float32)


def _film(
    albedo: Radiance, scale_px: float, rng: np.random.Generator, colour: _Colour, most: float
) -> Radiance:
    """Blotches of a thin living film: algae, coralline crust."""
    field = cloud(albedo.shape[:2], scale_px, rng, octaves=4)
    return _mix(albedo, colour, most * np.clip(field * 0.8 - 0.3, 0, 1))


def _plain(shape: tuple[int, int], colour: _Colour) -> Radiance:
    return np.broadcast_to(np.array(colour, np.float32), (*shape, 3)).copy()


def _mat(patch: Patch, scale: float, rng: np.random.Generator) -> tuple[Radiance, Field]:
    """Black rubber mat: fine ribs, sand grains and detritus."""
    albedo = _plain(patch.shape, (0.030, 0.032, 0.036))
    ribs = np.sin(patch.x_mm * (2 * np.pi / 2.2)) * np.sin(patch.y_mm * (2 * np.pi / 2.2))
    albedo *= (1 + 0.25 * ribs + 0.10 * grain(patch.shape, 0.6, rng))[..., None]
    albedo = _film(albedo, 22 * scale, rng, (0.09, 0.085, 0.05), 0.7)
    area = patch.shape[0] * patch.shape[1] / scale**2
    sand = specks(patch.shape, int(area * 0.02), (0.25 * scale, 1.0 * scale), rng)
    albedo = _mix(albedo, (0.42, 0.37, 0.29), sand * 0.8)
    dirt = specks(patch.shape, int(area * 0.004), (0.8 * scale, 3.0 * scale), rng)
    albedo = _mix(albedo, (0.13, 0.10, 0.06), dirt * 0.8)
    return albedo, np.asarray(0.10 * ribs + 0.25 * (sand + dirt), np.float32)


def _tile(
    patch: Patch, scale: float, rng: np.random.Generator, colour: _Colour
) -> tuple[Radiance, Field]:
    """Rough ceramic: pores, algae film, crusts of coralline algae."""
    albedo = _plain(patch.shape, colour)
    rough = cloud(patch.shape, 6 * scale, rng, octaves=4)
    fine = grain(patch.shape, 0.8, rng)
    albedo *= (1 + 0.10 * rough + 0.07 * fine)[..., None]
    albedo = _film(albedo, 45 * scale, rng, (0.10, 0.13, 0.05), 0.75)
    albedo = _film(albedo, 30 * scale, rng, (0.14, 0.10, 0.06), 0.7)
    crust = cloud(patch.shape, 12 * scale, rng, octaves=4)
    albedo = _mix(albedo, (0.30, 0.11, 0.22), 0.85 * np.clip((crust - 1.5) * 3, 0, 1))
    area = patch.shape[0] * patch.shape[1] / scale**2
    pores = specks(patch.shape, int(area * 0.03), (0.2 * scale, 0.8 * scale), rng)
    albedo *= (1 - 0.6 * pores)[..., None]
    dots = specks(patch.shape, int(area * 0.003), (0.5 * scale, 2.4 * scale), rng)
    albedo = _mix(albedo, (0.35, 0.12, 0.20), dots * 0.8)
    return albedo, np.asarray(0.10 * rough + 0.03 * fine - 0.25 * pores, np.float32)


def bars(x_mm: Field, y_mm: Field, pitch: float, width: float) -> tuple[Field, Field]:
    """Return egg-crate bars over places in mm: their mask, and distance into the bar, mm."""
    across = np.abs((x_mm + pitch / 2) % pitch - pitch / 2)
    down = np.abs((y_mm + pitch / 2) % pitch - pitch / 2)
    inside = width / 2 - np.minimum(across, down)
    return np.asarray(inside > 0, np.float32), np.asarray(inside, np.float32)


def _egg_crate(patch: Patch, scale: float, rng: np.random.Generator) -> tuple[Radiance, Field]:
    """White plastic grid over a dark tank."""
    deep = _plain(patch.shape, (0.012, 0.016, 0.024))
    deep *= (1 + 0.4 * cloud(patch.shape, 40 * scale, rng))[..., None]
    pitch, width = 15.0, 2.6
    turn = rng.uniform(0, 15, size=2)
    _, inside = bars(patch.x_mm + turn[0], patch.y_mm + turn[1], pitch, width)
    top = np.clip(inside * scale + 0.5, 0, 1)
    plastic = _plain(patch.shape, (0.50, 0.52, 0.50))
    plastic *= (1 + 0.05 * grain(patch.shape, 1.0, rng))[..., None]
    plastic = _film(plastic, 18 * scale, rng, (0.13, 0.15, 0.06), 0.9)
    plastic = _film(plastic, 12 * scale, rng, (0.30, 0.12, 0.20), 0.8)
    albedo = np.asarray(deep + top[..., None] * (plastic - deep), np.float32)
    return albedo, np.asarray(np.clip(inside, -1.0, 0.35) * 0.8, np.float32)


def _slate(patch: Patch, scale: float, rng: np.random.Generator) -> tuple[Radiance, Field]:
    """Split slate: flat steps along the cleavage, pale veins, rust in the cracks."""
    albedo = _plain(patch.shape, (0.060, 0.068, 0.085))
    steps = cloud(patch.shape, 40 * scale, rng, octaves=4) * np.float32(2.5)
    level = np.floor(steps)
    edge = np.clip((steps - level) * 8, 0, 1)
    albedo *= (1 + 0.10 * (level % 3) + 0.10 * grain(patch.shape, 0.7, rng))[..., None]
    albedo = _mix(albedo, (0.17, 0.08, 0.035), np.asarray(0.7 * (1 - edge), np.float32))
    vein = np.abs(cloud(patch.shape, 60 * scale, rng, octaves=2))
    albedo = _mix(albedo, (0.52, 0.50, 0.46), 0.85 * np.clip(1 - vein * 30, 0, 1))
    return albedo, np.asarray(0.45 * (level + edge), np.float32)


_CHIPS: tuple[_Colour, ...] = (
    (0.42, 0.40, 0.36),
    (0.36, 0.13, 0.07),
    (0.07, 0.06, 0.06),
    (0.13, 0.19, 0.09),
    (0.40, 0.22, 0.20),
    (0.12, 0.16, 0.24),
)


def _terrazzo(patch: Patch, scale: float, rng: np.random.Generator) -> tuple[Radiance, Field]:
    """Ground stone chips of many colours in cement."""
    height, width = patch.shape
    count = max(int(height * width / scale**2 / rng.uniform(20, 70)), 1)
    seeds = np.full(patch.shape, 255, np.uint8)
    seeds[rng.integers(0, height, count), rng.integers(0, width, count)] = 0
    distance, cells = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    number = int(cells.max()) + 1
    chips = np.array(_CHIPS, np.float32)[rng.integers(0, len(_CHIPS), number)]
    chips *= np.exp(rng.normal(0, 0.25, (number, 1))).astype(np.float32)
    size = rng.uniform(0.8, 4.0, number).astype(np.float32)[cells] * np.float32(scale)
    there = np.clip((size - distance) / 1.5, 0, 1)
    cement = _plain(patch.shape, (0.34, 0.33, 0.30))
    cement *= (1 + 0.08 * grain(patch.shape, 0.8, rng))[..., None]
    albedo = np.asarray(cement + there[..., None] * (chips[cells] - cement), np.float32)
    albedo = _film(albedo, 35 * scale, rng, (0.10, 0.12, 0.05), 0.5)
    return albedo, np.asarray(0.04 * there, np.float32)


def paint_ground(canvas: Canvas, patch: Patch, ground: Ground, rng: np.random.Generator) -> None:
    """Paint the plate's surface over a patch."""
    scale = canvas.px_per_mm
    match ground:
        case "mat":
            albedo, height = _mat(patch, scale, rng)
        case "grey-tile":
            albedo, height = _tile(patch, scale, rng, (0.23, 0.23, 0.22))
        case "white-tile":
            albedo, height = _tile(patch, scale, rng, (0.56, 0.54, 0.48))
        case "egg-crate":
            albedo, height = _egg_crate(patch, scale, rng)
        case "slate":
            albedo, height = _slate(patch, scale, rng)
        case "terrazzo":
            albedo, height = _terrazzo(patch, scale, rng)
    diffuse, _ = shade(height, scale, canvas.lamp, 20.0)
    flat(canvas, patch, albedo * diffuse[..., None])


_TANK_PX_PER_MM = 3.0


def paint_tank(canvas: Canvas, patch: Patch, rng: np.random.Generator) -> None:
    """Paint what lies under and beside the plate: a dark, out-of-focus bench with sand."""
    # Out of focus, so painted coarsely and enlarged.
    scale = _TANK_PX_PER_MM
    height, width = (max(round(n / canvas.px_per_mm * scale), 2) for n in patch.shape)
    shade_of = rng.uniform(0.02, 0.16)
    albedo = _plain((height, width), (shade_of, shade_of * 1.05, shade_of * 1.1))
    albedo *= np.clip(1 + 0.35 * cloud((height, width), 30 * scale, rng), 0.2, 2)[..., None]
    albedo = _film(albedo, 35 * scale, rng, (0.10, 0.09, 0.06), 0.8)
    # Towards the canvas's edge it fades into one colour, so that no edge shows beyond.
    across = np.minimum(np.arange(width), np.arange(width)[::-1]) / (25 * scale)
    down = np.minimum(np.arange(height), np.arange(height)[::-1]) / (25 * scale)
    inside = np.clip(np.minimum(across[None], down[:, None]), 0, 1)[..., None]
    far = np.array([shade_of, shade_of * 1.05, shade_of * 1.1], np.float32) * 0.7
    faded = np.asarray(far + inside * (albedo - far), np.float32)
    size = (patch.shape[1], patch.shape[0])
    flat(canvas, patch, np.asarray(cv2.resize(faded, size, interpolation=cv2.INTER_LINEAR)))
