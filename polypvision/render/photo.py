"""A scene becomes a photo and its exact truth."""

import hashlib
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from polypvision.calibrate.srgb import to_linear
from polypvision.calibrate.view import apply_homography
from polypvision.card.code import CardName
from polypvision.card.draw import card_pixels, single_page
from polypvision.card.layout import Box, CardKind, card_layout
from polypvision.errors import TableError
from polypvision.render.camera import as_stored, expose, plate_to_photo
from polypvision.render.canvas import Canvas, Lamp, Patch, box_of, cast_shadow
from polypvision.render.furniture import paint_furniture
from polypvision.render.ground import paint_ground, paint_tank
from polypvision.render.scene import Scene, SmallCard
from polypvision.render.shapes import Planform, part, planform
from polypvision.render.tissue import paint_polyp

PAPER = 0.85
"""Reflectance of matte white paper, about."""
INK = 0.035
"""Reflectance of printed black on matte paper, about."""

# Resolutions at which every marker module's edge falls on a whole pixel, so that the drawing's
# snapping to pixels moves nothing.
_CARD_PX_PER_MM: dict[CardKind, int] = {"small": 50, "a5": 24, "a4": 20}
_MARGIN_MM = 30.0


@dataclass(frozen=True, kw_only=True, eq=False)
class RenderedPhoto:
    """A rendered photo.

    Attributes
    ----------
    rgb : ndarray (H, W, 3) of uint8
        The upright photo, before JPEG.
    plate_to_photo : ndarray (3, 3)
        Homography from plate coordinates (mm) to its pixels.
    shapes : tuple of Planform
        Of the scene's polyps, in order: the exact truth.
    colours_lab : tuple of tuples of 3 floats
        Median CIELAB colour (D65) of each one's living tissue; NaN for one off the canvas.
    """

    rgb: NDArray[np.uint8]
    plate_to_photo: NDArray[np.float64]
    shapes: tuple[Planform, ...]
    colours_lab: tuple[tuple[float, float, float], ...]


def planforms(scene: Scene) -> tuple[Planform, ...]:
    """Return the exact shapes of a scene's polyps; those that touch are pressed flat.

    Raises
    ------
    TableError
        If two polyps lie too far over each other to be neighbours.
    """
    shapes = [planform(spec) for spec in scene.polyps]
    for first in range(len(shapes)):
        for second in range(first + 1, len(shapes)):
            parted = part(shapes[first], shapes[second])
            if parted is None:
                names = [scene.polyps[index].name for index in (first, second)]
                raise TableError(
                    f"photo {scene.photo!r}: polyps {names[0]!r} and {names[1]!r} lie over each "
                    "other; move one or make it smaller."
                )
            shapes[first], shapes[second] = parted
    return tuple(shapes)


@lru_cache(maxsize=8)
def _card(kind: CardKind, code: int, copy: int) -> NDArray[np.float32]:
    """Reflectance (H, W) of a printed card at its exact resolution."""
    pixels = card_pixels(single_page(code, CardName(kind, copy)), _CARD_PX_PER_MM[kind])
    return np.asarray(INK + (PAPER - INK) * to_linear(pixels), dtype=np.float32)


def _pose(card: SmallCard) -> NDArray[np.float64]:
    """Matrix (3, 3) from a card's own mm to plate mm."""
    turn = np.radians(card.angle_deg)
    return np.array(
        [
            [np.cos(turn), -np.sin(turn), card.x_mm],
            [np.sin(turn), np.cos(turn), card.y_mm],
            [0.0, 0.0, 1.0],
        ]
    )


