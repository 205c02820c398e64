"""Drawn plates to try the reading on: one small card at one end, the polyps beside it."""

from dataclasses import replace
from datetime import UTC, datetime

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.card.layout import card_layout
from polypvision.render.chance import TAUGHT, frame_camera, random_light, random_polyps
from polypvision.render.scene import Camera, Scene, SmallCard

BoxMm = tuple[float, float, float, float]
"""Left, top, right, bottom; plate coordinates."""
_GAP_MM = 6.0
_CODES = 5
"""Plate codes in use: drawing a card is slow, and each is drawn once."""
_SEEDS = 1_000_000


def plate_seed(seed: int, number: int) -> int:
    """Return the seed of one plate of a run: no two runs share a plate."""
    return _SEEDS * (seed + 1) + number


def beside_card(width_mm: float, height_mm: float, top_mm: float) -> BoxMm:
    """Return the box of a plate to the right of a small card."""
    left = card_layout("small").size_mm[0] + _GAP_MM
    return (left, top_mm, left + width_mm, top_mm + height_mm)


def frame_plate(camera: Camera, box: BoxMm, *, fill: float) -> Camera:
    """Return the camera at such a distance that plate and card fill so much of the photo."""
    card_height = card_layout("small").size_mm[1]
    shown = (0.0, min(box[1], 0.0), box[2], max(box[3], card_height))
    return frame_camera(camera, shown, fill=fill)


def small_card_scene(
    seed: int, rng: np.random.Generator, box: BoxMm, camera: Camera, n_polyps: int
) -> Scene:
    """Return a plate with a small card at one end, in light without reflections.

    Parameters
    ----------
    seed : int
        Names the photo and is the chance in it.
    rng : numpy.random.Generator
    box : tuple
        The plate, of `beside_card`.
    camera : Camera
        In its place.
    n_polyps : int
        To lay down; fewer if there is no room.
    """
    return Scene(
        photo=f"{seed}.jpg",
        seed=seed,
        plate=1 + int(rng.integers(_CODES)),
        card="small",
        ground=TAUGHT.grounds[rng.integers(len(TAUGHT.grounds))],
        ground_seed=int(rng.integers(0, 2**31)),
        plate_x_mm=box[0],
        plate_y_mm=box[1],
        plate_width_mm=box[2] - box[0],
        plate_height_mm=box[3] - box[1],
        canvas_px_per_mm=10.0,
        taken_at=datetime(2031, 3, 4, 10, tzinfo=UTC),
        camera=camera,
        light=replace(random_light(rng), glare=0, caustics=0.0),
        cards=(SmallCard(),),
        polyps=random_polyps(rng, box, n_polyps),
    )


def as_stored(rgb: NDArray[np.uint8], quality: int) -> NDArray[np.uint8]:
    """Return a photo (H, W, 3) after JPEG of this quality, as files hold it."""
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    picture = cv2.imdecode(data, cv2.IMREAD_COLOR)
    return np.ascontiguousarray(np.asarray(picture, np.uint8)[..., ::-1])
