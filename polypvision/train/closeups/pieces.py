"""Ground of many small pieces: flakes, shards, seeds, confetti, mosaic; strewn, packed or set."""

import cv2
import numpy as np

from polypvision.render.noise import Field
from polypvision.train.closeups.photographs import photo, weathered
from polypvision.train.closeups.tools import (
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
    times,
)

_MOST = 1400


def _colours(picture: Picture, count: int) -> Radiance:
    """Return the colours (count, 3) of pieces: of one stuff, of a few, or all different."""
    rng, lamp = picture.rng, picture.lamp
    hue, spread = rng.random(), rng.choice([0.02, 0.08, 0.5])
    vivid, glowing = rng.uniform(0, 0.9), rng.random() < 0.25
    own = []
    for _ in range(int(rng.choice([2, 5, 24]))):
        near = float(hue + rng.normal(0, spread))
        plain = hsv(near, float(rng.uniform(0, vivid)), float(rng.uniform(0.15, 1.0)))
        own.append(living_colour(rng, lamp, hue=near) if glowing else lamp.seen(plain))
    return np.stack(own)[rng.integers(0, len(own), count)]


def _bed(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return what pieces lie on or are set in."""
    rng = picture.rng
    if rng.random() < 0.2:
        return photo(picture, shape, grainy=True)
    base = picture.lamp.seen(any_colour(rng)) * np.float32(rng.choice([0.05, 0.5, 1.0]))
    rough = picture.noise.field(shape, float(rng.uniform(6, 120)))
    bed = np.broadcast_to(base, (*shape, 3)).astype(np.float32)
    return times(bed, np.exp(np.float32(rng.uniform(0.05, 0.4)) * rough))


def _sizes(shape: tuple[int, int], rng: np.random.Generator) -> tuple[Points, Points]:
    """Return places (n, 2) and half sizes (n,), pixels; alike, or few large among many small."""
    size = float(np.exp(rng.uniform(np.log(4), np.log(45))))
    spread = float(rng.choice([0.05, 0.25, rng.uniform(0.4, 0.8)]))
    loose, packed = np.exp(rng.uniform(np.log(0.05), np.log(0.6))), rng.uniform(0.8, 2.2)
    share = float(rng.choice([loose, packed]))  # of the ground, were none over another
    count = int(
        np.clip(share * shape[0] * shape[1] / (np.pi * size**2 * np.exp(2 * spread**2)), 3, _MOST)
    )
    xy = rng.random((count, 2)) * shape[::-1]
    return xy, np.clip(size * np.exp(rng.normal(0, spread, count)), 2.5, 110)


def _patterned(picture: Picture, light: Radiance, along: Field | None) -> Radiance:
    """Return pieces blotched, streaked, grained like some photograph, or as they were."""
    rng = picture.rng
    shape = (int(light.shape[0]), int(light.shape[1]))
    choice = rng.random()
    if choice < 0.25:
        blotch = picture.noise.field(shape, float(rng.uniform(6, 40)))
        return times(light, np.exp(np.float32(rng.uniform(0.1, 0.6)) * blotch))
    if choice < 0.5:
        return weathered(picture, light)
    if choice < 0.65 and along is not None:  # paler or darker to one end
        return times(light, np.exp(np.float32(rng.normal(0, 0.7)) * along))
    return light


def grains(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return rounded pieces of all sizes: grit, seeds, flakes, single or packed."""
    rng, lamp = picture.rng, picture.lamp
    xy, long = _sizes(shape, rng)
    count = len(xy)
    slender = float(rng.choice([1.0, rng.uniform(0.5, 1), rng.uniform(0.25, 0.6)]))
    wide = np.maximum(long * slender * np.exp(rng.normal(0, 0.1, count)), 1.5)
    turn = rng.normal(rng.uniform(0, np.pi), rng.choice([0.2, 3.0]), count)
    found = blobs(shape, xy, long, np.minimum(wide, long), turn, rng.uniform(0, 1, count) * long)
    which = np.maximum(found.which, 0)
    flat = np.float32(rng.uniform(0.15, 1.0))  # of flakes; 1 for balls
    nx, ny = flat * found.nx, flat * found.ny
    nz = np.sqrt(np.clip(1 - nx * nx - ny * ny, 0, 1))
    lit = lamp.shade(nx, ny, nz) * (0.4 + 0.6 * step(found.nz, 0.25, 0.5))
    light = _patterned(picture, _colours(picture, count)[which], found.along)
    light = times(light, lit)
    if rng.random() < 0.3:  # some have a dark or pale eye, a hole or a nut's scar
        eye = step(found.nz, float(rng.uniform(0.75, 0.95)), 0.1)
        some = (rng.random(count) < rng.uniform(0.1, 1))[which]
        light = times(light, 1 + np.float32(rng.choice([-0.8, 1.0])) * eye * some)
    if rng.random() < 0.4:
        shine = lamp.highlight(nx, ny, nz, float(rng.uniform(8, 80)))
        light = light + (np.float32(rng.uniform(0.1, 0.8)) * shine)[..., None] * lamp.colour
    edge = blur(found.there.astype(np.float32), 0.6) * found.there
    return mix(_bed(picture, shape), np.asarray(light, np.float32), edge)


def _corners(size: float, rng: np.random.Generator, fixed: int) -> Points:
    """Return the outline (n, 2) of one angular piece round 0, 0."""
    corners = fixed or int(rng.integers(3, 8))
    around = np.sort(rng.uniform(0, 2 * np.pi, corners))
    if rng.random() < 0.5:  # nearly regular
        around = (np.arange(corners) + rng.normal(0, 0.12, corners)) * (2 * np.pi / corners)
    away = size * rng.uniform(0.6, 1.1, corners)
    return np.stack([away * np.cos(around), away * np.sin(around) * rng.uniform(0.4, 1)], 1)


def shards(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return angular pieces: splinters lying about, confetti, or set flush in a polished bed."""
    rng, lamp = picture.rng, picture.lamp
    xy, sizes = _sizes(shape, rng)
    which = np.zeros(shape, np.int32)
    outlines = [_corners(1.0, rng, int(rng.choice([0, 0, 4]))) for _ in range(24)]
    for number, (place, size) in enumerate(zip(xy, sizes, strict=True), 1):
        way = rng.uniform(0, 2 * np.pi)
        turn = np.array([[np.cos(way), np.sin(way)], [-np.sin(way), np.cos(way)]])
        outline = place + size * outlines[int(rng.integers(24))] @ turn
        cv2.fillPoly(which, [np.round(outline * 16).astype(np.int32)], number, shift=4)
    there = (which > 0).astype(np.float32)
    light = _patterned(picture, _colours(picture, len(xy) + 1)[which], None)
    bed = _bed(picture, shape)
    border = np.clip(np.abs(cv2.Laplacian(which.astype(np.float32), cv2.CV_32F)), 0, 1)
    if rng.random() < 0.5:  # set flush, or ground away here and there, under one gloss
        sheen = np.exp(np.float32(rng.uniform(0, 0.3)) * picture.noise.field(shape, 250, soft=True))
        whole = mix(bed, light, blur(there, float(rng.uniform(0.5, 1.5))))
        return times(whole, sheen * (1 - np.float32(rng.uniform(0, 0.5)) * blur(border, 0.7)))
    tilt = rng.normal(0, rng.uniform(0.05, 0.5), (len(xy) + 1, 2)).astype(np.float32)[which]
    nz = np.asarray(1 / np.sqrt(1 + (tilt**2).sum(axis=2)), np.float32)
    light = times(light, lamp.shade(tilt[..., 0] * nz, tilt[..., 1] * nz, nz))
    light = times(light, 1 - np.float32(rng.uniform(0.1, 0.8)) * blur(border, 0.8))
    lx, ly = (float(value) * float(rng.uniform(2, 8)) for value in lamp.towards[:2])
    cast = cv2.warpAffine(there, np.array([[1, 0, -lx], [0, 1, -ly]]), shape[::-1])
    bed = times(bed, 1 - 0.6 * blur(np.asarray(cast, np.float32), 2.0))
    return mix(bed, np.asarray(light, np.float32), blur(there, 0.6))


def mosaic(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return stones laid side by side with joints between: a board, bricks, or rounded cobbles."""
    rng, noise = picture.rng, picture.noise
    pitch = float(np.exp(rng.uniform(np.log(12), np.log(90))))
    x, y = np.meshgrid(np.arange(shape[1], dtype=np.float32), np.arange(shape[0], dtype=np.float32))
    wander = np.float32(pitch * rng.uniform(0, 0.4))
    x, y = (axis + wander * noise.field(shape, 3 * pitch, soft=True) for axis in (x, y))
    way = rng.uniform(0, np.pi)
    u = (x * np.float32(np.cos(way)) + y * np.float32(np.sin(way))) / np.float32(pitch)
    v = (y * np.float32(np.cos(way)) - x * np.float32(np.sin(way))) / np.float32(
        pitch * rng.uniform(0.5, 1)
    )
    row = np.floor(v)
    u = u + np.float32(rng.choice([0.0, 0.5])) * np.mod(row, 2)
    column = np.floor(u)
    power = float(rng.choice([2, 4, 12]))  # from round cobbles to tiles
    reach = (np.abs(2 * (u - column) - 1) ** power + np.abs(2 * (v - row) - 1) ** power) ** (
        1 / power
    )
    number = (column * 37 + row * 101).astype(np.int64) % 211
    joint = float(rng.uniform(0.75, 0.97))
    cover = 1 - step(np.asarray(reach, np.float32), joint, 3 / pitch)
    light = _patterned(picture, _colours(picture, 211)[number], None)
    dome = np.sqrt(np.clip(1 - (reach / joint) ** 2, 0, 1)) * np.float32(
        rng.uniform(0, 0.3) * pitch
    )
    light = times(light, picture.lamp.relief(np.asarray(dome, np.float32)))
    return mix(_bed(picture, shape), light, cover)


_GROUNDS = (grains, shards, mosaic)


def pieces(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return a ground of many small pieces of one sort."""
    chosen = _GROUNDS[int(picture.rng.choice(len(_GROUNDS), p=[0.45, 0.4, 0.15]))]
    return chosen(picture, shape)
