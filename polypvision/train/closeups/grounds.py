"""Grounds and clutter of the close-up painter: all that is no disc."""

from functools import cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.srgb import to_linear
from polypvision.render.noise import Field
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

# Pictures that scikit-image carries in its package: no people, and none that a test counts.
_PHOTOS = (
    "brick.png",
    "chelsea.png",
    "coffee.png",
    "grass.png",
    "gravel.png",
    "hubble_deep_field.jpg",
    "ihc.png",
    "moon.png",
    "motorcycle_left.png",
    "retina.jpg",
    "rocket.jpg",
)


@cache
def _photo(name: str) -> NDArray[np.uint8] | None:
    path = files("skimage") / "data" / name
    if not path.is_file():
        return None
    pixels = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    return None if pixels is None else np.asarray(pixels[..., ::-1], np.uint8)


def _blurred(light: Radiance, sigma: float) -> Radiance:
    """Blur; strongly by way of a smaller picture."""
    if sigma < 0.4:
        return light
    shrink = max(int(sigma / 3), 1)
    size = (light.shape[1], light.shape[0])
    small = cv2.resize(light, (size[0] // shrink, size[1] // shrink), interpolation=cv2.INTER_AREA)
    small = blur(np.asarray(small, np.float32), sigma / shrink)
    return np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_LINEAR), np.float32)


