"""Many of one thing as the ground of a close-up: round and holed things by the hundred."""

from dataclasses import replace

import numpy as np

from polypvision.render.noise import Field
from polypvision.train.closeups.clutter import pebble, rubble, snail
from polypvision.train.closeups.photographs import weathered
from polypvision.train.closeups.plugs import bottle_cap, coin, slab
from polypvision.train.closeups.tools import (
    Picture,
    Radiance,
    any_colour,
    blur,
    hsv,
    lay,
    mix,
    step,
)

_MOST = 500
_VARIANTS = 14


def washer(picture: Picture, size: float) -> tuple[Radiance, Field]:
    """Return a washer, nut, button or seal: flat or round in section, one or more holes."""
    rng, lamp = picture.rng, picture.lamp
    squeeze, turn = float(rng.uniform(0.35, 1.0)), float(rng.uniform(0, np.pi))
    thick = size * float(rng.uniform(0.0, 0.35))
    body = slab(size, squeeze=squeeze, turn=turn, thick=thick)
    around = np.arctan2(body.v, body.u)
    corners = int(rng.choice([0, 0, 0, 6]))
    reach = body.reach
    if corners:  # a nut: distance from the middle of a polygon's sides
        sector = (around % (2 * np.pi / corners)) - np.pi / corners
        reach = reach * np.cos(sector) / np.cos(np.pi / corners)
    holes = int(rng.choice([1, 1, 1, 2, 4]))
    inner = float(rng.uniform(0.2, 0.8)) if holes == 1 else float(rng.uniform(0.1, 0.2))
    off = 0.0 if holes == 1 else 0.3
    hole = np.full(reach.shape, 9.0, np.float32)
    for number in range(holes):
        way = 2 * np.pi * number / holes
        place = off * np.array([np.cos(way), np.sin(way)])
        hole = np.minimum(
            hole,
            np.hypot(body.u - place[0], body.v - place[1]) / inner if holes > 1 else reach / inner,
        ).astype(np.float32)
    soft = 3 / size
    section = 1 - np.abs(2 * (reach - inner) / (1 - inner) - 1) if holes == 1 else 1 - reach
    rounded = np.sqrt(np.clip(section, 0, 1)) * rng.choice([0.1, 0.4, 1.0])
    height = blur(np.asarray(rounded, np.float32), 0.6) * np.float32(0.3 * size)
    stuff = lamp.seen(any_colour(rng)) if rng.random() < 0.5 else lamp.seen(hsv(0.1, 0.1, 0.7))
    light = stuff * (lamp.relief(height) * (1 - 0.6 * body.side))[..., None]
    light = np.asarray(light, np.float32)
    if rng.random() < 0.4:
        light = weathered(picture, light)
    through = 1 - step(hole, 1.0, soft / inner)
    clear = rng.random() < 0.5  # what lies behind shows in the hole, or nothing but shade
    if not clear:
        light = mix(light, np.zeros(3, np.float32), 0.9 * through)
    whole = np.maximum(1 - step(np.asarray(reach, np.float32), 1.0, soft), body.side)
    return light, np.asarray(whole * (1 - through * clear), np.float32)


_STREWN = (
    (washer, 0.4, (10, 60)),
    (coin, 0.12, (20, 60)),
    (bottle_cap, 0.08, (20, 60)),
    (snail, 0.1, (10, 40)),
    (pebble, 0.15, (8, 45)),
    (rubble, 0.15, (12, 45)),
)


def strewn(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return a ground covered with many of one thing, from a few to heaps."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    base = lamp.seen(any_colour(rng)) * np.float32(rng.choice([0.05, 0.4, 1.0]))
    light = np.broadcast_to(base, (*shape, 3)).astype(np.float32)
    light = light * np.exp(0.3 * noise.field(shape, 50))[..., None]
    heap = replace(
        picture,
        light=light.astype(np.float32),
        owner=np.zeros(shape, np.uint8),
        mouths={},
        areas={},
    )
    chances = np.array([often for _, often, _ in _STREWN])
    thing, _, (least, most) = _STREWN[rng.choice(len(_STREWN), p=chances / chances.sum())]
    size = float(np.exp(rng.uniform(np.log(least), np.log(most))))
    spread = float(rng.choice([0.0, rng.uniform(0, 0.4)]))
    pieces = [thing(heap, size * float(np.exp(rng.normal(0, spread)))) for _ in range(_VARIANTS)]
    alike = rng.random() < 0.5
    count = int(min(shape[0] * shape[1] / size**2 * np.exp(rng.uniform(-2.0, 1.0)), _MOST))
    for _ in range(count):
        colours, cover = pieces[rng.integers(3 if alike else _VARIANTS)]
        x, y = (int(rng.integers(0, side)) for side in shape[::-1])
        half = cover.shape[0] // 2
        shade = colours * np.float32(np.exp(rng.normal(0, 0.15)))
        lay(heap, (x - half, y - half), shade, cover, shadow=0.5)
    return heap.light
