"""Rock, rubble and round stones as the ground of a close-up."""

import numpy as np

from polypvision.train.closeups.patterns import any_field
from polypvision.train.closeups.photographs import photo, weathered
from polypvision.train.closeups.plugs import spotted
from polypvision.train.closeups.tools import (
    Blobs,
    Picture,
    Points,
    Radiance,
    any_colour,
    blobs,
    blur,
    hsv,
    living_colour,
    mix,
    step,
)


def rock(picture: Picture, shape: tuple[int, int], *, dull: bool = False) -> Radiance:
    """Return rock or rubble with crusts, algae and sponge."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    size = rng.uniform(40, 160)
    height = noise.field(shape, size) * size * rng.uniform(0.05, 0.16)
    if rng.random() < 0.5:
        height -= np.abs(noise.field(shape, size * 0.6)) * size * 0.12
    if rng.random() < 0.3:
        light = photo(picture, shape, grainy=True)
    else:
        grey = hsv(rng.uniform(0.02, 0.2), rng.uniform(0.05, 0.45), rng.uniform(0.3, 0.95))
        light = np.broadcast_to(lamp.seen(grey), (*shape, 3)).astype(np.float32)
        light = light * np.exp(0.25 * noise.field(shape, size / 3))[..., None]
    for _ in range(int(rng.integers(0, 2 if dull else 6))):
        # Coralline crusts are purple, pink and red; algae green and brown; sponges anything.
        hue = rng.choice(
            [rng.normal(0.87, 0.05), rng.normal(0.97, 0.03), rng.normal(0.25, 0.07), rng.random()]
        )
        crust = living_colour(rng, lamp, hue=float(hue)) * np.float32(rng.uniform(0.3, 1.0))
        if rng.random() < 0.6:
            crust = lamp.seen(any_colour(rng, hue=float(hue)))
        where = step(
            noise.field(shape, rng.uniform(15, 200)), rng.uniform(-0.3, 1.3), rng.uniform(0.1, 0.8)
        )
        light = mix(light, crust, where * np.float32(rng.uniform(0.5, 1.0)))
        height += where * np.float32(rng.uniform(0, 3))
    if rng.random() < 0.5:
        pits = step(noise.field(shape, rng.uniform(6, 16), soft=True), rng.uniform(0.8, 1.6), 0.4)
        light = light * (1 - np.float32(rng.uniform(0.3, 0.9)) * pits)[..., None]
        height -= pits * 2
    height += noise.field(shape, size / 5) * np.float32(size * rng.uniform(0.0, 0.03))
    if rng.random() < 0.6:
        light = weathered(picture, np.asarray(light, np.float32), height)
    if rng.random() < (0.1 if dull else 0.35):
        light = spotted(picture, np.asarray(light, np.float32), 2 * size)
    deep = height - blur(height, 9)
    shelter = np.clip(1 + np.float32(rng.uniform(0.01, 0.14)) * deep, 0.15, 1.5)
    return np.asarray(light * (lamp.relief(height) * shelter)[..., None], np.float32)


def _veined(
    picture: Picture, stones: Blobs, xy: Points, radius: float, colours: Radiance
) -> Radiance:
    """Return banded, veined and blotched stones, each turned its own way and of two colours."""
    rng = picture.rng
    turn = rng.uniform(0, 2 * np.pi, len(xy))
    # The middle of the pattern lies outside the stone: bands and veins cross it, as growth and
    # layers do, and none closes round a point, as a polyp's rings do.
    away = radius * rng.uniform(1.2, 4, len(xy))
    rows, columns = np.nonzero(stones.which >= 0)
    own = stones.which[rows, columns]
    right, down = columns - xy[own, 0], rows - xy[own, 1]
    c, s = np.cos(turn[own]), np.sin(turn[own])
    u, v = right * c + down * s + away[own], down * c - right * s
    theta, rho = np.zeros((2, *stones.which.shape), np.float32)
    theta[rows, columns] = np.arctan2(v, u)
    rho[rows, columns] = np.hypot(u, v) / (radius * rng.uniform(2, 6))
    field = any_field(picture, theta, rho)
    if rng.random() < 0.5:  # some plain, some with a stronger pattern
        field = field * rng.random(len(xy)).astype(np.float32)[np.maximum(stones.which, 0)]
    one, other = (colours[rng.integers(0, len(colours), len(xy))] for _ in "ab")
    one, other = (shades[np.maximum(stones.which, 0)] for shades in (one, other))
    return np.asarray(one + (other - one) * field[..., None], np.float32)


def pebbles(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return round stones of all sizes, strewn or packed: round things that are no polyps."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    light = rock(picture, shape, dull=True) * np.float32(rng.uniform(0.1, 0.8))
    packed = rng.random() < 0.5
    radius = rng.uniform(6, 45)
    often = rng.uniform(0.4, 1.2) if packed else rng.uniform(0.05, 0.5)
    count = int(min(shape[0] * shape[1] / radius**2 * often, 900))
    xy = rng.random((count, 2)) * [shape[1], shape[0]]
    long = radius * np.exp(rng.normal(0, rng.uniform(0.1, 0.7 if packed else 0.5), count))
    wide = long * rng.uniform(0.6, 1.0, count)
    turn = rng.uniform(0, np.pi, count)
    # Stones of one height press their outlines into each other; others lie in heaps.
    heaped = float(rng.choice([0.1, 1.0])) if packed else 1.0
    found = blobs(shape, xy, long, wide, turn, rng.uniform(0, heaped * radius, count))
    hue, spread = rng.random(), rng.choice([0.03, 0.1, 0.4])
    colours = np.stack(
        [
            lamp.seen(hsv(hue + rng.normal(0, spread), rng.uniform(0, 0.5), rng.uniform(0.2, 1)))
            for _ in range(24)
        ]
    )
    if rng.random() < 0.5:
        stone = _veined(picture, found, xy, radius, colours)
    else:
        stone = colours[rng.integers(0, 24, count)][np.maximum(found.which, 0)]
    stone = stone * np.exp(rng.uniform(0, 0.4) * noise.field(shape, 14))[..., None]
    if rng.random() < 0.5:
        stone = weathered(picture, np.asarray(stone, np.float32))
    flat = np.sqrt(found.nz)  # flatter on top than an ellipsoid
    light_on = lamp.shade(found.nx, found.ny, flat) * (0.3 + 0.7 * step(found.nz, 0.3, 0.6))
    edge = blur(found.there.astype(np.float32), 0.6) * found.there
    return mix(light, np.asarray(stone * light_on[..., None], np.float32), edge)
