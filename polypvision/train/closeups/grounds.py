"""Grounds and clutter of the close-up painter: all that is no disc."""

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.render.noise import Field
from polypvision.train.closeups.clutter import paint_things
from polypvision.train.closeups.corals import other_corals
from polypvision.train.closeups.frames import paint_bars, paint_seam
from polypvision.train.closeups.hands import paint_finger
from polypvision.train.closeups.heaps import strewn
from polypvision.train.closeups.patterns import any_field, coloured
from polypvision.train.closeups.photographs import photo, use_photos, weathered
from polypvision.train.closeups.pieces import pieces
from polypvision.train.closeups.plugs import paint_plug, spotted
from polypvision.train.closeups.stones import pebbles, rock
from polypvision.train.closeups.tools import (
    Picture,
    Radiance,
    any_colour,
    blur,
    hsv,
    lay,
    living_colour,
    mix,
    step,
)

__all__ = [
    "paint_back",
    "paint_chunk",
    "paint_clutter",
    "paint_finger",
    "paint_photo",
    "paint_plug",
    "use_photos",
]


def _blurred(light: Radiance, sigma: float) -> Radiance:
    """Blur; strongly by way of a smaller picture."""
    if sigma < 0.4:
        return light
    shrink = max(int(sigma / 3), 1)
    size = (light.shape[1], light.shape[0])
    small = cv2.resize(light, (size[0] // shrink, size[1] // shrink), interpolation=cv2.INTER_AREA)
    small = blur(np.asarray(small, np.float32), sigma / shrink)
    return np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_LINEAR), np.float32)


def _lens_disc(radius: float, rim: float) -> NDArray[np.float32]:
    """Return the image of a point far out of focus, of sum 1; its rim brighter by ``rim``."""
    half = int(np.ceil(radius))
    far = np.hypot(*np.mgrid[-half : half + 1, -half : half + 1]) / radius
    kernel = np.clip((1 - far) * radius + 0.5, 0, 1)
    kernel *= 1 + rim * np.exp(-(((far - 0.9) / 0.12) ** 2))
    return np.asarray(kernel / kernel.sum(), np.float32)


def _defocused(light: Radiance, radius: float, rng: np.random.Generator) -> Radiance:
    """Blur as a lens does: every point a disc, often with a brighter rim, bright ones most."""
    shrink = max(int(radius / 6), 1)
    size = (light.shape[1], light.shape[0])
    small = cv2.resize(light, (size[0] // shrink, size[1] // shrink), interpolation=cv2.INTER_AREA)
    for _ in range(int(rng.integers(1, 40)) if rng.random() < 0.35 else 0):  # glints
        x, y = (int(rng.integers(0, side)) for side in small.shape[1::-1])
        glint = np.exp(rng.normal(0, 0.8, 3)) * np.exp(rng.uniform(0, 2.5)) * (radius / shrink) ** 2
        small[y, x] += np.asarray(glint * (small.mean() + 0.02), np.float32)
    kernel = _lens_disc(radius / shrink, float(rng.uniform(-0.3, 1.5)))
    small = np.maximum(cv2.filter2D(small, -1, kernel), 0)
    return np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_LINEAR), np.float32)


