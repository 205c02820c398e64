"""Other corals round the close-up painter's discs: up to their margins, or out of focus behind."""

import numpy as np

from polypvision.train.closeups.corals import other_corals
from polypvision.train.closeups.form import Disc
from polypvision.train.closeups.tools import Picture, lay, step


def _patch(picture: Picture, x: float, y: float, radius: float, blur_px: float) -> None:
    """Lay one colony of another coral with a wavy margin, domed a little."""
    rng = picture.rng
    half = int(1.4 * radius) + 2
    side = 2 * half + 1
    shape = (side, side)
    ticks = np.arange(side, dtype=np.float32) - half
    turn = rng.uniform(0, np.pi)
    u = ticks * np.cos(turn) + ticks[:, None] * np.sin(turn)
    v = (ticks[:, None] * np.cos(turn) - ticks * np.sin(turn)) * rng.uniform(1.0, 1.7)
    reach = np.hypot(u, v).astype(np.float32) / np.float32(radius)
    reach += rng.uniform(0.04, 0.15) * picture.noise.field(shape, 0.6 * radius, soft=True)
    cover = 1 - step(reach, 1.0, 3 / radius)
    light = other_corals(picture, shape) * (1 - 0.5 * np.clip(reach, 0, 1) ** 4)[..., None]
    corner = (round(x) - half, round(y) - half)
    lay(
        picture,
        corner,
        np.asarray(light, np.float32),
        cover,
        blur_px=blur_px,
        shadow=0.5,
        reach_px=8,
    )


def paint_neighbours(picture: Picture, discs: list[Disc]) -> None:
    """Lay other corals round discs that are painted afterwards, and so lie over them."""
    rng = picture.rng
    for _ in range(int(rng.integers(1, 5))):
        disc = discs[int(rng.integers(len(discs)))]
        radius = float(np.clip(disc.radius * rng.uniform(0.5, 2.5), 25, 170))
        away = rng.uniform(0.4, 1.2) * (disc.radius + radius)
        angle = rng.uniform(0, 2 * np.pi)
        x, y = disc.x + away * np.cos(angle), disc.y + away * np.sin(angle)
        _patch(picture, x, y, radius, float(rng.choice([0.0, rng.uniform(0, 1)])))


def paint_far_corals(picture: Picture) -> None:
    """Lay colonies of other corals a little or far out of focus, before any disc is painted."""
    rng = picture.rng
    for _ in range(int(rng.integers(1, 4))):
        x, y = rng.random(2) * picture.shape[::-1]
        radius = float(np.exp(rng.uniform(np.log(50), np.log(220))))
        _patch(picture, float(x), float(y), radius, float(np.exp(rng.uniform(0, np.log(9)))))
