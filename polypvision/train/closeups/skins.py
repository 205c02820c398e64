"""Skins of the close-up painter's discs that no species is known to wear.

A reader that has only seen skins as keepers have them takes a new morph's for a stone. These teach
that a disc is one by its margin, its mouth and its light, whatever its pattern (textures changed by
chance: Geirhos R et al. 2019, ICLR 2019, from memory).
"""

import cv2
import numpy as np

from polypvision.render.noise import Field
from polypvision.train.closeups.kinds import Kind
from polypvision.train.closeups.patterns import any_field, coloured, wandering, zone_borders
from polypvision.train.closeups.photographs import photo
from polypvision.train.closeups.tools import (
    Colour,
    Picture,
    Radiance,
    any_colour,
    blur,
    grey,
    mix,
    step,
    times,
)

_FEWEST, _MOST = 30, 400
"""Cells of a skin."""


def _two_colours(kind: Kind, weight: Field) -> Radiance:
    shape = (int(weight.shape[0]), int(weight.shape[1]))
    under = np.broadcast_to(kind.bases[0], (*shape, 3)).astype(np.float32)
    return mix(under, kind.tips[0], weight)


def _photographed(kind: Kind, picture: Picture, theta: Field, rho: Field) -> tuple[Radiance, Field]:
    """Return some photograph's pattern; flat, or bent round the mouth."""
    rng = picture.rng
    shape = (int(rho.shape[0]), int(rho.shape[1]))
    light = photo(picture, shape)
    if rng.random() < 0.5:
        turns = float(rng.integers(1, 5))  # so often the pattern is mirrored round the mouth
        around = np.abs((theta * (turns / np.pi)) % 2 - 1) * np.float32(shape[1] - 1)
        light = cv2.remap(
            light,
            np.asarray(around, np.float32),
            np.asarray(np.minimum(rho, 1.2) / 1.2 * (shape[0] - 1), np.float32),
            cv2.INTER_LINEAR,
        ).astype(np.float32)
    dark, bright = np.quantile(grey(light), [0.1, 0.9])
    pattern = np.clip((grey(light) - dark) / max(bright - dark, 1e-4), 0, 1).astype(np.float32)
    choice = rng.random()
    if choice < 0.4:
        light = _two_colours(kind, pattern)
    elif choice < 0.6:
        light = coloured(picture, pattern, _palette(kind))
    elif choice < 0.8:  # its own colours, changed for one another, flatter or harsher
        swapped = np.ascontiguousarray(light[..., rng.permutation(3)])
        mean = grey(swapped).mean() + np.float32(1e-4)
        hard = float(np.exp(rng.normal(0.2, 0.5)))
        light = np.asarray(mean * (np.maximum(swapped, 1e-5) / mean) ** hard, np.float32)
        light = np.minimum(light, 4 * mean)
    return light, pattern


def _palette(kind: Kind) -> list[Colour]:
    return [*kind.tips, *kind.bases, kind.rim_colour, kind.lips, kind.ring_colours[0]]


def _composed(kind: Kind, picture: Picture, theta: Field, rho: Field) -> tuple[Radiance, Field]:
    """Return some pattern of no species through a map of the clone's colours."""
    pattern = any_field(picture, theta, rho)
    return coloured(picture, pattern, _palette(kind)), pattern


def _cells(kind: Kind, picture: Picture, theta: Field, rho: Field) -> tuple[Radiance, Field]:
    """Return cells of many shades with lines between them, larger or smaller to the margin."""
    rng = picture.rng
    count = int(np.exp(rng.uniform(np.log(_FEWEST), np.log(_MOST))))
    seeds = np.full(rho.shape, 255, np.uint8)
    away = 1.1 * rng.random(count) ** rng.uniform(0.35, 0.9)
    # Nearest pixels of the disc to places by angle and rho: sampled, for the way back is not known.
    rows, columns = (rng.integers(0, side, 40 * count) for side in rho.shape)
    chosen = np.argsort(np.abs(rho[rows, columns] - np.resize(away, 40 * count)))[:count]
    seeds[rows[chosen], columns[chosen]] = 0
    distance, cells = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    shades = rng.random(int(cells.max()) + 1).astype(np.float32)
    if rng.random() < 0.5:
        shades = np.round(shades)
    light = _two_colours(kind, blur(shades[cells], 0.7))
    edge = np.clip(np.abs(cv2.Laplacian(distance, cv2.CV_32F)), 0, 1).astype(np.float32)
    light = times(light, 1 - np.float32(rng.uniform(0, 0.8)) * blur(edge, 0.8))
    return light, blur(np.asarray(distance / max(float(distance.max()), 1.0), np.float32), 1.0)


