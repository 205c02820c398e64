"""Plates with a card in looks that lessons do not show."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from polypvision.errors import TableError
from polypvision.render.chance import Looks, random_scene
from polypvision.render.photo import render_scene
from polypvision.render.truth import truth_record

_WIDTH_PX = 1800


def plate(
    rng: np.random.Generator, looks: Looks, count: int | None
) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """Return the photo (H, W, 3) of a plate by chance, and its truth.

    Parameters
    ----------
    rng : numpy.random.Generator
    looks : Looks
        What chance chooses from.
    count : int or None
        Number of polyps, None for any.
    """
    while True:
        scene = random_scene(
            rng, width_px=_WIDTH_PX, height_px=_WIDTH_PX * 3 // 4, looks=looks, n_polyps=count
        )
        if count is None and not scene.polyps:
            continue  # pictures without polyps are asked for, not left to chance
        try:
            photo = render_scene(scene, rng)
        except TableError:
            continue  # chance laid two polyps over each other
        return photo.rgb, truth_record(photo, scene, "")
