"""Pictures of recorded photos for the screen: scaled, and single polyps cut out of them."""

import contextlib
import re
import threading
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from polypvision.errors import OutputError, PhotoUnreadable
from polypvision.files.outputs import make_folder, write_bytes
from polypvision.plates.show import photo_pixels
from polypvision.reading import Polyp
from polypvision.reports import jpeg
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto, find_photo

WIDTHS_PX = (400, 800, 1600, 2400)
"""Sizes in which pictures are made: a phone, a phone's sharp screen, a desk, a large screen."""
TILE_PX = 1024
"""Side of a square piece of a photo at its full sharpness."""
_ROOM_ROUND = 1.25
"""A polyp is cut out with a quarter of its size round it."""
_OPENING = threading.Lock()
"""One large photo at a time: each takes hundreds of megabytes while it is open."""
_SHA256 = re.compile(r"[0-9a-f]{64}")


def recorded_photo(logbook: Logbook, sha256: str) -> StoredPhoto:
    """Return the photo of that hash.

    Raises
    ------
    PhotoUnreadable
        If the logbook has none.
    """
    found = None
    if _SHA256.fullmatch(sha256):
        with logbook.reading() as connection:
            found = find_photo(connection, sha256)
    if found is None:
        raise PhotoUnreadable("The logbook has no such photo. Read it with --record first.")
    return found


def scaled_photo(photo: StoredPhoto, width_px: int, folder: Path) -> bytes:
    """Return a photo as a JPEG without any metadata, no wider than wanted; made once and kept.

    Parameters
    ----------
    photo : StoredPhoto
    width_px : int
        One of `WIDTHS_PX`.
    folder : Path
        Where scaled pictures are kept.

    Raises
    ------
    ValueError
        If the width is another.
    PhotoUnreadable
        If the photo is not where it was.
    """
    if width_px not in WIDTHS_PX:
        raise ValueError(f"width_px must be one of {WIDTHS_PX}, got {width_px}")
    kept = folder / f"{photo.sha256}-{width_px}.jpg"
    with contextlib.suppress(OSError):  # Not made yet.
        return kept.read_bytes()
    with _OPENING:
        with contextlib.suppress(OSError):  # Made while we waited.
            return kept.read_bytes()
        return _all_widths(photo, folder)[width_px]


def _all_widths(photo: StoredPhoto, folder: Path) -> dict[int, bytes]:
    """Opening a large photo takes longer than scaling it, so all sizes are made at once."""
    rgb = photo_pixels(photo)
    tall = rgb.shape[0] / rgb.shape[1]
    made: dict[int, bytes] = {}
    for width in sorted(WIDTHS_PX, reverse=True):
        rgb = _scaled(rgb, width, tall)
        made[width] = jpeg(rgb)
        with contextlib.suppress(OutputError):  # A full disk costs time the next time, no picture.
            write_bytes(make_folder(folder) / f"{photo.sha256}-{width}.jpg", made[width])
    return made


def photo_tile(photo: StoredPhoto, column: int, row: int, folder: Path) -> bytes:
    """Return a square piece of a photo at full sharpness, as a JPEG without any metadata.

    All pieces are cut when the first is asked for, and kept.

    Parameters
    ----------
    photo : StoredPhoto
    column, row : int
        From 0, each `TILE_PX` wide; those at the right and at the bottom may be smaller.
    folder : Path
        Where pictures are kept.

    Raises
    ------
    ValueError
        If the photo has no such piece.
    PhotoUnreadable
        If the photo is not where it was.
    """
    width, height = photo.size_px or (0, 0)
    if not (0 <= column * TILE_PX < width and 0 <= row * TILE_PX < height):
        raise ValueError(f"the photo has no piece {column}, {row}")
    kept = folder / _tile_name(photo, column, row)
    with _OPENING:
        with contextlib.suppress(OSError):  # Not cut yet.
            return kept.read_bytes()
        rgb = photo_pixels(photo)
        # On a full disk the one that is wanted is made, and again the next time.
        with contextlib.suppress(OutputError):
            _cut(photo, rgb, make_folder(folder))
            return kept.read_bytes()
        return jpeg(_tile(rgb, column, row))


def _tile_name(photo: StoredPhoto, column: int, row: int) -> str:
    return f"{photo.sha256}-{column}-{row}.jpg"


def _tile(rgb: NDArray[np.uint8], column: int, row: int) -> NDArray[np.uint8]:
    x, y = column * TILE_PX, row * TILE_PX
    return rgb[y : y + TILE_PX, x : x + TILE_PX]


def _cut(photo: StoredPhoto, rgb: NDArray[np.uint8], folder: Path) -> None:
    height, width = rgb.shape[:2]
    for row in range(-(-height // TILE_PX)):
        for column in range(-(-width // TILE_PX)):
            data = jpeg(_tile(rgb, column, row))
            write_bytes(folder / _tile_name(photo, column, row), data)


def _scaled(rgb: NDArray[np.uint8], width_px: int, tall: float) -> NDArray[np.uint8]:
    if rgb.shape[1] <= width_px:
        return rgb
    size = (width_px, max(1, round(width_px * tall)))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)


def polyp_picture(photo: StoredPhoto, polyp: Polyp, folder: Path, *, side_px: int = 240) -> bytes:
    """Return one polyp as a square JPEG, cut out of the photo with some room round it.

    Parameters
    ----------
    photo : StoredPhoto
    polyp : Polyp
        One of the photo's reading.
    folder : Path
        Where scaled pictures are kept.
    side_px : int

    Raises
    ------
    PhotoUnreadable
    """
    picture = Image.open(BytesIO(scaled_photo(photo, WIDTHS_PX[-1], folder)), formats=("JPEG",))
    # `jpeg` may have made it smaller still, so the factor is taken from the picture itself.
    factor = picture.width / photo.size_px[0] if photo.size_px else 1.0
    low, high = polyp.outline_px.min(axis=0), polyp.outline_px.max(axis=0)
    middle = ((low + high) / 2 + 0.5) * factor
    half = max(4.0, 0.5 * _ROOM_ROUND * float((high - low).max()) * factor)
    box = tuple(round(v) for v in (*(middle - half), *(middle + half)))
    crop = picture.convert("RGB").crop((box[0], box[1], box[2], box[3]))
    return jpeg(np.asarray(crop.resize((side_px, side_px), Image.Resampling.LANCZOS), np.uint8))