def rock(picture: Picture, shape: tuple[int, int], *, dull: bool = False) -> Radiance:
    """Return rock or rubble with crusts, algae and sponge."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    size = rng.uniform(40, 160)
    height = noise.field(shape, size) * size * rng.uniform(0.05, 0.16)
    if rng.random() < 0.5:
        height -= np.abs(noise.field(shape, size * 0.6)) * size * 0.12
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
    deep = height - blur(height, 9)
    shelter = np.clip(1 + np.float32(rng.uniform(0.01, 0.14)) * deep, 0.15, 1.5)
    return np.asarray(light * (lamp.relief(height) * shelter)[..., None], np.float32)


def sand(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return sand, gravel, or a grainy plate of any colour."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    hue = rng.normal(0.11, 0.06) if rng.random() < 0.7 else rng.random()
    base = lamp.seen(hsv(float(hue), rng.uniform(0, 0.35), rng.uniform(0.4, 1.0)))
    grain = noise.field(shape, rng.uniform(5, 14), soft=True)
    patch = noise.field(shape, rng.uniform(60, 250))
    light = base * np.exp(rng.uniform(0.05, 0.3) * grain + rng.uniform(0, 0.3) * patch)[..., None]
    height = grain * rng.uniform(0.3, 1.2) + 3 * patch
    return np.asarray(light * lamp.relief(height.astype(np.float32))[..., None], np.float32)


def pebbles(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return round stones of all sizes: round things that are no polyps."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    light = rock(picture, shape, dull=True) * np.float32(rng.uniform(0.1, 0.8))
    radius = rng.uniform(6, 45)
    count = int(min(shape[0] * shape[1] / radius**2 * rng.uniform(0.05, 0.5), 900))
    xy = rng.random((count, 2)) * [shape[1], shape[0]]
    long = radius * np.exp(rng.normal(0, rng.uniform(0.1, 0.5), count))
    wide = long * rng.uniform(0.6, 1.0, count)
    turn = rng.uniform(0, np.pi, count)
    found = blobs(shape, xy, long, wide, turn, rng.uniform(0, radius, count))
    hue, spread = rng.random(), rng.choice([0.03, 0.1, 0.4])
    colours = np.stack(
        [
            lamp.seen(hsv(hue + rng.normal(0, spread), rng.uniform(0, 0.5), rng.uniform(0.2, 1)))
            for _ in range(24)
        ]
    )
    stone = colours[rng.integers(0, 24, count)][np.maximum(found.which, 0)]
    stone = stone * np.exp(rng.uniform(0, 0.4) * noise.field(shape, 14))[..., None]
    flat = np.sqrt(found.nz)  # flatter on top than an ellipsoid
    light_on = lamp.shade(found.nx, found.ny, flat) * (0.3 + 0.7 * step(found.nz, 0.3, 0.6))
    edge = blur(found.there.astype(np.float32), 0.6) * found.there
    return mix(light, np.asarray(stone * light_on[..., None], np.float32), edge)


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
    wall = bars(rng.uniform(-0.12, 0.12))
    light = mix(light, face * np.float32(rng.uniform(0.2, 0.7)), wall)
    stains = np.exp(0.25 * noise.field(shape, 40))[..., None]
    return mix(light, np.asarray(face * stains, np.float32), bars(0.0))


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


def other_corals(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return corals that are no discs: branch tips, ridges, or dense small star polyps."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    one, other = (living_colour(rng, lamp) for _ in "ab")
    kind = rng.choice(["branches", "ridges", "stars", "turf"])
    if kind == "ridges":
        width = rng.uniform(10, 30)
        waves = np.sin(2.2 * noise.field(shape, 4 * width, soft=True) * np.pi)
        light = mix(np.broadcast_to(one, (*shape, 3)).astype(np.float32), other, step(waves, 0, 1))
        return np.asarray(light * lamp.relief(waves * width * 0.3)[..., None], np.float32)
    size = {"branches": rng.uniform(9, 26), "stars": rng.uniform(6, 13), "turf": 3.5}[kind]
    count = int(min(shape[0] * shape[1] / size**2 * rng.uniform(0.2, 0.6), 9000))
    xy = rng.random((count, 2)) * [shape[1], shape[0]]
    lean = noise.field((64, 64), 30, soft=True)[
        (xy[:, 1] * 63 / shape[0]).astype(int), (xy[:, 0] * 63 / shape[1]).astype(int)
    ]
    wide = size * np.exp(rng.normal(0, 0.15, count)) * (0.45 if kind == "branches" else 0.6)
    long = wide * {"branches": rng.uniform(2, 5), "stars": 1.0, "turf": rng.uniform(2, 5)}[kind]
    turn = 2.5 * lean + rng.uniform(0, np.pi) + rng.normal(0, 0.3, count)
    found = blobs(shape, xy, long, wide, turn, rng.uniform(0, size, count))
    shade = lamp.shade(found.nx, found.ny, found.nz)[..., None]
    top = step(found.nz, 0.85, 0.2) if kind == "stars" else step(found.along, 0.5, 0.6)
    body = np.broadcast_to(one, (*shape, 3)).astype(np.float32)
    ground = one * np.float32(rng.uniform(0.05, 0.5))
    return mix(
        np.broadcast_to(ground, (*shape, 3)).astype(np.float32),
        np.asarray(mix(body, other, top) * shade, np.float32),
        found.there.astype(np.float32),
    )


def photo(picture: Picture, shape: tuple[int, int]) -> Radiance:
    """Return a part of some real photograph, turned, enlarged, under this lamp."""
    rng = picture.rng
    pixels = _photo(str(rng.choice(_PHOTOS)))
    if pixels is None:
        return rock(picture, shape)
    zoom = rng.uniform(0.7, 3.0) * max(shape) / min(pixels.shape[:2])
    angle = rng.uniform(0, 360)
    matrix = cv2.getRotationMatrix2D((0, 0), float(angle), float(zoom))
    inner = rng.uniform(0.25, 0.75, 2) * [pixels.shape[1], pixels.shape[0]]
    matrix[:, 2] = np.array([shape[1], shape[0]]) / 2 - matrix[:, :2] @ inner
    size = (shape[1], shape[0])
    cut = cv2.warpAffine(pixels, matrix, size, borderMode=cv2.BORDER_REFLECT)
    tint = picture.lamp.seen(np.exp(rng.normal(0, 0.3, 3)).astype(np.float32))
    return np.asarray(to_linear(np.asarray(cut, np.uint8)) * tint, np.float32)


GROUNDS = {
    "rock": rock,
    "sand": sand,
    "pebbles": pebbles,
    "egg_crate": egg_crate,
    "murk": murk,
    "other_corals": other_corals,
    "photo": photo,
}


def paint_back(picture: Picture, *, sharp: bool) -> None:
    """Fill the whole picture with some ground, in focus or far out of it."""
    rng = picture.rng
    weights = (
        [0.34, 0.14, 0.1, 0.14, 0.12, 0.06, 0.1]
        if sharp
        else [0.12, 0.1, 0.05, 0.3, 0.25, 0.12, 0.06]
    )
    name = str(rng.choice(list(GROUNDS), p=weights))
    light = GROUNDS[name](picture, picture.shape)
    sigma = rng.uniform(0, 1.5) if sharp else np.exp(rng.uniform(np.log(1.5), np.log(22)))
    dim = 1.0 if sharp else rng.choice([1.0, 0.5, 0.15])
    picture.light[:] = _blurred(np.asarray(light * np.float32(dim), np.float32), float(sigma))


def paint_photo(picture: Picture) -> None:
    """Fill the whole picture with some real photograph that shows no polyp."""
    picture.light[:] = photo(picture, picture.shape)


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


def paint_plug(picture: Picture, x: float, y: float, radius: float, *, blur_px: float) -> None:
    """Lay a round plug or a square tile seen at a slant, with its side."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    half = int(1.7 * radius)
    shape = (2 * half + 1, 2 * half + 1)
    ticks = np.arange(-half, half + 1, dtype=np.float32)
    squeeze, power = rng.uniform(0.5, 1.0), float(rng.choice([2.0, 2.0, 2.0, 8.0]))
    thick = rng.uniform(0.05, 0.5) * radius * np.sqrt(1 - squeeze**2)
    hue = rng.uniform(0.05, 0.6)
    base = lamp.seen(hsv(hue, rng.uniform(0, 0.2), rng.uniform(0.45, 1.0)))
    base = base * np.float32(rng.choice([1.0, 1.0, 0.3]))

    def top(shift: float) -> Field:
        y_up = (ticks[:, None] - shift) / squeeze
        reach = (np.abs(ticks / radius) ** power + np.abs(y_up / radius) ** power) ** (1 / power)
        return np.asarray(1 - step(reach.astype(np.float32), 1.0, 2 / radius), np.float32)

    upper, lower = top(-thick / 2), top(thick / 2)
    side = np.maximum(lower, (np.abs(ticks) < radius) * (np.abs(ticks[:, None]) < thick / 2))
    grain = noise.field(shape, rng.uniform(5, 10), soft=True)
    light = base * np.exp(rng.uniform(0.03, 0.35) * grain)[..., None]
    light = mix(light * np.float32(rng.uniform(0.25, 0.8)), light, upper)
    if rng.random() < 0.6:
        algae = step(noise.field(shape, rng.uniform(20, 120)), rng.uniform(-0.5, 1), 0.6)
        light = mix(light, living_colour(rng, lamp) * np.float32(0.5), 0.8 * algae)
    lay(
        picture,
        (round(x) - half, round(y) - half),
        np.asarray(light, np.float32),
        np.maximum(upper, side).astype(np.float32),
        blur_px=blur_px,
        shadow=0.6,
        reach_px=8,
    )


