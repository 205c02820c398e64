"""Small things among the discs that are no discs, many of them round."""

from collections.abc import Callable

import cv2
import numpy as np

from polypvision.render.noise import Field
from polypvision.train.closeups.corals import feather_duster
from polypvision.train.closeups.photographs import weathered
from polypvision.train.closeups.plugs import (
    bottle_cap,
    coin,
    magnet,
    paint_plug,
    spotted,
    suction_cup,
)
from polypvision.train.closeups.tools import (
    Picture,
    Radiance,
    any_colour,
    blobs,
    blur,
    hsv,
    lay,
    living_colour,
    mix,
    step,
)

Thing = Callable[[Picture, float], tuple[Radiance, Field]]


def _window(size: float) -> tuple[int, tuple[int, int]]:
    half = int(size * 1.5) + 3
    return half, (2 * half + 1, 2 * half + 1)


def pebble(picture: Picture, size: float) -> tuple[Radiance, Field]:
    """Return a stone, snail or berry: one shaded blob, whorled, blotched or photographed."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    half, shape = _window(size)
    found = blobs(
        shape,
        np.full((1, 2), float(half)),
        np.array([size]),
        np.array([size * rng.uniform(0.55, 1)]),
        rng.uniform(0, np.pi, 1),
        np.zeros(1),
    )
    shade = lamp.shade(found.nx, found.ny, found.nz)
    colour = living_colour(rng, lamp) if rng.random() < 0.4 else lamp.seen(any_colour(rng))
    light = np.asarray(colour * shade[..., None], np.float32)
    if rng.random() < 0.4:  # whorls of a shell
        spiral = np.sin(found.along * rng.uniform(6, 20) + found.nz * rng.uniform(-9, 9))
        light = mix(light, light * np.float32(0.4), step(np.asarray(spiral, np.float32), 0, 1))
    else:
        light = np.asarray(light * np.exp(0.4 * noise.field(shape, size))[..., None], np.float32)
    if size > 10 and rng.random() < 0.5:
        light = weathered(picture, light)
    if size > 15 and rng.random() < 0.3:
        light = spotted(picture, light, size)
    shine = lamp.highlight(found.nx, found.ny, found.nz, rng.uniform(10, 80))
    light = light + (rng.uniform(0, 0.8) * shine)[..., None] * lamp.colour
    cover = blur(found.there.astype(np.float32), 0.7)
    cover = cover * np.float32(rng.choice([1.0, rng.uniform(0.2, 0.7)]))
    return np.asarray(light, np.float32), np.asarray(cover, np.float32)


def _polar(half: int, rng: np.random.Generator, squeeze: float) -> tuple[Field, Field]:
    """Return radius in pixels and angle over a window, squeezed along one direction."""
    ticks = np.arange(-half, half + 1, dtype=np.float32)
    turn = rng.uniform(0, 2 * np.pi)
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    u = ticks[None, :] * c + ticks[:, None] * s
    v = (ticks[:, None] * c - ticks[None, :] * s) / np.float32(squeeze)
    return np.hypot(u, v).astype(np.float32), np.arctan2(v, u).astype(np.float32)


def snail(picture: Picture, size: float) -> tuple[Radiance, Field]:
    """Return a shell seen on its apex: a spiral that ends in a point."""
    rng, lamp = picture.rng, picture.lamp
    half, shape = _window(size)
    radius, angle = _polar(half, rng, float(rng.uniform(0.75, 1.0)))
    growth = rng.uniform(0.08, 0.22)  # of the logarithmic spiral
    turns = np.log(np.maximum(radius, 1) / size) / growth + angle * rng.choice([-1, 1])
    whorl = np.mod(turns / (2 * np.pi), 1.0).astype(np.float32)
    round_whorl = np.sqrt(np.clip(1 - (2 * whorl - 1) ** 2, 0, 1))
    height = (round_whorl * 0.25 * radius - 0.5 * radius).astype(np.float32)
    one, other = (lamp.seen(any_colour(rng)) for _ in "ab")
    ribs = np.sin(angle * int(rng.integers(6, 40)) + rng.uniform(0, 4) * turns)
    bands = step(np.asarray(ribs, np.float32), 0, 0.8)
    light = mix(np.broadcast_to(one, (*shape, 3)).astype(np.float32), other, bands)
    light = light * lamp.relief(blur(height, 0.8))[..., None]
    if rng.random() < 0.5:
        light = weathered(picture, np.asarray(light, np.float32))
    edge = size * (1 + 0.15 * angle / np.pi)  # the mouth of the shell stands out
    return np.asarray(light, np.float32), 1 - step(
        np.asarray(radius / edge, np.float32), 1, 3 / size
    )


def bubbles_of_air(picture: Picture, size: float) -> tuple[Radiance, Field]:
    """Return clear bubbles: dark rim, bright spots, nothing between."""
    rng, lamp = picture.rng, picture.lamp
    half, shape = _window(2.5 * size)
    count = int(rng.choice([1, 2, int(rng.integers(3, 25))]))
    radius = size * np.exp(rng.normal(-0.4, 0.4, count)) * (1.0 if count < 3 else 0.5)
    radius = np.clip(radius, 2, 1.2 * size)
    xy = half + rng.normal(0, 0.45 * half, (count, 2)) * (count > 1)
    found = blobs(shape, xy, radius, radius, radius * 0, rng.random(count))
    rim = np.clip(1 - found.nz, 0, 1) ** rng.uniform(1, 3)
    spot = lamp.highlight(found.nx, found.ny, found.nz, rng.uniform(40, 200))
    # Light comes out again on the far side, as a crescent.
    crescent = lamp.highlight(-found.nx, -found.ny, found.nz, rng.uniform(8, 20))
    bright = rng.uniform(1, 6) * spot + rng.uniform(0, 1) * crescent
    light = lamp.colour * (np.float32(rng.uniform(0.0, 0.5)) * (1 - rim) + bright)[..., None]
    cover = found.there * np.clip(rim * rng.uniform(0.5, 1) + bright + rng.uniform(0, 0.2), 0, 1)
    return np.asarray(light, np.float32), blur(np.asarray(cover, np.float32), 0.5)


def tube(picture: Picture, size: float) -> tuple[Radiance, Field]:
    """Return the open end of a worm's chalky tube, a barnacle, or a small sponge: rings."""
    rng, lamp = picture.rng, picture.lamp
    half, shape = _window(size)
    radius, angle = _polar(half, rng, float(rng.uniform(0.5, 1.0)))
    reach = radius / np.float32(size) + 0.06 * picture.noise.field(shape, size)
    plates = 0.04 * np.cos(angle * int(rng.choice([0, 0, 4, 6, 9])))
    reach = np.asarray(reach + plates, np.float32)
    inner = rng.uniform(0.25, 0.75)
    height = -np.abs(reach - (1 + inner) / 2) * np.float32(size * rng.uniform(0.3, 1.5))
    shell = hsv(rng.uniform(0, 0.15), rng.uniform(0, 0.3), rng.uniform(0.4, 1.0))
    colour = lamp.seen(shell) if rng.random() < 0.6 else living_colour(rng, lamp)
    light = colour * lamp.relief(blur(np.asarray(height, np.float32), 0.7))[..., None]
    inside = 1 - step(reach, inner, 0.12)
    light = light * (1 - np.float32(rng.uniform(0.5, 1)) * inside)[..., None]
    return weathered(picture, np.asarray(light, np.float32)), 1 - step(reach, 1.0, 4 / size)


