"""Small photo files for tests, good and bad; nothing here needs a camera."""

import struct
import zlib
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image

from polypvision.card.code import CardName
from polypvision.card.draw import card_pixels, single_page

pillow_heif.register_heif_opener()

SIDE = 96


def corners_picture(width: int = 120, height: int = SIDE) -> NDArray[np.uint8]:
    """Grey, but for a red top left, green top right and blue bottom left corner."""
    rgb = np.full((height, width, 3), 128, np.uint8)
    rgb[:32, :32] = (250, 10, 10)
    rgb[:32, -32:] = (10, 250, 10)
    rgb[-32:, :32] = (10, 10, 250)
    return rgb


def exif(
    date: str | None = None, offset: str | None = None, orientation: int | None = None
) -> bytes:
    tags: dict[int, str] = {}
    if date is not None:
        tags[0x9003] = date
    if offset is not None:
        tags[0x9011] = offset
    made = Image.Exif()
    if orientation is not None:
        made[0x0112] = orientation
    if tags:
        made[0x8769] = tags
    return made.tobytes()


def encoded(picture: Image.Image | NDArray[Any], form: str, **more: Any) -> bytes:
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    buffer = BytesIO()
    image.save(buffer, form, **more)
    return buffer.getvalue()


def write_jpeg(path: Path, date: datetime | str | None = None, **more: Any) -> Path:
    text = f"{date:%Y:%m:%d %H:%M:%S}" if isinstance(date, datetime) else date
    path.write_bytes(encoded(corners_picture(), "JPEG", exif=exif(text, **more), quality=95))
    return path


def huge_png(width: int, height: int) -> bytes:
    """A PNG of a few hundred bytes whose header claims width x height grey pixels."""

    def chunk(name: bytes, data: bytes) -> bytes:
        body = name + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    pixels = zlib.compress(bytes(100_000))
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")
    )


def animated(form: str) -> bytes:
    first, second = Image.new("RGB", (120, SIDE), "red"), Image.new("RGB", (120, SIDE), "blue")
    return encoded(first, form, save_all=True, append_images=[second], duration=100)


def card_photo(*codes: int, ground: int = 90) -> NDArray[np.uint8]:
    """Cards side by side on a grey ground, straight from above, 8 px/mm."""
    cards = [card_pixels(single_page(code, CardName("small")), 8.0) for code in codes or (42,)]
    row = np.full((cards[0].shape[0] + 240, 160), ground, np.uint8)
    for card in cards:
        framed = np.full((row.shape[0], card.shape[1] + 160), ground, np.uint8)
        framed[120:-120, :-160] = np.clip(card.astype(int) * 0.8 + 20, 0, 255)
        row = np.hstack([row, framed])
    noise = np.random.default_rng(0).normal(0, 1.5, row.shape)
    seen = cv2.GaussianBlur(row, (0, 0), 0.8) + noise
    return np.repeat(np.clip(seen, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
