"""One lesson: a view and what the reader should say of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LESSON_PX = 960
"""Side of a lesson, view pixels: 160 mm."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Lesson:
    """One view with its truth, all (H, W) with H, W at most `LESSON_PX`.

    Attributes
    ----------
    rgb : ndarray (H, W, 3) of uint8
        Not balanced.
    owner : ndarray (H, W) of uint8
        0 ground, else the row of ``polyps`` plus 1; 255 where the photo does not show the plate.
    wound : ndarray (H, W) of bool
    polyps : ndarray (n, 3) of float32
        Centroid x, y and diameter, view pixels.
    mouths : ndarray (m, 3) of float32
        Place x, y, and the row of the polyp it belongs to.
    gains : ndarray (3,) of float32
        Factors in linear light that would make the card's paper neutral.
    """

    rgb: NDArray[np.uint8]
    owner: NDArray[np.uint8]
    wound: NDArray[np.bool_]
    polyps: NDArray[np.float32]
    mouths: NDArray[np.float32]
    gains: NDArray[np.float32]