def rubble(picture: Picture, size: float) -> tuple[Radiance, Field]:
    """Return broken branches of dead coral, crusted."""
    rng, lamp = picture.rng, picture.lamp
    half, shape = _window(2 * size)
    count, knobs = int(rng.integers(1, 5)), 7
    turn = np.repeat(rng.uniform(0, np.pi, count), knobs)
    middle = half + rng.normal(0, 0.3 * half, (count, 2)) * (count > 1)
    wide = size * np.repeat(rng.uniform(0.15, 0.45, count), knobs)
    along = np.tile(np.linspace(-1, 1, knobs), count) * size * rng.uniform(0.4, 1.3)
    way = np.stack([np.cos(turn), np.sin(turn)], -1)
    xy = np.repeat(middle, knobs, axis=0) + along[:, None] * way
    xy = xy + rng.normal(0, 0.12, xy.shape) * wide[:, None]
    long = wide * rng.uniform(0.9, 1.5, count * knobs)
    base = np.repeat(rng.random(count) * size, knobs)
    found = blobs(shape, xy, long, wide * rng.uniform(0.8, 1.1), turn, base)
    chalk = hsv(rng.uniform(0.05, 0.2), rng.uniform(0, 0.35), rng.uniform(0.3, 1.0))
    lit = lamp.shade(found.nx, found.ny, np.sqrt(found.nz))
    light = weathered(picture, np.asarray(lamp.seen(chalk) * lit[..., None], np.float32))
    if rng.random() < 0.6:
        light = spotted(picture, light, size)
    ragged = found.nz + np.float32(0.1) * picture.noise.field(shape, 10)
    return light, step(np.asarray(ragged, np.float32), 0.2, 0.15) * found.there


