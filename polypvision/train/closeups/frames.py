"""What web pictures carry round and over the photograph: bars, frames, seams of a collage."""

import numpy as np

from polypvision.train.closeups.tools import Picture, any_colour

_UNSEEN_PX = 40
"""The painter cuts this much off every side."""


def _cover(picture: Picture, rows: slice, columns: slice, colour: np.ndarray) -> None:
    picture.light[rows, columns] = colour
    picture.owner[rows, columns] = 0


def paint_bars(picture: Picture) -> None:
    """Lay bars of one colour along two or four sides; they hide what is there."""
    rng = picture.rng
    height, width = picture.shape
    wide = _UNSEEN_PX + rng.integers(4, 90)
    high = _UNSEEN_PX + rng.integers(4, 90)
    colour = np.float32(rng.choice([0.0, 1.0])) * np.ones(3, np.float32)
    if rng.random() < 0.3:
        colour = any_colour(rng)
    sides = rng.choice(["rows", "columns", "both"])
    if sides != "columns":
        _cover(picture, slice(0, high), slice(None), colour)
        _cover(picture, slice(height - high, height), slice(None), colour)
    if sides != "rows":
        _cover(picture, slice(None), slice(0, wide), colour)
        _cover(picture, slice(None), slice(width - wide, width), colour)


def paint_seam(picture: Picture, other: np.ndarray) -> None:
    """Let another picture (H, W, 3; linear, without polyps) take one side, with or without a line.

    A collage shows several photographs edge to edge.
    """
    rng = picture.rng
    part = rng.uniform(0.12, 0.4)
    line = int(rng.integers(1, 12)) if rng.random() < 0.5 else 0
    colour = np.full(3, rng.choice([0.0, 1.0]), np.float32)
    axis = int(rng.integers(0, 2))
    length = picture.shape[axis]
    at = int(length * part) if rng.random() < 0.5 else int(length * (1 - part))
    taken = slice(0, at) if at < length / 2 else slice(at, length)
    edge = slice(max(at - line, 0), at + line)
    where, border = (
        (window, slice(None)) if axis == 0 else (slice(None), window) for window in (taken, edge)
    )
    picture.light[where] = other[where]
    picture.owner[where] = 0
    if line:
        picture.light[border] = colour
        picture.owner[border] = 0
