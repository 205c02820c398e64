"""From the painted plane to a photo: perspective, light on the way, lens, sensor, encoding."""

import math
from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.srgb import to_codes
from polypvision.render.canvas import Canvas, Lamp, Radiance
from polypvision.render.noise import Field, cloud
from polypvision.render.optics import Optics, camera_turn
from polypvision.render.scene import Camera, Light

Matrix = NDArray[np.float64]
_OVERSAMPLING = 2


def plate_to_photo(camera: Camera) -> Matrix:
    """Return the homography (3, 3) from plate coordinates (mm) to photo pixels.

    A pinhole camera looks along its axis at the target. The plate is the plane z = 0; a tilt
    turns it about an axis in the plane, a roll about the line of sight. A bent lens and water are
    left out; see `polypvision.render.optics`.
    """
    turn = camera_turn(camera)
    target = np.array([camera.target_x_mm, camera.target_y_mm])
    shift = np.array([0.0, 0.0, camera.distance_mm]) - turn[:, :2] @ target
    focal = np.array(
        [
            [camera.focal_px, 0.0, (camera.width_px - 1) / 2],
            [0.0, camera.focal_px, (camera.height_px - 1) / 2],
            [0.0, 0.0, 1.0],
        ]
    )
    homography: Matrix = focal @ np.column_stack([turn[:, 0], turn[:, 1], shift])
    return np.asarray(homography / homography[2, 2], dtype=np.float64)


def mm_per_px(homography: Matrix, x_px: float, y_px: float) -> float:
    """Return the scale at a photo pixel: root of the area, in mm2, that one pixel shows."""
    back = np.linalg.inv(homography)
    weight = back[2] @ np.array([x_px, y_px, 1.0])
    return float(math.sqrt(abs(np.linalg.det(back) / weight**3)))


def _warp(canvas: Canvas, homography: Matrix, camera: Camera) -> Radiance:
    """Project the canvas into the photo, each photo pixel the mean of its area."""
    step = _OVERSAMPLING
    # Pixel centres are integers: sub-pixel U of pixel u lies at u + (U - (step - 1) / 2) / step.
    shift = (step - 1) / 2
    finer = np.array([[step, 0.0, shift], [0.0, step, shift], [0.0, 0.0, 1.0]])
    matrix = finer @ homography @ np.linalg.inv(canvas.plane_to_pixels())
    border = np.median(canvas.radiance[:4].reshape(-1, 3), axis=0)
    fine = cv2.warpPerspective(
        canvas.radiance,
        matrix,
        (camera.width_px * step, camera.height_px * step),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=[float(value) for value in border],
    )
    return np.asarray(
        cv2.resize(fine, (camera.width_px, camera.height_px), interpolation=cv2.INTER_AREA),
        dtype=np.float32,
    )


_RAY_GRID_PX = 8
"""Spacing of the rays that are traced; between them places on the plane vary smoothly."""


