"""Patterns of no species at all: waves, warps, grains, spots, sectors and zones by chance.

Each is a field (H, W) between 0 and 1 over a disc's angle ``theta`` and its distance from the
middle ``rho`` (1 at the margin). None means anything; together they are wide enough that no single
one of them tells a polyp from its ground.
"""

from collections.abc import Callable

import cv2
import numpy as np

from polypvision.render.noise import Field
from polypvision.train.closeups.tools import Colour, Picture, Radiance, blur, mix, step

Pattern = Callable[[Picture, Field, Field], Field]
_MOST_STOPS = 5


def _shape(field: Field) -> tuple[int, int]:
    return int(field.shape[0]), int(field.shape[1])


def _even(field: Field) -> Field:
    """Return a field stretched so that most of it lies between 0 and 1."""
    low, high = np.quantile(field[::4, ::4], [0.03, 0.97])
    return np.asarray(np.clip((field - low) / max(float(high - low), 1e-4), 0, 1), np.float32)


def _waves(picture: Picture, theta: Field, rho: Field) -> Field:
    """Add up a few waves, each its own way along angle and distance, or across the disc."""
    rng = picture.rng
    total = np.zeros_like(rho)
    flat = rng.random() < 0.4
    u, v = rho * np.cos(theta), rho * np.sin(theta)
    for _ in range(int(rng.integers(2, 6))):
        phase, strength = rng.uniform(0, 2 * np.pi), rng.normal()
        if flat:
            way, often = rng.uniform(0, np.pi), rng.uniform(3, 30)
            turn = np.float32(often * np.cos(way)) * u + np.float32(often * np.sin(way)) * v
        else:
            turn = int(rng.integers(1, 14)) * theta + np.float32(rng.normal(0, 14)) * rho
        total += np.float32(strength) * np.cos(turn + np.float32(phase))
    return _even(np.asarray(total, np.float32))


def _warped(picture: Picture, theta: Field, rho: Field) -> Field:
    """Look noise up at places that other noise has moved."""
    rng, noise, shape = picture.rng, picture.noise, _shape(rho)
    side = max(shape) / 2
    size = side * float(np.exp(rng.uniform(np.log(0.15), np.log(0.9))))
    under = noise.field(shape, size, soft=bool(rng.random() < 0.5))
    reach = np.float32(size * rng.uniform(0.2, 1.5))
    x, y = np.meshgrid(np.arange(shape[1], dtype=np.float32), np.arange(shape[0], dtype=np.float32))
    bend = size * float(rng.uniform(0.5, 2))
    moved = cv2.remap(
        under,
        x + reach * noise.field(shape, bend, soft=True),
        y + reach * noise.field(shape, bend, soft=True),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )
    return _even(np.asarray(moved, np.float32))


def _grains(picture: Picture, theta: Field, rho: Field) -> Field:
    """Return noise of one size only, coarse to fine, cut somewhere."""
    rng = picture.rng
    side = max(_shape(rho)) / 2
    size = max(side * float(np.exp(rng.uniform(np.log(0.04), np.log(0.4)))), 3.0)
    field = picture.noise.field(_shape(rho), 2 * size)
    only = blur(field, max(size / 6, 0.5)) - blur(field, max(size / 3, 1.0))
    only = only / np.float32(max(float(only.std()), 1e-4))
    return step(np.asarray(only, np.float32), float(rng.uniform(-1, 1)), float(rng.uniform(0.2, 2)))


def _dots(picture: Picture, theta: Field, rho: Field) -> Field:
    """Return spots scattered anyhow, more or larger ones to the middle or the margin."""
    rng, shape = picture.rng, _shape(rho)
    count = int(np.exp(rng.uniform(np.log(6), np.log(250))))
    drawn = np.zeros(shape, np.uint8)
    side = max(shape) / 2
    mean = side * float(rng.uniform(0.3, 0.9)) / np.sqrt(count)
    growth = float(rng.normal(0, 0.8))
    away = rng.random(count) ** float(rng.uniform(0.3, 0.8))
    around = rng.uniform(0, 2 * np.pi, count)
    middle = np.array(shape[::-1]) / 2
    for far, way in zip(away, around, strict=True):
        x, y = middle + side * far * np.array([np.cos(way), np.sin(way)])
        radius = mean * np.exp(growth * (far - 0.6) + rng.normal(0, 0.2))
        cv2.circle(drawn, (round(x), round(y)), max(round(radius), 1), 255, -1)
    return blur(np.asarray(drawn / 255, np.float32), float(rng.uniform(0.5, 0.3 * mean + 0.6)))


