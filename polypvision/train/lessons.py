"""Rendered plates and close-ups as lessons: what the reader sees, and what it should say."""

from collections.abc import Iterator
from functools import partial

import numpy as np
from numpy.typing import NDArray
from skimage.draw import polygon

from polypvision.calibrate.colour import measure_light
from polypvision.calibrate.resample import resample
from polypvision.calibrate.view import VIEW_PX_PER_MM, apply_homography
from polypvision.card.layout import card_layout
from polypvision.errors import TableError
from polypvision.reading import Points
from polypvision.render.chance import random_scene
from polypvision.render.photo import RenderedPhoto, render_scene
from polypvision.render.scene import Scene
from polypvision.train.closeups import closeup_lesson
from polypvision.train.inlays import with_inlays
from polypvision.train.lesson import LESSON_PX, Lesson
from polypvision.train.mounts import mounted, with_decoys

__all__ = ["CLOSEUPS_PER_PLATE", "LESSON_PX", "Lesson", "lesson_of", "random_lessons"]

CLOSEUPS_PER_PLATE = 4
"""A plate costs about ten times as long as a close-up: more would leave a GPU waiting."""


def _fill(image: NDArray[np.uint8], outline: Points, value: int) -> None:
    """Fill the pixels whose centres lie inside a polygon of x, y pixels.

    cv2.fillPoly also takes those that the border only touches: half a pixel too many all round.
    """
    image[polygon(outline[:, 1], outline[:, 0], image.shape)] = value


def _box(scene: Scene, rng: np.random.Generator) -> tuple[Points, Points]:
    """A part of the plate, at most a lesson large, with some of its surroundings."""
    x0, y0, x1, y1 = scene.plate_box_mm
    reach = LESSON_PX / VIEW_PX_PER_MM
    low = np.array([x0, y0]) - (8.0 if scene.card == "small" else 0.0)
    high = np.array([x1, y1]) + (8.0 if scene.card == "small" else 0.0)
    spare = np.maximum(high - low - reach, 0.0)
    low = low + rng.random(2) * spare
    return low, np.minimum(high, low + reach)


def lesson_of(scene: Scene, photo: RenderedPhoto, rng: np.random.Generator) -> Lesson:
    """Return what a rendered photo teaches.

    Parameters
    ----------
    scene : Scene
    photo : RenderedPhoto
    rng : numpy.random.Generator
        Chooses the part of a large plate.
    """
    low, high = _box(scene, rng)
    to_photo = partial(apply_homography, photo.plate_to_photo)
    rgb, seen = resample(photo.rgb, to_photo, low, high)
    rgb, seen = rgb[:LESSON_PX, :LESSON_PX], seen[:LESSON_PX, :LESSON_PX]  # rounding up
    owner = np.zeros(seen.shape, np.uint8)
    wound = np.zeros(seen.shape, np.uint8)
    polyps: list[tuple[float, float, float]] = []
    mouths: list[tuple[float, float, float]] = []
    for row, shape in enumerate(photo.shapes):
        outline = (shape.outline_mm - low) * VIEW_PX_PER_MM
        _fill(owner, outline, row + 1)
        for part in shape.wounds_mm:
            _fill(wound, (part - low) * VIEW_PX_PER_MM, 1)
        centre = outline.mean(axis=0)
        polyps.append((*centre, 2 * np.sqrt(shape.area_mm2 / np.pi) * VIEW_PX_PER_MM))
        mouths += [(*place, row) for place in (shape.mouths_mm - low) * VIEW_PX_PER_MM]
    owner[~seen] = 255
    layout = card_layout(scene.card)
    light = measure_light(
        photo.rgb,
        [(layout, to_photo)],
        [(0, index) for index in range(len(layout.markers))],
        partial(apply_homography, np.asarray(np.linalg.inv(photo.plate_to_photo), np.float64)),
    )
    gains = np.ones(3, np.float32)
    if light is not None:
        middle = (low + high) / 2
        gains = light.gains(middle[:1], middle[1:])[0, 0]
    return Lesson(
        rgb=rgb,
        owner=owner,
        wound=wound.astype(np.bool_) & (owner > 0) & (owner < 255),
        polyps=np.array(polyps, np.float32).reshape(-1, 3),
        mouths=np.array(mouths, np.float32).reshape(-1, 3),
        gains=gains,
    )


def random_lessons(seed: int, closeups: int = CLOSEUPS_PER_PLATE) -> Iterator[Lesson]:
    """Yield lessons without end, one of a random plate, then some close-ups, and so on.

    The same ones for the same seed.
    """
    rng = np.random.default_rng(seed)
    while True:
        width = int(rng.choice([1100, 1400, 1800]))
        try:
            scene = random_scene(rng, width_px=width, height_px=width * 3 // 4)
            scene = with_decoys(mounted(scene, rng), rng)
            photo = render_scene(scene, rng)
        except TableError:
            continue  # chance laid two polyps over each other
        yield with_inlays(lesson_of(scene, photo, rng), rng)
        for _ in range(closeups):
            yield closeup_lesson(rng)
