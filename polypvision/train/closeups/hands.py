"""Fingers and gloves that reach into the picture."""

import numpy as np

from polypvision.render.noise import Field
from polypvision.train.closeups.photographs import weathered
from polypvision.train.closeups.tools import (
    Colour,
    Picture,
    Points,
    Radiance,
    any_colour,
    hsv,
    lay,
    step,
)


def _skin(picture: Picture) -> Colour:
    """Return some tone of skin, or of a glove."""
    rng, lamp = picture.rng, picture.lamp
    if rng.random() < 0.25:
        return lamp.seen(any_colour(rng))
    return lamp.seen(hsv(rng.uniform(0.0, 0.09), rng.uniform(0.2, 0.6), rng.uniform(0.25, 1.0)))


def _from_edge(picture: Picture) -> tuple[Points, Points]:
    """Return a place on the edge and the direction inwards, more or less."""
    rng = picture.rng
    height, width = picture.shape
    side, along = rng.integers(0, 4), rng.random()
    edge = [
        (along * width, 0),
        (width, along * height),
        (along * width, height),
        (0, along * height),
    ]
    start = np.array(edge[side], np.float64)
    way = np.array([width / 2, height / 2]) - start
    way = way / np.linalg.norm(way)
    turn = rng.normal(0, 0.5)
    return start, np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ way


def _nail(along: Field, across: Field, radius: float, rng: np.random.Generator) -> Field:
    """Return the cover of a nail on a finger's tip; ``along`` is 0 at its middle, pixels."""
    u = (along + radius * rng.uniform(0.0, 0.4)) / (radius * rng.uniform(0.5, 0.8))
    reach = (np.abs(u) ** 3 + np.abs(across / rng.uniform(0.5, 0.7)) ** 3) ** (1 / 3)
    return 1 - step(np.asarray(reach, np.float32), 1.0, 6 / radius)


def _finger(
    picture: Picture, start: Points, way: Points, radius: float, skin: Colour, length: float
) -> tuple[Radiance, Field, tuple[int, int]]:
    """Return its light and cover, and the top left pixel of their window."""
    rng, lamp = picture.rng, picture.lamp
    ends = np.stack([start - 2 * radius * way, start + length * way])
    low = np.maximum(ends.min(0) - 1.5 * radius, 0).astype(int)
    high = np.minimum(ends.max(0) + 1.5 * radius, picture.shape[::-1]).astype(int)
    high = np.maximum(high, low + 2)
    x, y = np.meshgrid(
        np.arange(low[0], high[0], dtype=np.float32) - np.float32(start[0]),
        np.arange(low[1], high[1], dtype=np.float32) - np.float32(start[1]),
    )
    along = x * np.float32(way[0]) + y * np.float32(way[1])
    # Knuckles: a little thicker here and there.
    girth = radius * (1 + 0.06 * np.cos(along / radius * rng.uniform(0.8, 1.6)))
    far = np.clip(along, -400, length)
    dx, dy = (x - far * way[0]) / girth, (y - far * way[1]) / girth
    square = dx * dx + dy * dy
    nz = np.sqrt(np.clip(1 - square, 0, 1)).astype(np.float32)
    light = skin * np.exp(0.06 * picture.noise.field(x.shape, 40))[..., None]
    across = (y * np.float32(way[0]) - x * np.float32(way[1])) / np.float32(radius)
    if rng.random() < 0.6:  # creases across, wrapped round the finger
        lines = np.sin(along / radius * rng.uniform(8, 20) + 1.5 * across**2)
        near = np.exp(-(((along - length + rng.uniform(1, 3) * radius) / (0.4 * radius)) ** 2))
        light = light * (1 - rng.uniform(0.05, 0.3) * near * (lines > 0.5))[..., None]
    if rng.random() < 0.5:
        nail = _nail(np.asarray(along - length), np.asarray(across), radius, rng)
        pale = np.float32(rng.uniform(1.1, 1.7))
        light = light * (1 + (pale - 1) * nail)[..., None]
    light = light * (lamp.shade(dx, dy, nz) * 0.8 + 0.2)[..., None]
    cover = 1 - step(np.sqrt(square).astype(np.float32), 1.0, 3 / radius)
    return np.asarray(light, np.float32), cover, (int(low[0]), int(low[1]))


def paint_finger(picture: Picture) -> None:
    """Lay a finger reaching in from the edge, of skin or of a glove; sometimes two or three."""
    rng = picture.rng
    start, way = _from_edge(picture)
    length, radius = rng.uniform(20, 200), rng.uniform(40, 85)
    skin = _skin(picture)
    soft_px = float(rng.uniform(0, 4))
    beside = np.array([-way[1], way[0]]) * radius * rng.uniform(1.6, 2.1)
    for place in range(int(rng.choice([1, 1, 1, 2, 3]))):
        light, cover, corner = _finger(
            picture,
            start + place * beside,
            way,
            radius * rng.uniform(0.85, 1.1),
            skin,
            length * rng.uniform(0.6, 1.3),
        )
        if rng.random() < 0.3:
            light = weathered(picture, light, strength=0.25)
        taken = lay(picture, corner, light, cover, blur_px=soft_px, shadow=0.3)
        if taken is not None:
            rows, columns, *inner = taken
            picture.owner[rows, columns][cover[inner[0], inner[1]] > 0.5] = 0