def _chequered(kind: Kind, picture: Picture, theta: Field, rho: Field) -> tuple[Radiance, Field]:
    """Return rings crossed by rays: a board bent round the mouth, even, sparse or washed out."""
    rng = picture.rng
    bent = theta + 0.15 * picture.noise.field((int(rho.shape[0]), int(rho.shape[1])), 60, soft=True)
    rays = np.cos(int(rng.integers(3, 26)) * bent)
    away = np.maximum(rho, 0) ** rng.uniform(0.5, 1.5)
    rings = np.cos(2 * np.pi * (rng.uniform(1.5, 8) * away + rng.random()))
    both = rays * rings if rng.random() < 0.5 else np.minimum(rays, rings)
    level, soft = float(rng.uniform(-0.4, 0.5)), float(rng.uniform(0.1, 1.2))
    pattern = step(np.asarray(both, np.float32), level, soft)
    return _two_colours(kind, pattern), pattern


def _marbled(kind: Kind, picture: Picture, theta: Field, rho: Field) -> tuple[Radiance, Field]:
    """Return blotches of two to four colours, flowing or lying round the mouth."""
    rng, noise = picture.rng, picture.noise
    shape = (int(rho.shape[0]), int(rho.shape[1]))
    colours = [*kind.tips, *kind.bases, kind.rim_colour, kind.lips]
    light = np.broadcast_to(colours[0], (*shape, 3)).astype(np.float32)
    size = float(np.exp(rng.uniform(np.log(0.06), np.log(0.7)))) * max(shape) / 2
    pattern = np.zeros(shape, np.float32)
    for _ in range(int(rng.integers(1, 4))):
        if rng.random() < 0.4:
            field = noise.polar(theta, rho, float(rng.uniform(4, 40)), float(rng.uniform(0.5, 6)))
        else:
            field = noise.field(shape, max(size, 4))
        where = step(field, float(rng.uniform(-0.5, 1.0)), float(rng.uniform(0.1, 0.9)))
        light = mix(light, colours[int(rng.integers(1, len(colours)))], where)
        pattern = np.maximum(pattern, where)
    return light, pattern


def _banded(kind: Kind, picture: Picture, theta: Field, rho: Field) -> tuple[Radiance, Field]:
    """Return bands, straight, waving, as wedges or round a point beside the mouth."""
    rng, noise = picture.rng, picture.noise
    shape = (int(rho.shape[0]), int(rho.shape[1]))
    turn = rng.uniform(0, np.pi)
    u, v = rho * np.cos(theta - np.float32(turn)), rho * np.sin(theta - np.float32(turn))
    along = (u, np.hypot(u - 1.2, v), np.asarray(theta, np.float32))[int(rng.integers(3))]
    along = along + rng.uniform(0, 0.15) * noise.field(shape, 0.3 * max(shape), soft=True)
    waves = np.cos(np.float32(rng.uniform(5, 40)) * along)
    pattern = step(np.asarray(waves, np.float32), float(rng.uniform(-0.6, 0.6)), 0.5)
    return _two_colours(kind, pattern), pattern


def _zoned(kind: Kind, picture: Picture, theta: Field, rho: Field) -> tuple[Radiance, Field]:
    """Return few zones round the mouth; the outermost may look as any ground does."""
    rng = picture.rng
    moved, borders = wandering(picture, rho), zone_borders(rng)
    colours = [_palette(kind)[n] for n in rng.permutation(len(_palette(kind)))]
    outer = rng.random()  # an oral disc ends at its margin, not where its bright zones do
    if outer < 0.35:
        dull = picture.lamp.seen(any_colour(rng)) * np.float32(rng.uniform(0.1, 1.0))
        colours[len(borders)] = np.asarray(dull, np.float32)
    elif outer < 0.7:
        colours[len(borders)] = kind.ring_colours[-1]
    light = np.broadcast_to(colours[0], (*rho.shape, 3)).astype(np.float32)
    pattern = np.zeros(rho.shape, np.float32)
    for border, colour in zip(borders, colours[1:], strict=False):
        beyond = step(moved, float(border), float(rng.uniform(0.02, 0.25)))
        light = mix(light, colour, beyond)
        pattern = pattern + np.float32(rng.normal()) * beyond
    return light, pattern


_SKINS = {
    "photographed": _photographed,
    "cells": _cells,
    "chequered": _chequered,
    "marbled": _marbled,
    "banded": _banded,
    "composed": _composed,
    "zoned": _zoned,
}


def lay_skin(
    kind: Kind, picture: Picture, light: Radiance, theta: Field, rho: Field, radius: float
) -> tuple[Radiance, Field]:
    """Return a disc's light with its skin over it, and the skin's relief, pixels."""
    over, pattern = _SKINS[kind.skin](kind, picture, theta, rho)
    height = pattern * np.float32(picture.rng.normal(0, 0.03) * radius)
    weight = np.full(rho.shape, picture.rng.uniform(0.6, 1.0), np.float32)
    return mix(light, over, weight), np.asarray(height, np.float32)