def label(picture: Picture, size: float) -> tuple[Radiance, Field]:
    """Return a plain tag with letters and digits by chance, or a thermometer's scale."""
    rng, lamp = picture.rng, picture.lamp
    long, wide = int(size * rng.uniform(1.5, 4)) + 8, int(size * rng.uniform(0.5, 1.2)) + 8
    drawn = np.zeros((wide, long), np.uint8)
    if rng.random() < 0.3:  # ticks of a scale, long ones numbered
        pitch = int(rng.integers(4, 10))
        drawn[: wide // 3, ::pitch] = 255
        drawn[: wide // 2, :: 5 * pitch] = 255
        drawn[-max(wide // 6, 1) :, : int(long * rng.uniform(0.2, 0.9))] = 255
    for line in range(int(rng.integers(1, 4))):
        text = "".join(rng.choice(list("ABCDEFGHKLMNPRSTUVWXYZ0123456789-."), rng.integers(2, 12)))
        font = int(rng.choice([cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX]))
        tall = wide / 60 * rng.uniform(0.6, 1.6)
        place = (int(rng.integers(0, max(long // 3, 1))), int(wide * (0.4 + 0.35 * line)))
        cv2.putText(drawn, text, place, font, float(tall), 255, max(int(2 * tall), 1))
    face = (drawn / 255).astype(np.float32)
    paper = lamp.seen(hsv(rng.random(), rng.uniform(0, 0.5), rng.uniform(0.4, 1.0)))
    ink = lamp.seen(any_colour(rng)) * np.float32(rng.choice([0.05, 0.4]))
    if rng.random() < 0.3:
        paper, ink = ink, paper
    light = mix(np.broadcast_to(paper, (*face.shape, 3)).astype(np.float32), ink, blur(face, 0.5))
    half = int(np.hypot(long, wide) / 2) + 2
    matrix = cv2.getRotationMatrix2D((long / 2, wide / 2), float(rng.uniform(0, 360)), 1.0)
    matrix[:, 2] += np.array([half - long / 2, half - wide / 2])
    side = (2 * half + 1, 2 * half + 1)
    return (
        np.asarray(cv2.warpAffine(light, matrix, side), np.float32),
        np.asarray(cv2.warpAffine(np.ones_like(face), matrix, side), np.float32),
    )


THINGS: tuple[tuple[Thing, float, tuple[float, float]], ...] = (
    # what, how often, least and most size in pixels
    (pebble, 0.3, (3, 50)),
    (snail, 0.1, (8, 45)),
    (bubbles_of_air, 0.13, (3, 25)),
    (tube, 0.1, (4, 28)),
    (rubble, 0.1, (10, 60)),
    (feather_duster, 0.06, (14, 90)),
    (coin, 0.05, (30, 75)),
    (bottle_cap, 0.03, (40, 95)),
    (suction_cup, 0.03, (25, 90)),
    (magnet, 0.04, (15, 80)),
    (label, 0.06, (15, 70)),
)


def lay_thing(picture: Picture, thing: Thing, size: float, *, blur_px: float) -> None:
    """Lay a thing somewhere; what it hides of discs is theirs no more."""
    rng = picture.rng
    light, cover = thing(picture, size)
    half = cover.shape[0] // 2
    x, y = (int(rng.integers(0, side)) for side in picture.shape[::-1])
    shadow = 0.0 if thing is bubbles_of_air else 0.4
    corner = (x - half, y - half)
    taken = lay(picture, corner, light, cover, blur_px=blur_px, shadow=shadow)
    if taken is not None:
        rows, columns, *inner = taken
        picture.owner[rows, columns][cover[inner[0], inner[1]] > 0.75] = 0


def _bare_plug(picture: Picture) -> None:
    """Lay a mount with nothing on it, beside the discs if there is room."""
    rng = picture.rng
    radius = rng.uniform(25, 120)
    places = rng.random((12, 2)) * picture.shape[::-1]
    rows, columns = places.astype(int)[:, 1], places.astype(int)[:, 0]
    taken = cv2.dilate((picture.owner > 0).astype(np.uint8), np.ones((3, 3)))
    far = cv2.distanceTransform(1 - taken, cv2.DIST_L2, 3)
    x, y = places[np.argmax(far[rows, columns])]
    if far.max() < 1e4 and far[int(y), int(x)] < radius:
        return
    paint_plug(picture, x, y, radius, blur_px=float(rng.choice([0.0, 0.0, rng.uniform(0, 6)])))


def paint_things(picture: Picture) -> None:
    """Lay a few things of all sorts among the discs."""
    rng = picture.rng
    for _ in range(int(rng.choice([0, 0, 1, 2]))):
        _bare_plug(picture)
    chances = np.array([often for _, often, _ in THINGS])
    for _ in range(int(rng.integers(1, 9))):
        thing, _, (least, most) = THINGS[rng.choice(len(THINGS), p=chances / chances.sum())]
        size = float(np.exp(rng.uniform(np.log(least), np.log(most))))
        soft = float(rng.choice([0, 0, rng.uniform(0, 4)]))
        for _ in range(int(rng.choice([1, 1, 1, 4])) if most < 60 else 1):
            lay_thing(picture, thing, size, blur_px=soft)
