"""Where fuzzing starts from: small good inputs of every kind, made by code, the same each time."""

import json
import struct
import tempfile
import zlib
from io import BytesIO
from pathlib import Path

import numpy as np
from photo_makers import animated, card_photo, corners_picture, encoded, exif, huge_png
from PIL import Image, ImageCms
from time_builders import make_polyp, make_reading

from polypvision.calibrate.profile import LensProfile
from polypvision.card.code import CardName, marker_ids
from polypvision.files.coco import CocoFile
from polypvision.files.hand_table import HAND_COLUMNS
from polypvision.files.log_table import LOG_COLUMNS
from polypvision.reading import to_record

PROFILE = LensProfile(
    make="Make",
    model="Model",
    focal_mm=4.2,
    focal_35mm=26.0,
    width_px=4000,
    height_px=3000,
    focal_px=3100.0,
    focal_err=0.002,
    centre_px=(2000.0, 1500.0),
    centre_err_px=3.0,
    distortion=(0.01, -0.02, 0.0, 0.0, 0.0),
    bend_err=0.001,
    n_photos=12,
    rms_px=0.3,
    coverage=0.8,
)


def rich_exif() -> bytes:
    """Exif data with camera, lens, place, date and a note."""
    made = Image.Exif()
    made.load(exif("2024:03:30 12:00:00", offset="+01:00", orientation=6))
    made[0x010F], made[0x0110] = "Make", "Model"
    made[0x8825] = {1: "S", 2: (17.0, 30.0, 0.0), 3: "W", 4: (1.0, 2.0, 3.0)}
    inner = made.get_ifd(0x8769)
    inner[0x920A], inner[0xA405], inner[0xA404] = 4.2, 26, 1.0
    inner[0xA002], inner[0xA003] = 120, 96
    inner[0x9286] = b"ASCII\0\0\0a note"
    return bytes(made.tobytes())


def photos() -> list[bytes]:
    """Photos of every form, good and nearly good."""
    rgb = corners_picture()
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    grey16 = Image.fromarray((np.arange(96 * 120, dtype=np.uint16) * 5).reshape(96, 120))
    see_through = Image.fromarray(np.dstack([rgb, rgb[..., 0]]))
    stack = BytesIO()
    first = Image.fromarray(rgb)
    first.save(stack, "TIFF", save_all=True, append_images=[first])
    return [
        encoded(rgb, "JPEG", exif=rich_exif()),
        encoded(rgb, "JPEG", progressive=True, icc_profile=profile),
        encoded(Image.fromarray(rgb).convert("CMYK"), "JPEG"),
        encoded(rgb, "PNG", exif=rich_exif()),
        encoded(Image.fromarray(rgb).convert("P"), "PNG"),
        encoded(see_through, "PNG"),
        encoded(grey16, "PNG"),
        encoded(rgb, "TIFF", compression="tiff_deflate"),
        encoded(rgb, "TIFF", exif=rich_exif()),
        encoded(grey16, "TIFF"),
        stack.getvalue(),
        encoded(rgb, "WEBP", exif=rich_exif()),
        encoded(rgb, "WEBP", lossless=True),
        encoded(rgb, "HEIF", exif=rich_exif()),
        animated("PNG"),
        animated("WEBP"),
        huge_png(40_000, 40_000),
        png_with_text_bomb(),
        b"GIF89a" + bytes(30),
        b"",
    ]


def png_with_text_bomb(inflated: int = 20_000_000) -> bytes:
    """A small PNG with a note that grows to many megabytes when it is unpacked."""
    plain = encoded(corners_picture(), "PNG")
    body = b"zTXt" + b"note\0\0" + zlib.compress(bytes(inflated), 9)
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    return plain[:33] + chunk + plain[33:]


def log_tables() -> list[bytes]:
    """Logs, separated by commas and by semicolons."""
    rows = [
        ",".join(LOG_COLUMNS),
        "41,2024-03-02,cut,P01 P02,4,halves,B,label dose,a note",
        '42,2024-03-02T10:00+10:00,note,,,,,,"with, a comma"',
    ]
    text = "\r\n".join(rows)
    return [text.encode(), text.replace(",", ";").encode(), b"\xef\xbb\xbf" + text.encode()]


