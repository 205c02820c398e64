"""Discs of held-out close-ups: beads in spirals, many rings, a maze of ridges, fringes of clubs."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.render.noise import Field
from polypvision.train.closeups.tools import (
    Colour,
    Picture,
    Points,
    Radiance,
    blur,
    lay,
    living_colour,
    mix,
    step,
)


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where a disc lies, pixels; ``squeeze`` is its short axis over its long one, by slant."""

    x: float
    y: float
    radius: float
    squeeze: float
    turn: float
    mouths: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Clone:
    """What the discs of one clone have in common."""

    skin: str
    colours: tuple[Colour, ...]
    count: int
    twist: float
    lobes: float
    dome: float
    mouth_size: float
    bright_mouth: bool


def any_clone(picture: Picture, skin: str) -> Clone:
    """Draw a clone's looks."""
    rng = picture.rng
    several = [living_colour(rng, picture.lamp) for _ in range(8)]
    several.sort(key=lambda colour: float(colour.max()))
    dark, bright = several[:4], several[4:]
    # Next to each other stand a dull and a vivid colour, so that the pattern shows.
    colours = tuple(part for pair in zip(bright, dark, strict=True) for part in pair)
    return Clone(
        skin=skin,
        colours=colours,
        count=int(rng.integers(9, 22)),
        twist=float(rng.choice([-1, 1]) * rng.uniform(1.5, 4.0)),
        lobes=float(rng.uniform(0.0, 0.07)),
        dome=float(rng.uniform(-0.3, 0.4)),
        mouth_size=float(rng.uniform(0.05, 0.095)),
        bright_mouth=bool(rng.random() < 0.4),
    )


Skin = Callable[[Picture, Clone, Field, Field, float], tuple[Radiance, Field]]


def _plain(shape: tuple[int, int], colour: Colour) -> Radiance:
    return np.broadcast_to(colour, (*shape, 3)).astype(np.float32)


def _shape(field: Field) -> tuple[int, int]:
    return int(field.shape[0]), int(field.shape[1])


def _spiral(
    picture: Picture, clone: Clone, theta: Field, rho: Field, radius: float
) -> tuple[Radiance, Field]:
    """Beads along spiral arms, as florets of a sunflower stand."""
    turns = clone.twist * np.log(np.maximum(rho, 0.03))
    arms = np.cos(clone.count * (theta + turns))
    steps = np.cos(clone.count * (theta - 0.6 * turns))
    bead = np.clip((arms + steps) / 2, 0, 1) * step(rho, 0.16, 0.1)
    light = mix(_plain(_shape(rho), clone.colours[1]), clone.colours[0], np.sqrt(bead))
    return light, np.asarray(bead * 0.09 * radius * (0.4 + rho), np.float32)


def _rings(
    picture: Picture, clone: Clone, theta: Field, rho: Field, radius: float
) -> tuple[Radiance, Field]:
    """Many narrow rings of alternating colours, broken by dashes along the radii."""
    number = 6 + clone.count // 4
    place = rho * number + 0.25 * picture.noise.field(_shape(rho), 0.5 * radius)
    light = _plain(_shape(rho), clone.colours[0])
    for ring in range(1, number + 1):
        light = mix(light, clone.colours[ring % 8], step(np.asarray(place, np.float32), ring, 0.25))
    dashes = step(np.asarray(np.cos(3 * clone.count * theta), np.float32), 0.7, 0.3)
    light = mix(light, clone.colours[2], np.asarray(0.5 * dashes * (place % 2 > 1), np.float32))
    return light, np.asarray(0.012 * radius * np.sin(2 * np.pi * place), np.float32)


def _maze(
    picture: Picture, clone: Clone, theta: Field, rho: Field, radius: float
) -> tuple[Radiance, Field]:
    """Winding ridges that never cross, as a brain has."""
    field = picture.noise.field(_shape(rho), radius * (0.25 + 0.2 * rho.mean()), soft=True)
    ridge = np.asarray(0.5 + 0.5 * np.sin(5 * field), np.float32)
    light = mix(_plain(_shape(rho), clone.colours[1]), clone.colours[0], ridge)
    light = mix(light, clone.colours[2], step(rho, 0.9, 0.06))
    return light, np.asarray(ridge * 0.06 * radius, np.float32)


