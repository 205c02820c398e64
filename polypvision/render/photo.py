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
from polypvision.reading import Points
from polypvision.render.camera import (
    as_stored,
    develop,
    expose,
    mm_per_px,
    plate_to_photo,
    see_layers,
)
from polypvision.render.canvas import Canvas, Lamp, Patch, box_of, cast_shadow
from polypvision.render.furniture import paint_furniture
from polypvision.render.ground import paint_ground, paint_tank
from polypvision.render.optics import Optics
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
        Homography from the card's plane (mm) to its pixels, lens and water left out.
    shapes : tuple of Planform
        Of the scene's polyps, in order: the exact truth.
    colours_lab : tuple of tuples of 3 floats
        Median CIELAB colour (D65) of each one's living tissue; NaN for one off the canvas.
    optics : Optics or None
        Where a homography does not say how the plate is seen.
    disc_height_mm : float
        Of the plate above the card's plane.
    """

    rgb: NDArray[np.uint8]
    plate_to_photo: NDArray[np.float64]
    shapes: tuple[Planform, ...]
    colours_lab: tuple[tuple[float, float, float], ...]
    optics: Optics | None = None
    disc_height_mm: float = 0.0

    def to_photo(self, plate_mm: Points) -> Points:
        """Return points of the plate (n, 2), where the polyps are, as pixels of the photo."""
        near = apply_homography(self.plate_to_photo, plate_mm)
        if self.optics is None:
            return near
        return self.optics.photo_places(plate_mm, self.disc_height_mm, near)

    def mm_per_px(self, x_px: float, y_px: float) -> float:
        """Return the scale at a pixel: root of the area, in mm2, of the plate that it shows."""
        if self.optics is None:
            return mm_per_px(self.plate_to_photo, x_px, y_px)
        around = np.array([x_px, y_px]) + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        here, right, down = self.optics.plane_places(around, self.disc_height_mm)
        (ax, ay), (bx, by) = right - here, down - here
        return float(np.sqrt(abs(ax * by - ay * bx)))


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


def _pose(card: SmallCard, print_scale: float = 1.0) -> NDArray[np.float64]:
    """Matrix (3, 3) from a card's own mm, as drawn, to plate mm."""
    turn = np.radians(card.angle_deg)
    return np.array(
        [
            [np.cos(turn), -np.sin(turn), card.x_mm],
            [np.sin(turn), np.cos(turn), card.y_mm],
            [0.0, 0.0, 1.0],
        ]
    ) @ np.diag([print_scale, print_scale, 1.0])


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
    pose = _pose(card, scene.print_scale)
    matrix = (shift @ canvas.plane_to_pixels() @ pose @ to_own)[:2]
    # The card is drawn finer than the canvas: average over a canvas pixel first.
    ratio = own / canvas.px_per_mm
    smooth = cv2.GaussianBlur(printed, (0, 0), 0.35 * ratio) if ratio > 1 else printed
    size = (patch.shape[1], patch.shape[0])
    paper = cv2.warpAffine(smooth, matrix, size, borderMode=cv2.BORDER_REPLICATE)
    cover = cv2.warpAffine(np.ones_like(printed), matrix, size)
    return np.asarray(paper, np.float32), np.asarray(cover, np.float32)


def _paint_cards(canvas: Canvas, scene: Scene) -> NDArray[np.float32]:
    """Paint all cards; return how much of each canvas pixel they cover."""
    layout = card_layout(scene.card)
    covered = np.zeros(canvas.owner.shape, np.float32)
    corners = Box(x=0.0, y=0.0, width=layout.size_mm[0], height=layout.size_mm[1]).corners_xy
    for card in scene.cards or (SmallCard(),):
        pose = _pose(card, scene.print_scale)
        patch = canvas.patch(*box_of(apply_homography(pose, corners), 4.0))
        if patch is None:
            continue
        paper, cover = _paste(canvas, scene, card, patch)
        if layout.window is not None:
            drawn, size = layout.window, scene.print_scale
            window = Box(
                x=drawn.x * size,
                y=drawn.y * size,
                width=drawn.width * size,
                height=drawn.height * size,
            )
            inside = np.minimum(
                np.minimum(patch.x_mm - window.x, window.x + window.width - patch.x_mm),
                np.minimum(patch.y_mm - window.y, window.y + window.height - patch.y_mm),
            )
            edge = np.clip(inside * np.float32(canvas.px_per_mm) + np.float32(0.5), 0, 1)
            cover = np.asarray(cover * (1 - edge), np.float32)
        cast_shadow(canvas, patch, cover, 0.6)
        under = canvas.radiance[patch.rows, patch.columns]
        under += cover[..., None] * (paper[..., None] * canvas.lamp.colour - under)
        spot = covered[patch.rows, patch.columns]
        np.maximum(spot, cover, out=spot)
    return covered


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
    _paint_plate(canvas, scene)
    _paint_cards(canvas, scene)
    return canvas, _paint_life(canvas, scene, shapes)


