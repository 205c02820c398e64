"""Smooth random fields for textures, cheap at any size."""

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]


def cloud(
    shape: tuple[int, int], scale_px: float, rng: np.random.Generator, *, octaves: int = 3
) -> Field:
    """Return smooth noise (H, W) of about zero mean and unit standard deviation.

    Parameters
    ----------
    shape : tuple of 2 ints
    scale_px : float
        Size of the largest blobs, pixels.
    octaves : int
        Each next one has half the size and 0.6 of the strength.
    """
    total = np.zeros(shape, dtype=np.float32)
    weight = 0.0
    for octave in range(octaves):
        size = max(scale_px / 2**octave, 1.0)
        grid = (int(shape[0] / size) + 4, int(shape[1] / size) + 4)
        small = rng.standard_normal(grid, dtype=np.float32)
        whole = (max(int(grid[1] * size), shape[1]), max(int(grid[0] * size), shape[0]))
        large = cv2.resize(small, whole, interpolation=cv2.INTER_CUBIC)
        strength = 0.6**octave
        total += strength * large[: shape[0], : shape[1]]
        # Interpolation between grid values halves the variance, about.
        weight += 0.5 * strength**2
    return np.asarray(total / np.sqrt(weight), dtype=np.float32)


def grain(shape: tuple[int, int], sigma_px: float, rng: np.random.Generator) -> Field:
    """Return fine noise (H, W) of unit standard deviation, blurred by ``sigma_px``."""
    noise = rng.standard_normal(shape, dtype=np.float32)
    if sigma_px > 0:
        noise = np.asarray(cv2.GaussianBlur(noise, (0, 0), sigma_px), dtype=np.float32)
        noise /= max(float(noise[:256, :256].std()), 1e-6)
    return noise


def specks(
    shape: tuple[int, int], count: int, size_px: tuple[float, float], rng: np.random.Generator
) -> Field:
    """Return a mask (H, W), 0 to 1, of ``count`` small roundish specks."""
    mask = np.zeros(shape, dtype=np.uint8)
    for _ in range(count):
        x, y = rng.integers(0, shape[1]), rng.integers(0, shape[0])
        a, b = rng.uniform(*size_px, size=2)
        cv2.ellipse(
            mask,
            (int(x * 16), int(y * 16)),
            (int(a * 8), int(b * 8)),
            float(rng.uniform(0, 180)),
            0,
            360,
            255,
            -1,
            cv2.LINE_AA,
            4,
        )
    return np.asarray(mask, dtype=np.float32) / np.float32(255)


def look_up(tile: Field, u: Field, v: Field) -> Field:
    """Return a noise tile's values at ``u, v`` in tile widths, the tile repeated by mirroring."""
    height, width = tile.shape
    return np.asarray(
        cv2.remap(
            tile,
            np.asarray(u * width, dtype=np.float32),
            np.asarray(v * height, dtype=np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT_101,
        ),
        dtype=np.float32,
    )
