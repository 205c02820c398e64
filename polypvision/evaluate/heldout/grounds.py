"""Grounds of held-out close-ups: netting, bogwood, ring media, shell grit."""

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.render.noise import Field
from polypvision.train.closeups.tools import Picture, Radiance, blobs, blur, hsv, lay, mix, step


def _grid(shape: tuple[int, int]) -> tuple[Field, Field]:
    x, y = np.meshgrid(np.arange(shape[1], dtype=np.float32), np.arange(shape[0], dtype=np.float32))
    return x, y


def netting(picture: Picture) -> Radiance:
    """Return a woven net of twine over something dark."""
    rng, noise, lamp, shape = picture.rng, picture.noise, picture.lamp, picture.shape
    pitch, width = rng.uniform(26, 90), rng.uniform(0.10, 0.22)
    x, y = _grid(shape)
    x = x + pitch * rng.uniform(0.1, 0.6) * noise.field(shape, 300, soft=True)
    y = y + pitch * rng.uniform(0.1, 0.6) * noise.field(shape, 300, soft=True)
    turn = rng.uniform(0, np.pi)
    u = (x * np.cos(turn) + y * np.sin(turn)) / pitch
    v = (y * np.cos(turn) - x * np.sin(turn)) / (pitch * rng.uniform(0.7, 1.0))
    deep = lamp.seen(hsv(rng.random(), rng.uniform(0, 0.4), rng.uniform(0.03, 0.3)))
    light = np.broadcast_to(deep, (*shape, 3)).astype(np.float32)
    light = light * np.exp(0.4 * noise.field(shape, 120))[..., None]
    twine = lamp.seen(hsv(rng.random(), rng.uniform(0.0, 0.8), rng.uniform(0.4, 1.0)))
    for along, across in ((u, v), (v, u)):
        inside = width - np.abs(np.mod(across, 1.0) - 0.5)
        there = step(np.asarray(inside * pitch, np.float32), 0.0, 1.5)
        bulge = np.sqrt(np.clip(1 - (1 - inside / width) ** 2, 0, 1))
        lay_of_rope = 0.75 + 0.25 * np.sin(2 * np.pi * (along + across) * pitch / 7)
        over = 0.75 + 0.25 * np.cos(np.pi * (np.floor(along) + np.floor(across)))
        shade = np.asarray((0.35 + 0.65 * bulge) * lay_of_rope * over, np.float32)
        light = mix(light, np.asarray(twine * shade[..., None], np.float32), there)
    return np.asarray(light * np.exp(0.2 * noise.field(shape, 60))[..., None], np.float32)


def bogwood(picture: Picture) -> Radiance:
    """Return weathered wood: grain, cracks, and knots with rings round them."""
    rng, noise, lamp, shape = picture.rng, picture.noise, picture.lamp, picture.shape
    x, y = _grid(shape)
    turn = rng.uniform(0, np.pi)
    along = x * np.float32(np.cos(turn)) + y * np.float32(np.sin(turn))
    across = y * np.float32(np.cos(turn)) - x * np.float32(np.sin(turn))
    across = across + 18 * noise.field(shape, 500, soft=True)
    grain = across / np.float32(rng.uniform(7, 18))
    for _ in range(int(rng.integers(1, 5))):
        kx, ky = rng.random(2) * [shape[1], shape[0]]
        size = rng.uniform(25, 80)
        reach = np.hypot((along - kx * np.cos(turn) - ky * np.sin(turn)) / 1.6,
                         across - (ky * np.cos(turn) - kx * np.sin(turn))) / size  # fmt: skip
        weight = np.exp(-(reach**2))
        grain = grain * (1 - weight) + weight * reach * np.float32(rng.uniform(5, 9))
    waves = np.sin(2 * np.pi * grain + 0.8 * noise.field(shape, 60))
    dark = lamp.seen(hsv(rng.uniform(0.03, 0.09), rng.uniform(0.3, 0.7), rng.uniform(0.1, 0.35)))
    pale = lamp.seen(hsv(rng.uniform(0.05, 0.12), rng.uniform(0.2, 0.6), rng.uniform(0.4, 0.9)))
    light = mix(
        np.broadcast_to(dark, (*shape, 3)).astype(np.float32),
        pale,
        step(np.asarray(waves, np.float32), 0.0, 1.6),
    )
    crack = step(-np.abs(noise.field(shape, 200)), -0.05, 0.05)
    light = light * (1 - 0.7 * crack)[..., None]
    height = 1.2 * waves - 4 * crack + 6 * noise.field(shape, 220)
    return np.asarray(light * lamp.relief(np.asarray(height, np.float32))[..., None], np.float32)