def _clubs(
    picture: Picture, clone: Clone, theta: Field, rho: Field, radius: float
) -> tuple[Radiance, Field]:
    """A smooth face inside a fringe of two rows of clubs with round ends."""
    face = mix(_plain(_shape(rho), clone.colours[0]), clone.colours[3], step(rho, 0.35, 0.2))
    height = np.zeros_like(rho)
    light = face
    for row, inner in enumerate((0.70, 0.55)):
        wave = np.cos(clone.count * (theta + row * np.pi / clone.count))
        outer = 0.99 - 0.14 * row
        half = np.clip((rho - inner) / (outer - inner), 0, 1)
        # Thin at the stem, round at the end.
        thick = np.sqrt(np.clip(np.sin(np.pi * half**2.2), 0, 1))
        there = step(np.asarray(wave - 1 + 1.5 * thick, np.float32), 0.0, 0.25)
        tip = mix(_plain(_shape(rho), clone.colours[3]), clone.colours[2 * row + 2 - row], half)
        light = mix(light, tip, there * step(half, 0.02, 0.04))
        height = height + there * thick * 0.05 * radius
    gaps = step(rho, 0.78, 0.08) * (1 - step(height, 0.008 * radius, 0.02 * radius))
    return light * (1 - 0.8 * gaps)[..., None], np.asarray(height, np.float32)


SKINS: dict[str, Skin] = {"spiral": _spiral, "rings": _rings, "maze": _maze, "clubs": _clubs}


def _outline(clone: Clone, mouths: int, rng: np.random.Generator) -> Points:
    theta = np.arange(360) * (2 * np.pi / 360)
    outline = np.ones(360)
    for order in range(2, 8):
        outline += clone.lobes * rng.normal() / order * np.cos(order * theta + rng.uniform(0, 6.3))
    if mouths > 1:  # lengthened along the line of its mouths
        outline += rng.uniform(0.08, 0.25) * np.cos(2 * theta)
    return np.asarray(outline / np.sqrt(np.mean(outline**2)))


def _paint_mouths(light: Radiance, clone: Clone, places: Points, u: Points, v: Points) -> Radiance:
    size = clone.mouth_size
    for mu, mv in places:
        reach = np.asarray(np.hypot(u - mu, (v - mv) * 1.4) / size, np.float32)
        slit = np.asarray(np.hypot(u - mu, (v - mv) * 3.5) / size, np.float32)
        light = mix(light, clone.colours[4], 0.8 * (1 - step(reach, 1.5, 0.5)))
        inside = clone.colours[6] if clone.bright_mouth else clone.colours[1] * np.float32(0.1)
        light = mix(light, np.asarray(inside, np.float32), 1 - step(slit, 0.9, 0.3))
    return light


def paint(
    picture: Picture, clone: Clone, disc: Place, number: int
) -> tuple[NDArray[np.bool_], Points]:
    """Paint a disc; return where it is (H, W) before others hide it, and its mouths (m, 2)."""
    rng = picture.rng
    outline = _outline(clone, disc.mouths, rng)
    half = int(1.35 * disc.radius) + 6
    corner = (round(disc.x) - half, round(disc.y) - half)
    x, y = np.meshgrid(*[np.arange(2 * half + 1, dtype=np.float32)] * 2)
    x, y = x + np.float32(corner[0] - disc.x), y + np.float32(corner[1] - disc.y)
    c, s = np.float32(np.cos(disc.turn)), np.float32(np.sin(disc.turn))
    radius = np.float32(disc.radius)
    u = np.asarray((x * c + y * s) / radius, np.float64)
    v = np.asarray((y * c - x * s) / (radius * disc.squeeze), np.float64)
    theta = np.asarray(np.arctan2(v, u), np.float32)
    edge = outline[(np.mod(theta, 2 * np.pi) * (180 / np.pi)).astype(int) % 360]
    rho = np.asarray(np.hypot(u, v) / edge, np.float32)
    light, height = SKINS[clone.skin](picture, clone, theta, rho, disc.radius)
    blotch = 0.12 * picture.noise.field(_shape(rho), 0.6 * disc.radius)
    light = light * np.exp(blotch)[..., None]
    along = (np.arange(disc.mouths) - (disc.mouths - 1) / 2) * rng.uniform(0.35, 0.55)
    mouths = np.stack([along, rng.normal(0, 0.02, disc.mouths)], 1)
    light = _paint_mouths(np.asarray(light, np.float32), clone, mouths, u, v)
    bowl = clone.dome * 0.6 * disc.radius * np.sqrt(np.clip(1 - rho**2, 0, 1))
    shade = np.clip(picture.lamp.relief(np.asarray(height + bowl, np.float32)), 0.2, 1.9)
    light = light * (shade * (1 - 0.35 * step(rho, 1.0, 0.15)))[..., None]
    body = rho < 1
    taken = lay(
        picture, corner, np.asarray(light, np.float32), blur(body.astype(np.float32), 0.6),
        shadow=0.6, reach_px=0.05 * disc.radius + 2,
    )  # fmt: skip
    whole = np.zeros(picture.shape, np.bool_)
    if taken is not None:
        rows, columns, *inner = taken
        whole[rows, columns] = body[inner[0], inner[1]]
        picture.owner[whole] = number
    # Back from the disc's own axes to the picture's.
    mu, mv = mouths[:, 0] * disc.radius, mouths[:, 1] * disc.radius * disc.squeeze
    return whole, np.stack([disc.x + mu * c - mv * s, disc.y + mu * s + mv * c], 1)
