"""Flat pieces set in the ground of a plate: chips of stone or shell, paint, stains, crusts.

They have an outline and one colour, as an oral disc has, but neither height nor a mouth.
"""

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.view import VIEW_PX_PER_MM
from polypvision.train.lesson import Lesson

_SHARE = 0.3
"""How many plates have them."""
_MOST = 900
_SIZES_MM = (0.6, 7.0)
"""Half their length."""


def _outline(rng: np.random.Generator, *, angular: bool) -> NDArray[np.float64]:
    """Return the outline (n, 2) of one piece of half length 1 round 0, 0."""
    corners = int(rng.integers(3, 9)) if angular else 24
    around = (np.arange(corners) + rng.normal(0, 0.15, corners)) * (2 * np.pi / corners)
    away = (
        rng.uniform(0.65, 1.0, corners)
        if angular
        else 1 + 0.12 * np.sin(int(rng.integers(1, 5)) * around + rng.uniform(0, 6))
    )
    return np.stack([away * np.cos(around), away * np.sin(around) * rng.uniform(0.4, 1)], 1)


def _colours(rng: np.random.Generator) -> NDArray[np.float32]:
    """Return the factors (n, 3) by which pieces are brighter or darker than what they lie in."""
    kinds = int(rng.choice([1, 3, 8]))
    bright = np.exp(rng.normal(rng.choice([-0.6, 0.0, 0.5]), 0.6, (kinds, 1)))
    tint = np.exp(rng.normal(0, rng.uniform(0.05, 0.6), (kinds, 3)))
    return np.asarray(bright * tint, np.float32)


def _scatter(shape: tuple[int, ...], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return places and half lengths (n, 3), pixels; the large ones are laid first."""
    low, high = np.log(_SIZES_MM)
    typical, spread = np.exp(rng.uniform(low, high)), rng.uniform(0.1, 0.6)
    typical *= VIEW_PX_PER_MM
    covered = rng.choice([rng.uniform(0.02, 0.2), rng.uniform(0.2, 0.9)])
    count = int(np.clip(covered * shape[0] * shape[1] / (2.5 * typical**2), 2, _MOST))
    size = np.sort(typical * np.exp(rng.normal(0, spread, count)))[::-1]
    return np.column_stack([rng.random((count, 2)) * [shape[1], shape[0]], size])


def with_inlays(lesson: Lesson, rng: np.random.Generator) -> Lesson:
    """Return the lesson of a plate, in some the ground set with flat pieces.

    Light and shadow of the ground go on over them; polyps hide them.
    """
    if rng.random() > _SHARE:
        return lesson
    shape = lesson.owner.shape
    factors, angular = _colours(rng), rng.random() < 0.6
    outlines = [_outline(rng, angular=angular) for _ in range(16)]
    over = np.ones((*shape, 3), np.float32)
    for x, y, size in _scatter(shape, rng):
        way = rng.uniform(0, 2 * np.pi)
        turn = size * np.array([[np.cos(way), np.sin(way)], [-np.sin(way), np.cos(way)]])
        outline = outlines[int(rng.integers(len(outlines)))] @ turn + (x, y)
        own = factors[int(rng.integers(len(factors)))] * np.exp(rng.normal(0, 0.1))
        cv2.fillPoly(
            over, [np.round(outline * 16).astype(np.int32)], [float(part) for part in own], shift=4
        )
    over = cv2.GaussianBlur(over, (0, 0), float(rng.uniform(0.4, 1.5)))
    hidden = cv2.GaussianBlur((lesson.owner > 0).astype(np.float32), (0, 0), 1.0)[..., None]
    # In linear light by the curve of most pictures, near enough to sRGB's (IEC 61966-2-1).
    linear = (lesson.rgb.astype(np.float32) / 255) ** 2.2 * (over + hidden * (1 - over))
    rgb = np.clip(linear, 0, 1) ** (1 / 2.2) * 255
    return replace(lesson, rgb=np.asarray(np.round(rgb), np.uint8))