def hand_tables() -> list[bytes]:
    """Measurements by hand."""
    rows = [",".join(HAND_COLUMNS), "2024-03-30,P01,12.5,,3.2,1,", "2024-03-30,,,,,,14"]
    return ["\n".join(rows).encode(), "\n".join(rows).replace(",", ";").encode()]


def records() -> list[bytes]:
    """Readings, truth in both shapes, and outlines in the COCO form."""
    reading = make_reading(0, [make_polyp(1, 20, 20, 9.0, wound_mm2=3.0), make_polyp(2, 50, 20)])
    ellipses = {
        "file": "a.jpg",
        "polyps": [{"x": 9, "y": 9, "w": 4, "h": 5, "mouths": 1, "mouth_xy": [[9, 9]]}],
        "partial_or_closed_polyps": [{"x": 1, "y": 1}],
        "distractors": [{"x": 1, "y": 1, "w": 2, "h": 2}],
        "n_polyps_range": [1, 2],
        "confidence": "low",
    }
    refused = {**to_record(reading), "error": {"kind": "no-card", "message": "none"}}
    with CocoFile(Path(tempfile.gettempdir())) as file, BytesIO() as coco:
        file.add(reading, size_px=(400, 300), file_name="a.jpg")
        file.copy_to(coco)
        others = ([to_record(reading)], [ellipses], [refused])
        return [*(json.dumps(one).encode() for one in others), coco.getvalue()]


def profiles() -> list[bytes]:
    """Lens profiles."""
    good = {"kind": "polypvision lens profile", **vars(PROFILE)}
    return [json.dumps(one).encode() for one in (good, {**good, "focal_mm": None})]


def markers() -> list[bytes]:
    """Marker numbers of cards as pairs of bytes: whole, of two plates, with strangers between."""
    small, other = marker_ids(42, CardName("small")), marker_ids(4711, CardName("a4"))
    return [struct.pack(f"<{len(ids)}H", *ids) for ids in (small, small + other, (*other, 999))]


def card_picture() -> np.ndarray:
    """A card in few pixels, for patches to be laid over."""
    from PIL import Image as Picture

    small = Picture.fromarray(card_photo(42)).resize((330, 200), Picture.Resampling.LANCZOS)
    return np.asarray(small, np.uint8)


def patches() -> list[bytes]:
    """Grey rectangles for a card's picture, five bytes each; none, and a few."""
    return [b"", bytes([10, 10, 200, 40, 255]), bytes(range(60))]


def wishes() -> list[bytes]:
    """Corrections as a page sends them, one of every kind."""
    box = [[60, 60], [180, 62], [178, 178], [61, 180]]
    said: list[dict[str, object]] = [
        {"kind": "add", "outline_px": [[500, 60], [560, 62], [540, 130]]},
        {"kind": "add", "centre_px": [520, 300], "diameter_mm": 9, "mouths_px": [[520, 300]]},
        {"kind": "delete", "label": 1},
        {"kind": "reshape", "label": 1, "outline_px": box},
        {"kind": "split", "label": 2, "line_px": [[300, 20], [302, 230]]},
        {"kind": "merge", "labels": [1, 2]},
        {"kind": "add-mouth", "label": 1, "place_px": [130, 120]},
        {"kind": "move-mouth", "label": 1, "from_px": [120, 120], "to_px": [126, 124]},
        {"kind": "delete-mouth", "label": 1, "place_px": [120, 120]},
        {"kind": "paint-wound", "at": [120, 120], "outline_px": box},
        {"kind": "paint-wound", "at": [120, 120], "stroke_px": [[90, 90], [120, 120]],
         "radius_px": 12},
        {"kind": "erase-wound", "label": 1, "outline_px": box},
        {"kind": "name", "label": 1, "name": "Ruby"},
        {"kind": "part", "label": 1, "as": "same"},
    ]  # fmt: skip
    return [json.dumps([one]).encode() for one in said] + [json.dumps(said[2:8]).encode()]


def words() -> list[bytes]:
    """Names of files, dates, plate codes."""
    return [
        b"IMG_20240330_174501.jpg",
        b"../../plate 7, 2024-03-30 at 12.15.HEIC",
        b"2024-03-30T12:00+10:00",
        b"0001-01-01T00:00-23:59",
        b"3, 7-9",
    ]