def sand(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return sand, gravel, or a grainy plate of any colour."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    hue = rng.normal(0.11, 0.06) if rng.random() < 0.7 else rng.random()
    base = lamp.seen(hsv(float(hue), rng.uniform(0, 0.35), rng.uniform(0.4, 1.0)))
    grain = noise.field(shape, rng.uniform(5, 14), soft=True)
    patch = noise.field(shape, rng.uniform(60, 250))
    light = base * np.exp(rng.uniform(0.05, 0.3) * grain + rng.uniform(0, 0.3) * patch)[..., None]
    height = np.asarray(grain * rng.uniform(0.3, 1.2) + 3 * patch, np.float32)
    if rng.random() < 0.5:
        light = weathered(picture, np.asarray(light, np.float32), height)
    return np.asarray(light * lamp.relief(height)[..., None], np.float32)


def egg_crate(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return a lattice in perspective, bright or dark bars over dark or lit holes."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    pitch, bar = rng.uniform(35, 150), rng.uniform(0.06, 0.17)
    angle = rng.normal(0, 0.25) if rng.random() < 0.7 else rng.uniform(0, np.pi)
    x, y = np.meshgrid(
        np.arange(shape[1], dtype=np.float32) - shape[1] / 2,
        np.arange(shape[0], dtype=np.float32) - shape[0] / 2,
    )
    tilt = rng.normal(0, 0.35, 2) / max(shape)
    depth = np.maximum(1 + tilt[0] * x + tilt[1] * y, 0.3) * pitch
    c, s = np.cos(angle), np.sin(angle)
    squash = rng.uniform(0.55, 1.0)
    u, v = (x * c - y * s) / depth, (x * s + y * c) / (depth * squash)

    def bars(shift: float) -> Field:
        near = [np.abs(np.mod(axis + shift, 1.0) - 0.5) for axis in (u, v)]
        return np.asarray(1 - step(np.minimum(*near), bar, 2.0 / pitch), np.float32)

    face = lamp.seen(hsv(rng.uniform(0.1, 0.6), rng.uniform(0, 0.2), rng.uniform(0.15, 1.0)))
    hole = lamp.seen(any_colour(rng)) * np.float32(rng.choice([0.02, 0.1, 0.6]))
    light = np.broadcast_to(hole, (*shape, 3)).astype(np.float32)
    light = light * np.exp(0.4 * noise.field(shape, pitch))[..., None]
    if rng.random() < 0.4:  # some holes lit from below, some not
        cell = (np.floor(u + 0.5) * 7 + np.floor(v + 0.5) * 13).astype(np.int64) % 101
        lit = np.exp(rng.normal(0, rng.uniform(0.3, 1.5), 101)).astype(np.float32)
        light = light * lit[cell][..., None]
    wall = bars(rng.uniform(-0.12, 0.12))
    light = mix(light, face * np.float32(rng.uniform(0.2, 0.7)), wall)
    upper = bars(0.0)
    top = np.asarray(face * np.exp(0.25 * noise.field(shape, 40))[..., None], np.float32)
    if rng.random() < 0.4:
        top = weathered(picture, top)
    if rng.random() < 0.3:
        top = spotted(picture, top, pitch)
    bevel = np.float32(pitch * rng.uniform(0, 0.06)) * blur(upper, 0.02 * pitch + 0.5)
    return mix(light, np.asarray(top * lamp.relief(bevel)[..., None], np.float32), upper)


def rack(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return a plate with rows of round holes, in perspective; some of them with a plug in."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    pitch, squeeze = rng.uniform(45, 170), rng.uniform(0.5, 1.0)
    x, y = np.meshgrid(
        np.arange(shape[1], dtype=np.float32) - shape[1] / 2,
        np.arange(shape[0], dtype=np.float32) - shape[0] / 2,
    )
    angle, tilt = rng.uniform(0, np.pi), rng.normal(0, 0.3) / max(shape)
    depth = np.maximum(1 + tilt * y, 0.3) * pitch
    c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    u, v = (x * c - y * s / squeeze) / depth, (x * s + y * c / squeeze) / depth
    if rng.random() < 0.4:
        u = u + 0.5 * np.mod(np.floor(v + 0.5), 2)
    column, row = np.floor(u + 0.5), np.floor(v + 0.5)
    far = np.hypot(u - column, v - row).astype(np.float32) / np.float32(rng.uniform(0.15, 0.4))
    cell = (column * 7 + row * 13).astype(np.int64) % 101
    soft = 4 / pitch
    inside = 1 - step(far, 1.0, 2.5 * soft)
    plate = lamp.seen(any_colour(rng)) * np.float32(rng.choice([0.05, 0.5, 1.0]))
    light = plate * np.exp(rng.uniform(0, 0.2) * noise.field(shape, 60))[..., None]
    if rng.random() < 0.5:
        light = weathered(picture, np.asarray(light, np.float32), strength=0.7)
    below = lamp.seen(any_colour(rng)) * np.float32(rng.choice([0.02, 0.1, 0.5]))
    plug = lamp.seen(hsv(rng.uniform(0.05, 0.6), rng.uniform(0, 0.2), rng.uniform(0.4, 1)))
    filled = (rng.random(101) < rng.choice([0.0, 0.3, 0.7]))[cell].astype(np.float32)
    content = mix(np.broadcast_to(below, (*shape, 3)).astype(np.float32), plug, filled)
    light = mix(np.asarray(light, np.float32), content, inside)
    height = blur(filled - 1 + (1 - inside) * rng.uniform(0.2, 1.2), 1.0)
    return np.asarray(light * lamp.relief(height * np.float32(3.0))[..., None], np.float32)


def murk(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return water, a dark mat or a plain wall."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    one, other = (
        lamp.seen(any_colour(rng)) * np.float32(rng.choice([0.0, 0.03, 0.2, 0.8])) for _ in "ab"
    )
    weight = step(noise.field(shape, rng.uniform(150, 600), soft=True), 0, rng.uniform(0.5, 3))
    light = mix(np.broadcast_to(one, (*shape, 3)).astype(np.float32), other, weight)
    if rng.random() < 0.3:
        light = light * np.exp(0.3 * noise.field(shape, 6, soft=True))[..., None]
    return np.asarray(light, np.float32)


def patterned(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return a ground in some pattern of no species: what discs wear, a ground may wear too."""
    rng, lamp = picture.rng, picture.lamp
    times = int(rng.integers(1, 4))
    small = -(-shape[0] // times), -(-shape[1] // times)
    # Its middle lies far outside: no pattern closes round a point, as it does on a disc.
    way = rng.uniform(0, 2 * np.pi)
    middle = (0.5 + rng.uniform(1.0, 2.5) * np.array([np.sin(way), np.cos(way)])) * small
    y, x = np.ogrid[: small[0], : small[1]]
    down, across = (y - middle[0]).astype(np.float32), (x - middle[1]).astype(np.float32)
    reach = np.float32(max(small) * rng.uniform(0.5, 2))
    field = any_field(picture, np.arctan2(down, across), np.hypot(down, across) / reach)
    colours = [
        living_colour(rng, lamp) if rng.random() < 0.4 else lamp.seen(any_colour(rng))
        for _ in range(6)
    ]
    spare = [(0, side - part) for side, part in zip(shape, small, strict=True)]
    whole = np.pad(coloured(picture, field, colours), [*spare, (0, 0)], mode="symmetric")
    height = np.pad(field, spare, mode="symmetric") * np.float32(rng.normal(0, 4))
    if rng.random() < 0.5:
        whole = weathered(picture, np.asarray(whole, np.float32), strength=0.5)
    return np.asarray(whole * lamp.relief(blur(height, 1.0))[..., None], np.float32)


GROUNDS = {
    "rock": rock,
    "sand": sand,
    "pebbles": pebbles,
    "egg_crate": egg_crate,
    "rack": rack,
    "murk": murk,
    "other_corals": other_corals,
    "photo": photo,
    "strewn": strewn,
    "pieces": pieces,
    "patterned": patterned,
}


def paint_back(picture: Picture, *, sharp: bool) -> None:
    """Fill the whole picture with some ground, in focus or far out of it."""
    rng = picture.rng
    weights = np.array(
        [0.16, 0.06, 0.13, 0.08, 0.04, 0.06, 0.08, 0.11, 0.06, 0.08, 0.14]
        if sharp
        else [0.1, 0.07, 0.05, 0.25, 0.05, 0.16, 0.08, 0.1, 0.03, 0.06, 0.05]
    )
    if picture.natural:
        weights[list(GROUNDS).index("patterned")] = 0
    elif picture.motley:
        weights[list(GROUNDS).index("patterned")] = 2
    name = str(rng.choice(list(GROUNDS), p=weights / weights.sum()))
    light = GROUNDS[name](picture, picture.shape)
    sigma = rng.uniform(0, 1.5) if sharp else np.exp(rng.uniform(np.log(1.5), np.log(22)))
    dim = 1.0 if sharp else rng.choice([1.0, 0.5, 0.15])
    light = np.asarray(light * np.float32(dim), np.float32)
    if sigma > 3 and rng.random() < 0.6:
        picture.light[:] = _defocused(light, 2.0 * float(sigma), rng)
    else:
        picture.light[:] = _blurred(light, float(sigma))


def paint_photo(picture: Picture) -> None:
    """Fill the picture with a real photograph, or pieces, that is no polyp; often things on it."""
    rng = picture.rng
    filled = pieces if rng.random() < 0.35 else photo
    picture.light[:] = filled(picture, picture.shape)
    if rng.random() < 0.5:
        paint_things(picture)
    if rng.random() < 0.15:
        paint_bars(picture)


def paint_clutter(picture: Picture) -> None:
    """Lay things that are no polyps; over discs sometimes a frame's bars or a collage's seam."""
    rng = picture.rng
    paint_things(picture)
    if not picture.owner.any():
        return
    chance = rng.random()
    if chance < 0.12:
        paint_bars(picture)
    elif chance < 0.24:
        other = GROUNDS[str(rng.choice(list(GROUNDS)))](picture, picture.shape)
        paint_seam(picture, other)


def paint_chunk(picture: Picture, x: float, y: float, radius: float) -> None:
    """Lay a piece of rock with a ragged outline."""
    rng = picture.rng
    left, top = max(int(x - 1.5 * radius), 0), max(int(y - 1.5 * radius), 0)
    right = min(int(x + 1.5 * radius), picture.shape[1])
    bottom = min(int(y + 1.5 * radius), picture.shape[0])
    shape = (bottom - top, right - left)
    across = np.arange(left, right, dtype=np.float32) - np.float32(x)
    down = np.arange(top, bottom, dtype=np.float32)[:, None] - np.float32(y)
    angle = rng.uniform(0, np.pi)
    u = across * np.cos(angle) + down * np.sin(angle)
    v = (down * np.cos(angle) - across * np.sin(angle)) * rng.uniform(1.0, 1.6)
    power = rng.choice([2, 2, 4])
    u, v = (axis.astype(np.float32) / np.float32(radius) for axis in (u, v))
    reach = np.hypot(u, v) if power == 2 else (u**4 + v**4) ** 0.25
    reach = reach + rng.uniform(0.02, 0.14) * picture.noise.field(shape, radius * 0.5)
    cover = 1 - step(np.asarray(reach, np.float32), 1.0, 3 / radius)
    choice = rng.random()
    light = sand(picture, shape) if choice < 0.15 else rock(picture, shape)
    if choice > 0.9:
        light = other_corals(picture, shape)
    light = light * (1 - 0.6 * np.clip(reach, 0, 1) ** 6)[..., None]
    lay(
        picture,
        (left, top),
        np.asarray(light, np.float32),
        cover,
        blur_px=float(rng.choice([0.0, rng.uniform(0, 2)])),
        shadow=0.6,
        reach_px=12,
    )