def _traced(
    picture: NDArray[np.float32], canvas: Canvas, optics: Optics, height_mm: float
) -> NDArray[np.float32]:
    """See a painted plane at a height along traced rays, each photo pixel the mean of its area.

    ``picture`` is of the canvas's pixels; what lies beyond them is 0.
    """
    camera, step = optics.camera, _OVERSAMPLING
    width, height = camera.width_px, camera.height_px
    columns = np.arange(-_RAY_GRID_PX, width + 2 * _RAY_GRID_PX, _RAY_GRID_PX)
    rows = np.arange(-_RAY_GRID_PX, height + 2 * _RAY_GRID_PX, _RAY_GRID_PX)
    x, y = np.meshgrid(columns, rows)
    places = optics.plane_places(np.column_stack([x.ravel(), y.ravel()]).astype(float), height_mm)
    matrix = canvas.plane_to_pixels()
    pixels = places * matrix[[0, 1], [0, 1]] + matrix[:2, 2]
    coarse = np.nan_to_num(pixels, nan=-1e6).reshape(len(rows), len(columns), 2)
    fine_x = (np.arange(width * step) - (step - 1) / 2) / step
    fine_y = (np.arange(height * step) - (step - 1) / 2) / step
    across, down = np.meshgrid(
        (fine_x / _RAY_GRID_PX + 1).astype(np.float32),
        (fine_y / _RAY_GRID_PX + 1).astype(np.float32),
    )
    maps = cv2.remap(coarse.astype(np.float32), across, down, cv2.INTER_LINEAR)
    fine = cv2.remap(picture, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR)
    return np.asarray(
        cv2.resize(fine, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32
    )


def see_layers(
    layers: Sequence[tuple[Canvas, NDArray[np.float32], float]], optics: Optics
) -> Radiance:
    """Return the light (H, W, 3) that reaches the sensor from painted planes, farthest first.

    Parameters
    ----------
    layers : sequence of (Canvas, cover, height)
        ``cover`` (canvas rows, columns) is how much of each pixel the plane hides, 0 to 1;
        ``height`` is above the card's plane, mm.
    optics : Optics
    """
    camera = optics.camera
    border = np.median(layers[0][0].radiance[:4].reshape(-1, 3), axis=0).astype(np.float32)
    seen = np.broadcast_to(border, (camera.height_px, camera.width_px, 3)).copy()
    for canvas, cover, height_mm in layers:
        weighted = np.dstack([canvas.radiance * cover[..., None], cover])
        layer = _traced(weighted.astype(np.float32), canvas, optics, height_mm)
        seen = seen * (1 - layer[..., 3:]) + layer[..., :3]
    return np.asarray(seen, np.float32)


def _places(camera: Camera) -> tuple[Field, Field]:
    """Pixel places from the middle of the photo in half diagonals."""
    half = math.hypot(camera.width_px, camera.height_px) / 2
    x = (np.arange(camera.width_px, dtype=np.float32) - (camera.width_px - 1) / 2) / half
    y = (np.arange(camera.height_px, dtype=np.float32) - (camera.height_px - 1) / 2) / half
    across, down = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    return across, down


def _caustics(shape: tuple[int, int], strength: float, rng: np.random.Generator) -> Field:
    """The net of bright lines that ripples throw: where smooth noise crosses zero."""
    net = np.ones(shape, np.float32)
    for size in (0.10, 0.06):
        field = cloud(shape, size * max(shape), rng, octaves=2)
        net += 0.5 * strength * (np.exp(-((field / 0.22) ** 2)) - 0.3)
    return np.clip(net, 0.2, None)


def _glare(camera: Camera, light: Light, rng: np.random.Generator) -> Field:
    """Reflections of lamps in the water: clusters of soft blobs that saturate."""
    across, down = _places(camera)
    ripple = 0.010 * cloud(across.shape, 0.03 * camera.width_px, rng, octaves=2)
    total = np.zeros(across.shape, np.float32)
    for _ in range(light.glare):
        x, y = rng.uniform(-0.75, 0.75), rng.uniform(-0.55, 0.55)
        size = rng.uniform(0.008, 0.03)
        strength = rng.uniform(0.6, 2.0)
        longer = rng.uniform(1.0, 2.5)
        for column in range(int(rng.integers(1, 4))):
            dx = (across - x - 2.6 * size * column + ripple) / (size * longer)
            dy = (down - y + ripple) / size
            near = dx * dx + dy * dy
            total += strength * np.exp(-(near**1.5)) + 0.05 * strength * np.exp(-near / 12)
    return total


def expose(
    canvas: Canvas, homography: Matrix, camera: Camera, light: Light, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Return the photo (H, W, 3) of uint8 that the camera takes of the painted plane."""
    return develop(_warp(canvas, homography, camera), canvas.lamp, camera, light, rng)


def develop(
    picture: Radiance, lamp: Lamp, camera: Camera, light: Light, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Return the photo (H, W, 3) of uint8 from the light that reaches the sensor; paints over it.

    Shading, ripples, glare, blur, exposure and noise are added here.
    """
    across, down = _places(camera)
    azimuth = math.radians(light.azimuth_deg + camera.roll_deg)
    slope = across * math.cos(azimuth) + down * math.sin(azimuth)
    level = (1 - light.gradient / 2 + light.gradient / 2 * slope) * (
        1 - camera.vignette * (across * across + down * down)
    )
    if light.caustics > 0:
        level = level * _caustics(across.shape, light.caustics, rng)
    picture *= level[..., None]
    if light.glare > 0:
        picture += _glare(camera, light, rng)[..., None] * lamp.colour
    if camera.defocus_px > 0:
        picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), camera.defocus_px), dtype=np.float32)
    # White paper reflects 0.85 (see photo.py) in the lamp's strongest channel, which is 1.
    picture *= np.float32(light.exposure / 0.85)
    # Photon noise grows with the root of the light; read noise stays.
    spread = np.sqrt(np.maximum(picture, 0) * np.float32(2.0e-5) + np.float32(1.5e-6))
    noise = rng.standard_normal(picture.shape, dtype=np.float32)
    picture += noise * spread * np.float32(camera.noise)
    return to_codes(picture)


_TURNS: dict[int, Callable[[NDArray[np.uint8]], NDArray[np.uint8]]] = {
    1: lambda rgb: rgb,
    2: lambda rgb: rgb[:, ::-1],
    3: lambda rgb: rgb[::-1, ::-1],
    4: lambda rgb: rgb[::-1],
    5: lambda rgb: rgb.swapaxes(0, 1),
    6: lambda rgb: np.rot90(rgb, 1),
    7: lambda rgb: rgb[::-1, ::-1].swapaxes(0, 1),
    8: lambda rgb: np.rot90(rgb, -1),
}


def as_stored(rgb: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Return an upright photo as a camera held another way stores it (Exif 2.3, tag 0x0112)."""
    return np.ascontiguousarray(_TURNS[orientation](rgb))