def _paste(
    canvas: Canvas, scene: Scene, card: SmallCard, patch: Patch
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Reflectance and coverage of one card over a patch."""
    own = _CARD_PX_PER_MM[scene.card]
    printed = _card(scene.card, scene.plate, card.copy)
    # A printed pixel's centre lies half a pixel inside its edge.
    to_own = np.array([[1 / own, 0.0, 0.5 / own], [0.0, 1 / own, 0.5 / own], [0.0, 0.0, 1.0]])
    shift = np.eye(3)
    shift[:2, 2] = -patch.columns.start, -patch.rows.start
    matrix = (shift @ canvas.plane_to_pixels() @ _pose(card) @ to_own)[:2]
    # The card is drawn finer than the canvas: average over a canvas pixel first.
    ratio = own / canvas.px_per_mm
    smooth = cv2.GaussianBlur(printed, (0, 0), 0.35 * ratio) if ratio > 1 else printed
    size = (patch.shape[1], patch.shape[0])
    paper = cv2.warpAffine(smooth, matrix, size, borderMode=cv2.BORDER_REPLICATE)
    cover = cv2.warpAffine(np.ones_like(printed), matrix, size)
    return np.asarray(paper, np.float32), np.asarray(cover, np.float32)


def _paint_cards(canvas: Canvas, scene: Scene) -> None:
    layout = card_layout(scene.card)
    corners = Box(x=0.0, y=0.0, width=layout.size_mm[0], height=layout.size_mm[1]).corners_xy
    for card in scene.cards or (SmallCard(),):
        patch = canvas.patch(*box_of(apply_homography(_pose(card), corners), 4.0))
        if patch is None:
            continue
        paper, cover = _paste(canvas, scene, card, patch)
        if layout.window is not None:
            window = layout.window
            inside = np.minimum(
                np.minimum(patch.x_mm - window.x, window.x + window.width - patch.x_mm),
                np.minimum(patch.y_mm - window.y, window.y + window.height - patch.y_mm),
            )
            edge = np.clip(inside * np.float32(canvas.px_per_mm) + np.float32(0.5), 0, 1)
            cover = np.asarray(cover * (1 - edge), np.float32)
        cast_shadow(canvas, patch, cover, 0.6)
        under = canvas.radiance[patch.rows, patch.columns]
        under += cover[..., None] * (paper[..., None] * canvas.lamp.colour - under)


def _canvas(scene: Scene, homography: NDArray[np.float64]) -> Canvas:
    """A canvas over plate, card and their surroundings, finer than the photo."""
    boxes = [scene.plate_box_mm]
    width, height = card_layout(scene.card).size_mm
    boxes.append((0.0, 0.0, width, height))
    reach = float(np.hypot(width, height))
    boxes += [
        (card.x_mm - reach, card.y_mm - reach, card.x_mm + reach, card.y_mm + reach)
        for card in scene.cards[1:]
    ]
    left, top = (min(box[axis] for box in boxes) - _MARGIN_MM for axis in (0, 1))
    right, bottom = (max(box[axis] for box in boxes) + _MARGIN_MM for axis in (2, 3))
    middle = np.array([scene.camera.target_x_mm, scene.camera.target_y_mm, 1.0])
    weight = float(homography[2] @ middle)
    photo_px_per_mm = np.sqrt(abs(np.linalg.det(homography)) / abs(weight) ** 3)
    needed = float(np.clip(np.ceil(1.5 * photo_px_per_mm), 8, 16))
    px_per_mm = scene.canvas_px_per_mm or needed
    return Canvas.blank((left, top, right, bottom), px_per_mm, Lamp.of(scene.light))


def paint(
    scene: Scene, shapes: tuple[Planform, ...], homography: NDArray[np.float64]
) -> tuple[Canvas, tuple[tuple[float, float, float], ...]]:
    """Return the painted plane of a scene (tank, plate, card, furniture, polyps).

    And each polyp's median CIELAB colour.
    """
    canvas = _canvas(scene, homography)
    ground_rng = np.random.default_rng([scene.ground_seed, 5])
    height, width = canvas.owner.shape
    x0, y0 = canvas.origin_mm
    whole = canvas.patch(x0, y0, x0 + width / canvas.px_per_mm, y0 + height / canvas.px_per_mm)
    assert whole is not None
    paint_tank(canvas, whole, ground_rng)
    plate = canvas.patch(*scene.plate_box_mm)
    if plate is not None:
        if scene.card == "small":
            cast_shadow(canvas, whole, _box_cover(scene, whole), 4.0)
        paint_ground(canvas, plate, scene.ground, ground_rng)
    _paint_cards(canvas, scene)
    low = [item for item in scene.furniture if item.kind not in ("bubble", "snail", "cover")]
    high = [item for item in scene.furniture if item.kind in ("bubble", "snail", "cover")]
    for item in low:
        paint_furniture(canvas, item)
    colours = tuple(
        paint_polyp(canvas, shape, spec, number)
        for number, (shape, spec) in enumerate(zip(shapes, scene.polyps, strict=True), start=1)
    )
    for item in high:
        paint_furniture(canvas, item)
    return canvas, colours


def _box_cover(scene: Scene, whole: Patch) -> NDArray[np.float32]:
    left, top, right, bottom = scene.plate_box_mm
    inside = (whole.x_mm > left) & (whole.x_mm < right) & (whole.y_mm > top) & (whole.y_mm < bottom)
    return np.asarray(inside, np.float32)


def render_scene(scene: Scene, rng: np.random.Generator) -> RenderedPhoto:
    """Return the photo of a scene, with the shapes that are its truth.

    Parameters
    ----------
    scene : Scene
    rng : numpy.random.Generator
        For noise, ripples and reflections; everything else is in the scene.

    Raises
    ------
    TableError
        If polyps lie over each other.
    """
    shapes = planforms(scene)
    homography = plate_to_photo(scene.camera)
    canvas, colours = paint(scene, shapes, homography)
    rgb = expose(canvas, homography, scene.camera, scene.light, rng)
    return RenderedPhoto(rgb=rgb, plate_to_photo=homography, shapes=shapes, colours_lab=colours)


def jpeg_bytes(photo: RenderedPhoto, scene: Scene) -> bytes:
    """Return the photo as a JPEG file with date, offset and orientation in its EXIF."""
    image = Image.fromarray(as_stored(photo.rgb, scene.orientation))
    exif = Image.Exif()
    exif[0x0112] = scene.orientation
    camera = exif.get_ifd(0x8769)
    offset = scene.taken_at.strftime("%z")
    camera[0x9003] = scene.taken_at.strftime("%Y:%m:%d %H:%M:%S")
    camera[0x9011] = f"{offset[:3]}:{offset[3:5]}"
    buffer = BytesIO()
    image.save(buffer, format="JPEG", quality=scene.jpeg_quality, exif=exif, subsampling=1)
    return buffer.getvalue()


def sha256_of(data: bytes) -> str:
    """Return the hash of a file's bytes, lower-case hexadecimal."""
    return hashlib.sha256(data).hexdigest()
