"""Corals and worms of the close-up painter that are no discs."""

import cv2
import numpy as np

from polypvision.render.noise import Field
from polypvision.train.closeups.photographs import weathered
from polypvision.train.closeups.tools import (
    Colour,
    Picture,
    Points,
    Radiance,
    any_colour,
    blobs,
    blur,
    living_colour,
    mix,
    step,
)


def _plain(shape: tuple[int, int], colour: Colour) -> Radiance:
    return np.broadcast_to(colour, (*shape, 3)).astype(np.float32)


def _scatter(picture: Picture, shape: tuple[int, int], pitch: float, jitter: float) -> Points:
    """Return places (n, 2) on a staggered lattice, each moved by chance."""
    rows = int(shape[0] / (0.87 * pitch)) + 3
    columns = int(shape[1] / pitch) + 3
    row, column = np.mgrid[-1 : rows - 1, -1 : columns - 1]
    xy = np.stack([(column + 0.5 * (row % 2)) * pitch, row * 0.87 * pitch], -1).reshape(-1, 2)
    return np.asarray(xy + picture.rng.normal(0, jitter * pitch, xy.shape), np.float64)


def ridges(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return winding valleys and ridges."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    one, other = (living_colour(rng, lamp) for _ in "ab")
    width = rng.uniform(10, 45)
    waves = np.sin(2.2 * noise.field(shape, 4 * width, soft=True) * np.pi).astype(np.float32)
    light = mix(_plain(shape, one), other, step(waves, rng.uniform(-0.5, 0.5), 1))
    if rng.random() < 0.5:  # fleshy: puffed ridges with grooves across
        waves = np.sign(waves) * np.sqrt(np.abs(waves) + 1e-3)
        light = light * np.exp(0.2 * noise.field(shape, width / 3))[..., None]
    light = weathered(picture, np.asarray(light, np.float32), strength=0.4)
    return np.asarray(light * lamp.relief(waves * width * 0.3)[..., None], np.float32)


def thicket(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return branch tips, dense small polyps, or turf."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    one, other = (living_colour(rng, lamp) for _ in "ab")
    kind = str(rng.choice(["branches", "dots", "turf"]))
    size = {"branches": rng.uniform(9, 26), "dots": rng.uniform(6, 13), "turf": 3.5}[kind]
    count = int(min(shape[0] * shape[1] / size**2 * rng.uniform(0.2, 0.6), 9000))
    xy = rng.random((count, 2)) * [shape[1], shape[0]]
    lean = noise.field((64, 64), 30, soft=True)[
        (xy[:, 1] * 63 / shape[0]).astype(int), (xy[:, 0] * 63 / shape[1]).astype(int)
    ]
    wide = size * np.exp(rng.normal(0, 0.15, count)) * (0.45 if kind == "branches" else 0.6)
    long = wide * {"branches": rng.uniform(2, 5), "dots": 1.0, "turf": rng.uniform(2, 5)}[kind]
    turn = 2.5 * lean + rng.uniform(0, np.pi) + rng.normal(0, 0.3, count)
    found = blobs(shape, xy, long, wide, turn, rng.uniform(0, size, count))
    shade = lamp.shade(found.nx, found.ny, found.nz)[..., None]
    top = step(found.nz, 0.85, 0.2) if kind == "dots" else step(found.along, 0.5, 0.6)
    ground = _plain(shape, one * np.float32(rng.uniform(0.05, 0.5)))
    body = np.asarray(mix(_plain(shape, one), other, top) * shade, np.float32)
    return mix(ground, body, found.there.astype(np.float32))


def star_polyps(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return a mat of small open polyps of eight pointed tentacles each."""
    rng, lamp = picture.rng, picture.lamp
    radius = rng.uniform(8, 24)
    xy = _scatter(picture, shape, radius * rng.uniform(1.5, 2.6), 0.2)[:900]
    xy = xy[rng.random(len(xy)) < rng.uniform(0.5, 1.0)]
    spin = rng.uniform(0, 2 * np.pi, len(xy))
    angle = (spin[:, None] + np.arange(8) * np.pi / 4 + rng.normal(0, 0.12, (len(xy), 8))).ravel()
    size = np.repeat(radius * np.exp(rng.normal(0, 0.15, len(xy))), 8)
    out = np.stack([np.cos(angle), np.sin(angle)], -1)
    places = np.repeat(xy, 8, axis=0) + 0.5 * size[:, None] * out
    wide = size * rng.uniform(0.1, 0.17)
    base = np.repeat(rng.uniform(0, radius, len(xy)), 8)
    arms = blobs(shape, places, 0.5 * size, wide, angle, base)
    heart = 0.3 * size[::8]
    body = blobs(shape, xy, heart, heart, spin, base[::8] + 0.05 * radius)
    tentacle, middle, mat = (living_colour(rng, lamp) for _ in "abc")
    light = _plain(shape, mat * np.float32(rng.uniform(0.05, 0.5)))
    light = weathered(picture, light)
    for found, colour in ((arms, tentacle), (body, middle)):
        lit = _plain(shape, colour) * lamp.shade(found.nx, found.ny, found.nz)[..., None]
        light = mix(light, np.asarray(lit, np.float32), found.there.astype(np.float32))
    return light


def corallites(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return stony cups wall to wall, each with spokes and a sunken middle."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    pitch = rng.uniform(22, 80)
    xy = _scatter(picture, shape, pitch, rng.uniform(0.08, 0.22))
    seeds = np.full(shape, 255, np.uint8)
    inside = ((xy >= 0) & (xy < [shape[1], shape[0]])).all(axis=1)
    for x, y in xy[inside].astype(int):
        seeds[y, x] = 0
    far, label = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    walls = cv2.morphologyEx(label.astype(np.float32), cv2.MORPH_GRADIENT, np.ones((3, 3)))
    deep = cv2.distanceTransform((walls == 0).astype(np.uint8), cv2.DIST_L2, 5)
    deep = np.asarray(deep + pitch * 0.06 * noise.field(shape, pitch / 2), np.float32)
    # From wall (0) to middle (1), whatever the cup's own shape.
    way = np.asarray(deep / (deep + far + 1), np.float32)
    fx, fy = (cv2.Sobel(np.asarray(far, np.float32), cv2.CV_32F, *d) for d in ((1, 0), (0, 1)))
    spokes = np.sin(np.arctan2(fy, fx) * int(rng.integers(8, 26))).astype(np.float32)
    wall, cup, middle = (living_colour(rng, lamp) for _ in "abc")
    light = mix(_plain(shape, wall), cup, step(way, rng.uniform(0.15, 0.5), rng.uniform(0.1, 0.5)))
    light = mix(light, middle, step(way, rng.uniform(0.6, 0.85), 0.15))
    light = light * np.exp(rng.uniform(0.0, 0.3) * spokes * (way < 0.8))[..., None]
    light = weathered(picture, np.asarray(light, np.float32), strength=0.6)
    height = -way * pitch * np.float32(rng.uniform(0.1, 0.5))
    height = blur(np.asarray(height + spokes * np.float32(rng.uniform(0, 1.2)), np.float32), 1.2)
    return np.asarray(light * lamp.relief(height)[..., None], np.float32)


_MATS = (thicket, ridges, star_polyps, corallites)


def other_corals(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return corals that are no discs."""
    return _MATS[picture.rng.choice(4, p=[0.4, 0.1, 0.28, 0.22])](picture, shape)


def feather_duster(picture: Picture, size: float) -> tuple[Radiance, Field]:
    """Return the crown of a tube worm seen from above or aslant, and its cover."""
    rng, lamp = picture.rng, picture.lamp
    half = int(1.2 * size) + 3
    shape = (2 * half + 1, 2 * half + 1)
    count = int(rng.integers(14, 44))
    rings = int(rng.integers(1, 3))
    angle = np.tile(np.linspace(0, 2 * np.pi, count, endpoint=False), rings)
    angle = angle + rng.normal(0, 0.08, count * rings)
    reach = size * np.repeat(np.linspace(1.0, 0.6, rings), count)
    reach = reach * (1 - rng.uniform(0, 0.5) * np.cos(angle / 2) ** 8)  # open on one side
    squeeze = rng.uniform(0.5, 1.0)
    out = np.stack([np.cos(angle), squeeze * np.sin(angle)], -1)
    spots = half + 0.56 * reach[:, None] * out
    turn = np.arctan2(out[:, 1], out[:, 0])
    long = 0.44 * reach * np.hypot(*out.T)
    found = blobs(shape, spots, long, long * rng.uniform(0.06, 0.2), turn, rng.random(len(turn)))
    one, other = (lamp.seen(any_colour(rng)) for _ in "ab")
    if rng.random() < 0.4:
        one = living_colour(rng, lamp)
    bands = step(np.asarray(np.sin(found.along * rng.uniform(3, 12)), np.float32), 0, 0.6)
    light = mix(_plain(shape, one), other, bands)
    light = light * lamp.shade(found.nx, found.ny, found.nz)[..., None]
    return np.asarray(light, np.float32), blur(found.there.astype(np.float32), 0.6)
