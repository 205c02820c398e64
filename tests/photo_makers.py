"""Small photo files for tests, good and bad; nothing here needs a camera."""

import struct
import zlib
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image

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
