"""Photos of the board by a camera with a known, bent lens, rays traced."""

import io

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from polypvision.card.board import BOARD
from polypvision.card.draw import board_page, card_pixels
from polypvision.render.optics import Optics
from polypvision.render.scene import Camera

_PX_PER_MM = 8
SIZE = (1200, 900)


def sheet() -> NDArray[np.float32]:
    return card_pixels(board_page(), _PX_PER_MM).astype(np.float32)


def shots(
    n: int, *, focal_px: float = 1150.0, k1: float = -0.06, tilt: float = 40.0, seed: int = 0
) -> list[NDArray[np.uint8]]:
    """Grey photos as RGB, the board in another part of the picture each time."""
    rng = np.random.default_rng(seed)
    paper = sheet()
    middle = np.array(BOARD.size_mm) / 2
    made = []
    for number in range(n):
        # Aimed beside the board's middle, so that the board comes into every corner.
        aside = rng.uniform(-0.45, 0.45, 2) * BOARD.size_mm
        camera = Camera(
            width_px=SIZE[0],
            height_px=SIZE[1],
            focal_px=focal_px,
            distance_mm=float(rng.uniform(260, 340)),
            target_x_mm=float(middle[0] + aside[0]),
            target_y_mm=float(middle[1] + aside[1]),
            tilt_deg=float(tilt * rng.uniform(0.3, 1.0)) if number % 3 else 0.0,
            tilt_towards_deg=float(rng.uniform(0, 360)),
            roll_deg=float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 10)) % 360,
            k1=k1,
        )
        # Rays through every eighth pixel; between them places vary smoothly.
        x, y = np.meshgrid(np.arange(0, SIZE[0] + 8, 8), np.arange(0, SIZE[1] + 8, 8))
        pixels = np.column_stack([x.ravel(), y.ravel()]).astype(float)
        places = Optics(camera=camera).plane_places(pixels, 0.0) * _PX_PER_MM - 0.5
        coarse = places.reshape(*x.shape, 2).astype(np.float32)
        across, down = np.meshgrid(
            (np.arange(SIZE[0]) / 8).astype(np.float32), (np.arange(SIZE[1]) / 8).astype(np.float32)
        )
        maps = cv2.remap(coarse, across, down, cv2.INTER_LINEAR)
        seen = cv2.remap(paper, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderValue=(120.0,))
        seen = cv2.GaussianBlur(seen, (0, 0), 0.8) * 0.8 + 20 + rng.normal(0, 1.5, seen.shape)
        made.append(np.repeat(np.clip(seen, 0, 255).astype(np.uint8)[..., None], 3, axis=2))
    return made


def as_jpeg(
    rgb: NDArray[np.uint8],
    *,
    model: str = "Q1",
    focal_mm: float = 5.0,
    focal_35mm: int = 33,
    zoom: float | None = None,
    exif_px: tuple[int, int] | None = None,
    orientation: int = 1,
) -> bytes:
    """A JPEG file as an invented phone writes it."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Example", model, orientation
    more = exif.get_ifd(0x8769)
    more[0x920A], more[0xA405] = focal_mm, focal_35mm
    more[0x9003] = "2024:03:04 10:00:00"
    if zoom is not None:
        more[0xA404] = zoom
    if exif_px is not None:
        more[0xA002], more[0xA003] = exif_px
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, format="JPEG", quality=95, exif=exif)
    return buffer.getvalue()