def _sectors(picture: Picture, theta: Field, rho: Field) -> Field:
    """Return sectors of unlike width and shade, straight or swept round the mouth."""
    rng = picture.rng
    swept = theta + np.float32(rng.choice([0.0, rng.normal(0, 2)])) * rho
    swept = swept + np.float32(rng.uniform(0, 0.3)) * picture.noise.field(
        _shape(rho), 40, soft=True
    )
    count = int(rng.integers(2, 15))
    edges = np.sort(rng.uniform(-np.pi, np.pi, count))
    turn = np.mod(swept + np.pi, 2 * np.pi) - np.pi
    shades = rng.random(count + 1).astype(np.float32)
    shades[-1] = shades[0]
    flat = np.asarray(shades[np.searchsorted(edges, turn)], np.float32)
    return blur(flat, float(rng.uniform(0.5, 3)))


def _halves(picture: Picture, theta: Field, rho: Field) -> Field:
    """Return a disc of two parts: across a wandering line, or inside and outside a wavy border."""
    rng = picture.rng
    wander = picture.noise.field(_shape(rho), 0.5 * max(_shape(rho)), soft=True)
    inner = rho if rng.random() < 0.3 else rho * np.cos(theta - np.float32(rng.uniform(0, 6.3)))
    inner = inner + np.float32(rng.uniform(0.05, 0.4)) * wander
    return step(np.asarray(inner, np.float32), float(rng.normal(0.3, 0.3)), 0.15)


def zone_borders(rng: np.random.Generator) -> np.ndarray:
    """Draw where the zones of a disc change (k,), of rho: few, uneven, up to the very margin."""
    return np.sort(rng.uniform(0.1, 0.98, int(rng.integers(1, 5))))


def wandering(picture: Picture, rho: Field) -> Field:
    """Return rho moved a little by chance, so that no border is a circle."""
    wander = picture.noise.field(_shape(rho), 0.5 * max(_shape(rho)), soft=True)
    return np.asarray(rho + np.float32(picture.rng.uniform(0, 0.08)) * wander, np.float32)


def _zones(picture: Picture, theta: Field, rho: Field) -> Field:
    """Return few zones round the mouth, sharp or fading into one another."""
    rng = picture.rng
    moved = wandering(picture, rho)
    field = np.full(rho.shape, rng.random(), np.float32)
    for border in zone_borders(rng):
        shade = np.float32(rng.random())
        field += (shade - field) * step(moved, float(border), float(rng.uniform(0.02, 0.3)))
    return field


FIELDS: dict[Pattern, float] = {
    _waves: 0.19,
    _warped: 0.17,
    _grains: 0.18,
    _dots: 0.06,  # too many, and a real mouth is taken for one more spot
    _sectors: 0.12,
    _halves: 0.08,
    _zones: 0.2,
}
"""Patterns, and how often each is worn."""


def _one_field(picture: Picture, theta: Field, rho: Field) -> Field:
    chosen = picture.rng.choice(len(FIELDS), p=list(FIELDS.values()))
    return list(FIELDS)[int(chosen)](picture, theta, rho)


def any_field(picture: Picture, theta: Field, rho: Field) -> Field:
    """Return one pattern, two together, or one within and another without, between 0 and 1."""
    rng = picture.rng
    one = _one_field(picture, theta, rho)
    if rng.random() < 0.45:
        return one
    other = _one_field(picture, theta, rho)
    how = rng.random()
    if how < 0.4:  # what a disc wears near its margin may have nothing of what it wears within
        wander = picture.noise.field(_shape(rho), 0.5 * max(_shape(rho)), soft=True)
        border = rho + np.float32(rng.uniform(0, 0.15)) * wander
        outer = step(border, float(rng.uniform(0.35, 0.85)), float(rng.uniform(0.03, 0.4)))
        return np.asarray(one + outer * (other - one), np.float32)
    how = (how - 0.4) / 0.6
    if how < 0.3:
        return np.asarray(np.maximum(one, other), np.float32)
    if how < 0.6:
        return np.asarray(np.abs(one - other), np.float32)
    return np.asarray((one + other) / 2, np.float32)


def coloured(picture: Picture, field: Field, colours: list[Colour]) -> Radiance:
    """Return a pattern through a map of two to `_MOST_STOPS` colours, its steps sharp or soft."""
    rng = picture.rng
    count = int(rng.integers(2, _MOST_STOPS + 1))
    chosen = [colours[n] for n in rng.permutation(len(colours))[:count]]
    chosen.sort(key=lambda colour: float(colour.max()), reverse=bool(rng.random() < 0.5))
    if rng.random() < 0.5:  # bright beside dark, or from dark to bright
        rng.shuffle(chosen)
    soft = float(rng.choice([0.05, rng.uniform(0.05, 0.6), 1 / len(chosen)]))
    light = np.broadcast_to(chosen[0], (*field.shape, 3)).astype(np.float32)
    for edge, colour in zip(
        np.sort(rng.uniform(0.1, 0.9, len(chosen) - 1)), chosen[1:], strict=True
    ):
        light = mix(light, colour, step(field, float(edge), soft))
    return light
