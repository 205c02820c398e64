"""Stalks of slanted discs and closed polyps: tissue that a reader does not count."""

import numpy as np

from polypvision.train.closeups.form import Disc
from polypvision.train.closeups.kinds import Kind
from polypvision.train.closeups.tools import (
    NOT_COUNTED,
    Picture,
    blobs,
    blur,
    lay,
    mix,
    step,
    times,
    tinted,
)


def paint_button(picture: Picture, kind: Kind, disc: Disc) -> None:
    """Paint a closed polyp: a stalk's rounded end with a puckered middle; it does not count."""
    rng, lamp = picture.rng, picture.lamp
    radius = disc.radius * float(rng.uniform(0.28, 0.55))
    half = round(1.3 * radius) + 4
    centre = np.full((1, 2), float(half))
    size = np.array([radius])
    found = blobs((2 * half + 1,) * 2, centre, size * 1.1, size, np.zeros(1), np.zeros(1))
    light = tinted(lamp.shade(found.nx, found.ny, found.nz), kind.bases[1])
    pucker = step(found.nz, float(rng.uniform(0.9, 0.99)), 0.06)
    light = mix(light, kind.tips[0], pucker)
    around = np.arctan2(found.ny, found.nx)
    wrinkles = picture.noise.polar(around, found.nz, float(rng.uniform(8, 30)), 1.0)
    grain = 0.25 * picture.noise.field(found.which.shape, radius)
    light = times(light, np.exp(grain + rng.uniform(0, 0.5) * found.nz * wrinkles))
    cover = blur(found.there.astype(np.float32), 0.8)
    corner = (round(disc.x) - half, round(disc.y) - half)
    taken = lay(picture, corner, light, cover, blur_px=disc.blur_px, shadow=0.5)
    if taken is not None:
        rows, columns, *inner = taken
        picture.owner[rows, columns][found.there[inner[0], inner[1]]] = NOT_COUNTED


def paint_stalk(picture: Picture, kind: Kind, disc: Disc) -> None:
    """Paint the column below the nearer rim of a slanted disc: part of the ground to a reader."""
    rng, lamp = picture.rng, picture.lamp
    c, s = float(np.cos(disc.towards)), float(np.sin(disc.towards))
    long = disc.radius * float(rng.uniform(0.7, 1.5)) * float(np.sqrt(1 - disc.squeeze**2))
    long += disc.squeeze * disc.radius * 0.4
    top, foot = disc.radius * rng.uniform(0.35, 0.8, 2)
    half = max(top, foot) + 4
    ends = np.array([[0.0, 0.0], [long * c, long * s]])
    low = np.floor(ends.min(axis=0) - half).astype(int)
    width, height = (np.ceil(ends.max(axis=0) + half).astype(int) - low + 1).tolist()
    x = np.arange(low[0], low[0] + width, dtype=np.float32)
    y = np.arange(low[1], low[1] + height, dtype=np.float32)[:, None]
    along, over = (x * c + y * s) / max(long, 1), y * c - x * s
    part = np.clip(along, 0, 1)
    waist = 1 - rng.uniform(0, 0.4) * 4 * part * (1 - part)
    over = over / ((top + (foot - top) * part) * waist)
    beyond = (along - part) * long / max(foot, 1)
    square = over**2 + beyond**2
    there = np.asarray((square < 1) & (along > 0))
    up = np.asarray(np.sqrt(np.clip(1 - square, 0, 1)), np.float32)
    shade = lamp.shade(np.asarray(-over * s + beyond * c), np.asarray(over * c + beyond * s), up)
    colour = kind.bases[1] * np.float32(rng.uniform(0.3, 1.0))
    shape = (int(height), int(width))
    grain = 0.3 * picture.noise.field(shape, 0.5 * disc.radius)
    if rng.random() < 0.5:  # muscles seen through the wall run down it
        grain = grain + 0.15 * np.sin(np.arcsin(np.clip(over, -1, 1)) * rng.integers(8, 20))
    light = tinted(shade * np.exp(grain), colour)
    corner = (int(low[0]) + round(disc.x), int(low[1]) + round(disc.y))
    cover = blur(there.astype(np.float32), 0.8)
    taken = lay(picture, corner, light, cover, blur_px=disc.blur_px, shadow=0.4)
    if taken is not None:
        rows, columns, *inner = taken
        picture.owner[rows, columns][there[inner[0], inner[1]]] = 0