def ring_media(picture: Picture) -> Radiance:
    """Return a heap of short ceramic tubes: round, with a dark middle, and no polyps."""
    rng, noise, lamp, shape = picture.rng, picture.noise, picture.lamp, picture.shape
    heap = Picture(
        light=np.zeros((*shape, 3), np.float32),
        owner=np.zeros(shape, np.uint8),
        lamp=lamp,
        noise=noise,
        rng=rng,
    )
    size = rng.uniform(16, 48)
    hue, value = rng.uniform(0.02, 0.15), rng.uniform(0.5, 1.0)
    half = int(1.2 * size) + 3
    window = (2 * half + 1, 2 * half + 1)
    x, y = _grid(window)
    x, y = x - half, y - half
    for _ in range(int(min(2.2 * shape[0] * shape[1] / size**2, 900))):
        turn, squeeze = rng.uniform(0, np.pi), rng.uniform(0.45, 1.0)
        u = (x * np.cos(turn) + y * np.sin(turn)) / size
        v = (y * np.cos(turn) - x * np.sin(turn)) / (size * squeeze)
        reach = np.asarray(np.hypot(u, v), np.float32)
        body = lamp.seen(hsv(hue + rng.normal(0, 0.02), 0.25, value * rng.uniform(0.7, 1.0)))
        face = np.clip(1.2 - 1.2 * np.abs(reach - 0.75) / 0.35, 0.25, 1.0)
        light = body * face[..., None] * np.exp(0.12 * noise.field(window, 9))[..., None]
        light = mix(
            np.asarray(light, np.float32), body * np.float32(0.05), 1 - step(reach, 0.5, 0.1)
        )
        cover = 1 - step(reach, 1.0, 2 / size)
        cx, cy = (int(rng.integers(-half, side + half)) for side in shape[::-1])
        lay(heap, (cx - half, cy - half), np.asarray(light, np.float32), cover, shadow=0.7)
    return heap.light


def shell_grit(picture: Picture) -> Radiance:
    """Return broken shells: ribbed fans and curved chips of every size."""
    rng, noise, lamp, shape = picture.rng, picture.noise, picture.lamp, picture.shape
    floor = lamp.seen(hsv(0.1, 0.3, rng.uniform(0.1, 0.5)))
    light = floor * np.exp(0.3 * noise.field(shape, 12))[..., None]
    size = rng.uniform(10, 34)
    count = int(min(1.5 * shape[0] * shape[1] / size**2, 2500))
    long = size * np.exp(rng.normal(0, 0.45, count))
    xy = rng.random((count, 2)) * [shape[1], shape[0]]
    found = blobs(
        shape, xy, long, long * rng.uniform(0.35, 0.95, count),
        rng.uniform(0, np.pi, count), rng.uniform(0, 0.7 * size, count),
    )  # fmt: skip
    which = np.maximum(found.which, 0)
    tones = np.stack(
        [
            lamp.seen(hsv(rng.normal(0.07, 0.05), rng.uniform(0.02, 0.5), rng.uniform(0.35, 1.0)))
            for _ in range(16)
        ]
    )
    ribs = 0.8 + 0.2 * np.sin(found.along * rng.uniform(8, 26, count).astype(np.float32)[which])
    hollow = rng.random(count)[which] < 0.5
    lit = lamp.shade(np.where(hollow, -found.nx, found.nx), np.where(hollow, -found.ny, found.ny),
                     found.nz)  # fmt: skip
    shells = tones[rng.integers(0, 16, count)][which] * (ribs * lit)[..., None]
    edge = blur(found.there.astype(np.float32), 0.6) * found.there
    return mix(np.asarray(light, np.float32), np.asarray(shells, np.float32), edge)


GROUNDS: dict[str, Callable[[Picture], Radiance]] = {
    "netting": netting,
    "bogwood": bogwood,
    "ring-media": ring_media,
    "shell-grit": shell_grit,
}


def soft(light: Radiance, sigma_px: float) -> NDArray[np.float32]:
    """Return a ground out of focus."""
    if sigma_px < 0.3:
        return light
    return np.asarray(cv2.GaussianBlur(light, (0, 0), sigma_px), np.float32)