def paint_finger(picture: Picture) -> None:
    """Lay a finger reaching in from the edge: a soft capsule in some tone of skin."""
    rng, lamp = picture.rng, picture.lamp
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
    way = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ way
    length, radius = rng.uniform(20, 200), rng.uniform(40, 85)
    x, y = np.meshgrid(
        np.arange(width, dtype=np.float32) - np.float32(start[0]),
        np.arange(height, dtype=np.float32) - np.float32(start[1]),
    )
    far = np.clip(x * way[0] + y * way[1], -400, length)
    dx, dy = (x - far * way[0]) / radius, (y - far * way[1]) / radius
    square = dx * dx + dy * dy
    nz = np.sqrt(np.clip(1 - square, 0, 1)).astype(np.float32)
    skin = hsv(rng.uniform(0.0, 0.09), rng.uniform(0.2, 0.6), rng.uniform(0.25, 1.0))
    light = lamp.seen(skin) * np.exp(0.06 * picture.noise.field(picture.shape, 40))[..., None]
    light = light * (lamp.shade(dx, dy, nz) * 0.8 + 0.2)[..., None]
    cover = 1 - step(np.sqrt(square).astype(np.float32), 1.0, 3 / radius)
    before = cover > 0.5
    soft_px = float(rng.uniform(0, 4))
    lay(picture, (0, 0), np.asarray(light, np.float32), cover, blur_px=soft_px, shadow=0.3)
    picture.owner[before & (picture.owner > 0)] = 0


def paint_clutter(picture: Picture) -> None:
    """Lay a few stones, snails, bubbles of air or other round things among the discs."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    count = int(rng.integers(1, 12))
    radius = np.exp(rng.uniform(np.log(3), np.log(50), count))
    for size in radius:
        half = int(size * 1.5) + 3
        shape = (2 * half + 1, 2 * half + 1)
        middle = np.full((1, 2), float(half))
        found = blobs(
            shape,
            middle,
            np.array([size]),
            np.array([size * rng.uniform(0.55, 1)]),
            rng.uniform(0, np.pi, 1),
            np.zeros(1),
        )
        shade = lamp.shade(found.nx, found.ny, found.nz)
        colour = living_colour(rng, lamp) if rng.random() < 0.4 else lamp.seen(any_colour(rng))
        light = np.asarray(colour * shade[..., None], np.float32)
        if rng.random() < 0.5:  # whorls of a shell, or blotches
            spiral = np.sin(found.along * rng.uniform(6, 20) + found.nz * rng.uniform(-9, 9))
            light = mix(light, light * np.float32(0.4), step(spiral, 0, 1))
        else:
            light = light * np.exp(0.4 * noise.field(shape, size))[..., None]
        shine = lamp.highlight(found.nx, found.ny, found.nz, rng.uniform(10, 80))
        light = light + (rng.uniform(0, 0.8) * shine)[..., None] * lamp.colour
        cover = blur(found.there.astype(np.float32), 0.7)
        cover = cover * np.float32(rng.choice([1.0, rng.uniform(0.2, 0.7)]))
        x, y = (int(rng.integers(0, side)) for side in picture.shape[::-1])
        taken = lay(
            picture,
            (x - half, y - half),
            np.asarray(light, np.float32),
            np.asarray(cover, np.float32),
            blur_px=float(rng.choice([0, rng.uniform(0, 4)])),
            shadow=0.4,
        )
        if taken is not None:
            rows, columns, *inner = taken
            picture.owner[rows, columns][cover[inner[0], inner[1]] > 0.75] = 0