def _whole(canvas: Canvas) -> Patch:
    height, width = canvas.owner.shape
    x0, y0 = canvas.origin_mm
    whole = canvas.patch(x0, y0, x0 + width / canvas.px_per_mm, y0 + height / canvas.px_per_mm)
    assert whole is not None
    return whole


def _paint_plate(canvas: Canvas, scene: Scene) -> None:
    """Paint the tank and the bare plate in it."""
    ground_rng = np.random.default_rng([scene.ground_seed, 5])
    whole = _whole(canvas)
    paint_tank(canvas, whole, ground_rng)
    plate = canvas.patch(*scene.plate_box_mm)
    if plate is not None:
        if scene.card == "small":
            cast_shadow(canvas, whole, _box_cover(scene, whole), 4.0)
        paint_ground(canvas, plate, scene.ground, ground_rng)


def _paint_life(
    canvas: Canvas, scene: Scene, shapes: tuple[Planform, ...]
) -> tuple[tuple[float, float, float], ...]:
    """Paint furniture and polyps; return each polyp's median CIELAB colour."""
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
    return colours


def paint_layers(
    scene: Scene, shapes: tuple[Planform, ...], homography: NDArray[np.float64]
) -> tuple[list[tuple[Canvas, NDArray[np.float32], float]], tuple[tuple[float, float, float], ...]]:
    """Return the painted planes of a scene, farthest first, as `see_layers` takes them.

    One plane if the plate is at the card's height, else the card's and the plate's. A raised plate
    has no sides. And each polyp's median CIELAB colour.
    """
    if scene.disc_height_mm == 0:
        canvas, colours = paint(scene, shapes, homography)
        return [(canvas, np.ones(canvas.owner.shape, np.float32), 0.0)], colours
    plate, card = _canvas(scene, homography), _canvas(scene, homography)
    paint_tank(card, _whole(card), np.random.default_rng([scene.ground_seed, 5]))
    _paint_plate(plate, scene)
    cards = _paint_cards(card, scene)
    colours = _paint_life(plate, scene, shapes)
    full = np.ones(cards.shape, np.float32)
    if scene.disc_height_mm > 0:
        box = _box_cover(scene, _whole(plate))
        return [(card, full, 0.0), (plate, box, scene.disc_height_mm)], colours
    return [(plate, full, scene.disc_height_mm), (card, cards, 0.0)], colours


def optics_of(scene: Scene) -> Optics | None:
    """Return the optics of a scene; None where a homography says it all."""
    bent = scene.camera.k1 or scene.camera.k2
    if not (bent or scene.disc_height_mm or scene.water_depth_mm or scene.port_mm):
        return None
    wet = scene.water_depth_mm > 0
    return Optics(
        camera=scene.camera,
        surface_mm=scene.disc_height_mm + scene.water_depth_mm if wet else None,
        port_mm=scene.port_mm or None,
        index=scene.water_index,
    )


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
    optics = optics_of(scene)
    if optics is None:
        canvas, colours = paint(scene, shapes, homography)
        rgb = expose(canvas, homography, scene.camera, scene.light, rng)
    else:
        layers, colours = paint_layers(scene, shapes, homography)
        lamp = layers[0][0].lamp
        rgb = develop(see_layers(layers, optics), lamp, scene.camera, scene.light, rng)
    return RenderedPhoto(
        rgb=rgb,
        plate_to_photo=homography,
        shapes=shapes,
        colours_lab=colours,
        optics=optics,
        disc_height_mm=scene.disc_height_mm,
    )


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
