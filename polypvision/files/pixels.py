"""Bytes of a photo file to upright sRGB pixels, with every trouble told in words."""

import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from io import BytesIO

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms
from PIL.JpegImagePlugin import JpegImageFile

from polypvision.calibrate.picture import Photo, Picture
from polypvision.errors import PhotoError, PhotoTooLarge, PhotoTooSmall, PhotoUnreadable

MAX_PHOTO_PX = 90_000_000
"""More than the cameras this is for make; a larger picture would not fit a small computer."""
MIN_SIDE_PX = 64
"""A plate in fewer pixels shows no polyp."""

FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "HEIF")
SUFFIXES = (".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")

_BOX = b"ftyp"
"""Bytes 4 to 8 of a HEIF file (ISO/IEC 14496-12, box File Type; from memory)."""
_MOVING = ("PNG", "WEBP")
"""Formats in which more than one frame is an animation; in the others the first is the photo."""

MAX_SCANS = 100
"""Passes in which a JPEG may be stored: progressive ones have about ten (common practice, no
source). Each costs the time of decoding the whole picture, and a few bytes make one."""
_JPEG_MARKER = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")
"""But for those that lie in the picture's own data (ITU-T T.81 table B.1, from memory). One byte,
then one of a set: what the search is quickest with; any number of fill bytes may stand before."""

_START_OF_SCAN = np.uint16(0xDAFF)
"""The same table's marker of a pass, FF DA, as a number whose first byte is the lower one."""

_ORIENTATION = 0x0112
_EXIF = 0x8769

_SAVE_AS = "Save or export it as JPEG, PNG, TIFF, WebP or HEIC, then read that file."
_COPY_AGAIN = "Copy it again from the camera or phone."

_OTHER_KINDS: dict[bytes, str] = {
    b"GIF8": "a GIF, which has at most 256 colours and may move",
    b"BM": "a BMP picture",
    b"%PDF": "a PDF document",
    b"<svg": "a drawing (SVG)",
    b"<?xm": "an XML document",
    b"<!DO": "a web page",
    b"<htm": "a web page",
    b"PK\x03\x04": "a ZIP archive",
}


def _what_it_is(data: bytes) -> str:
    for start, kind in _OTHER_KINDS.items():
        if data.startswith(start):
            return f"is {kind}. {_SAVE_AS}"
    head = data[:512]
    if all(byte >= 32 or byte in b"\t\r\n\f" for byte in head):
        return f"is text, not a photo, whatever its name says. {_COPY_AGAIN}"
    return f"is damaged or no photo at all. {_COPY_AGAIN}"


def _formats_of(data: bytes) -> tuple[str, ...]:
    """Return the formats that bytes may have, their decoders being loaded."""
    if data[4:8] != _BOX:
        return FORMATS[:-1]
    # Loaded only for such a photo: it brings a decoder for films.
    from pillow_heif import register_heif_opener

    register_heif_opener()
    return FORMATS


def _opened(data: bytes, shown: str) -> Image.Image:
    """Return the picture with its header read, not its pixels.

    Raises
    ------
    PhotoUnreadable, PhotoTooLarge
    """
    if not data:
        raise PhotoUnreadable(
            f"{shown} is empty (0 bytes); copying it was probably interrupted. {_COPY_AGAIN}"
        )
    try:
        # Pillow warns of large or odd pictures; size is judged by our own limit.
        with warnings.catch_warnings(action="ignore"):
            return Image.open(BytesIO(data), formats=_formats_of(data))
    except Image.DecompressionBombError as error:
        raise PhotoTooLarge(
            f"{shown} claims to be a huge picture ({error}). If it is a real photo, save it "
            f"smaller (at most {MAX_PHOTO_PX // 1_000_000} megapixels)."
        ) from error
    except Exception as error:
        # A damaged header makes the decoders raise almost anything.
        raise PhotoUnreadable(f"{shown} {_what_it_is(data)}") from error


def _check_size(picture: Image.Image, shown: str) -> None:
    width, height = picture.size
    if width * height > MAX_PHOTO_PX:
        raise PhotoTooLarge(
            f"{shown} claims {width} x {height} pixels ({width * height / 1e6:.0f} megapixels); "
            f"at most {MAX_PHOTO_PX / 1e6:.0f} are read. If it is a real photo, save it smaller."
        )
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoTooSmall(
            f"{shown} has {width} x {height} pixels, too few to show a polyp (at least "
            f"{MIN_SIDE_PX} each way). Read the original photo, not its thumbnail."
        )


def _most_scans(data: bytes) -> int:
    """Return how often a JPEG's bytes hold the marker of a pass anywhere: it has no more passes.

    A quarter of the time of going from marker to marker, before which decoding may not begin.
    """
    pairs = [np.frombuffer(data, "<u2", (len(data) - first) // 2, first) for first in (0, 1)]
    return sum(int(np.count_nonzero(one == _START_OF_SCAN)) for one in pairs)


def _check_scans(data: bytes, shown: str) -> None:
    """Raise if a JPEG is stored in more passes than any camera makes.

    Marker by marker, as a decoder goes: ITU-T T.81 annex B, from memory.
    """
    if _most_scans(data) <= MAX_SCANS:
        return
    at, scans = 2, 0
    while (found := _JPEG_MARKER.search(data, at)) is not None:
        at = found.end()
        marker = data[at - 1]
        if marker == 0xD9:
            return
        if marker in (0x01, 0xD8):
            continue
        scans += marker == 0xDA
        if scans > MAX_SCANS:
            raise PhotoUnreadable(
                f"{shown} is stored in more than {MAX_SCANS} passes, which no camera does and "
                f"which would take hours to open. {_COPY_AGAIN}"
            )
        at += max(2, int.from_bytes(data[at : at + 2], "big"))


def _checked(data: bytes, shown: str) -> Image.Image:
    """Return the picture, not decoded yet, once nothing speaks against decoding it."""
    picture = _opened(data, shown)
    _check_size(picture, shown)
    if data.startswith(b"\xff\xd8"):
        _check_scans(data, shown)
    # Only of these: in a TIFF each frame is searched for, and there may be millions.
    frames = int(getattr(picture, "n_frames", 1)) if picture.format in _MOVING else 1
    if frames > 1:
        raise PhotoUnreadable(
            f"{shown} is a moving picture of {frames} frames. Save the frame you want as a photo."
        )
    return picture


def check_picture(data: bytes, shown: str) -> None:
    """Raise if a photo's header says that it cannot be read; no pixel is decoded.

    Raises
    ------
    PhotoUnreadable, PhotoTooLarge, PhotoTooSmall
    """
    _checked(data, shown)


def exif_tags(data: bytes) -> Mapping[int, object]:
    """Return the Exif sub-directory of a photo's bytes; empty if there is none to be read."""
    try:
        return _exif_of(_opened(data, "photo"))
    except PhotoError:
        return {}


def _exif_of(picture: Image.Image) -> Mapping[int, object]:
    try:
        with warnings.catch_warnings(action="ignore"):
            return dict(picture.getexif().get_ifd(_EXIF))
    except Exception:
        # No date is found in a damaged directory; the pixels may still be good.
        return {}


@dataclass(frozen=True, kw_only=True, eq=False)
class Header:
    """What a photo's bytes say before any pixel is decoded.

    Attributes
    ----------
    main, exif : mapping
        Tags of the main directory and of the Exif sub-directory; empty if there are none.
    size_px : tuple of 2 ints
        Width and height as stored.
    orientation : int
    """

    main: Mapping[int, object]
    exif: Mapping[int, object]
    size_px: tuple[int, int]
    orientation: int


def header_of(data: bytes, shown: str) -> Header:
    """Return what a photo's bytes say of it.

    Raises
    ------
    PhotoUnreadable, PhotoTooLarge
    """
    picture = _opened(data, shown)
    try:
        with warnings.catch_warnings(action="ignore"):
            main = dict(picture.getexif())
    except Exception:
        # A damaged directory says nothing; the pixels may still be good.
        main = {}
    return Header(
        main=main,
        exif=_exif_of(picture),
        size_px=picture.size,
        orientation=_orientation(picture),
    )


def turned(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Return pixels (H, W, 3) upright, by the EXIF orientation 1 to 8; others mean 1.

    Source: Exif (CIPA DC-008), table of the tag Orientation, from memory.
    """
    match orientation:
        case 2:
            upright = cv2.flip(pixels, 1)
        case 3:
            upright = cv2.flip(pixels, -1)
        case 4:
            upright = cv2.flip(pixels, 0)
        case 5:
            upright = cv2.transpose(pixels)
        case 6:
            upright = cv2.rotate(pixels, cv2.ROTATE_90_CLOCKWISE)
        case 7:
            upright = cv2.flip(cv2.transpose(pixels), -1)
        case 8:
            upright = cv2.rotate(pixels, cv2.ROTATE_90_COUNTERCLOCKWISE)
        case _:
            upright = pixels
    return np.asarray(upright, np.uint8)


def _orientation(picture: Image.Image) -> int:
    try:
        with warnings.catch_warnings(action="ignore"):
            return int(picture.getexif().get(_ORIENTATION, 1))
    except Exception:
        # A damaged directory says nothing about which way is up.
        return 1


def _foreign_profile(picture: Image.Image) -> ImageCms.ImageCmsProfile | None:
    """Return a picture's colour profile if it has one that works and is not sRGB."""
    profile = picture.info.get("icc_profile")
    if not profile:
        return None
    try:
        source = ImageCms.ImageCmsProfile(BytesIO(profile))
        return None if "sRGB" in ImageCms.getProfileDescription(source) else source
    except (ImageCms.PyCMSError, OSError, ValueError):
        return None  # A broken profile is ignored, as viewers do.


def _to_srgb(picture: Image.Image) -> Image.Image:
    """Return the picture as RGB, through its colour profile where it has one that works."""
    source = _foreign_profile(picture)
    if source is not None:
        try:
            target = ImageCms.createProfile("sRGB")
            changed = ImageCms.profileToProfile(picture, source, target, outputMode="RGB")
            if changed is not None:
                return changed
        except (ImageCms.PyCMSError, OSError, ValueError):
            pass
    return picture if picture.mode == "RGB" else picture.convert("RGB")


def _flattened(picture: Image.Image, shown: str) -> Image.Image:
    """Return a picture of any kind of pixel as opaque RGB, transparency laid on white."""
    if picture.mode.startswith("I;16"):
        # The high byte, as Pillow itself takes of 16-bit colour.
        high = (np.asarray(picture) >> 8).astype(np.uint8)
        return Image.fromarray(high).convert("RGB")
    if picture.mode in ("I", "F"):
        raise PhotoUnreadable(
            f"{shown} holds {'32-bit' if picture.mode == 'I' else 'floating-point'} grey values "
            f"without a stated white. {_SAVE_AS}"
        )
    if picture.has_transparency_data:
        seen = picture.convert("RGBA")
        white = Image.new("RGBA", seen.size, "white")
        flat = Image.alpha_composite(white, seen).convert("RGB")
        if picture.mode in ("RGBA", "RGBa") and "icc_profile" in picture.info:
            flat.info["icc_profile"] = picture.info["icc_profile"]
        return _to_srgb(flat)
    if picture.mode == "P":
        return picture.convert("RGB")
    return _to_srgb(picture)


_ON_ITS_SIDE = (5, 6, 7, 8)
"""Exif orientations of photos whose stored rows are columns of the upright one."""
_REDUCED = {
    2: cv2.IMREAD_REDUCED_GRAYSCALE_2,
    4: cv2.IMREAD_REDUCED_GRAYSCALE_4,
    8: cv2.IMREAD_REDUCED_GRAYSCALE_8,
}
_AS_STORED = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
"""Added to these, colours instead of greys."""


def open_photo(data: bytes, shown: str) -> Photo:
    """Return a photo whose pixels are decoded once they are asked for, and no finer than that.

    A JPEG is reduced while it is decoded, in half the time of decoding it all and a quarter of
    the memory; of other formats all pixels are decoded at once.

    Parameters
    ----------
    data, shown
        As in `decode`, whose errors also come from decoding later.

    Raises
    ------
    PhotoUnreadable, PhotoTooLarge, PhotoTooSmall
    """
    picture = _checked(data, shown)
    if not isinstance(picture, JpegImageFile):
        rgb = _decoded(data, shown, 1).rgb
        return Photo((rgb.shape[1], rgb.shape[0]), lambda _: Picture(rgb=rgb))
    width, height = picture.size
    on_its_side = _orientation(picture) in _ON_ITS_SIDE
    return Photo(
        (height, width) if on_its_side else (width, height),
        lambda reduction: _decoded(data, shown, reduction),
    )


def _reduce(picture: Image.Image, reduction: int) -> int:
    """Have a picture reduced while it is decoded; return by how much it will be."""
    width, height = picture.size
    # Of other sizes the last pixels would be made from less than a whole square.
    if width % reduction or height % reduction or not isinstance(picture, JpegImageFile):
        return 1
    picture.draft(None, (width // reduction, height // reduction))
    return width // picture.size[0]


def _reduced_quickly(data: bytes, picture: Image.Image, reduction: int) -> NDArray[np.uint8] | None:
    """Return the pixels of a plain JPEG, reduced; None of anything else, and of a damaged one.

    OpenCV decodes to the same values as Pillow, and need not pack them anew: an eighth less time.
    """
    flag = _REDUCED.get(reduction)
    if flag is None or picture.mode != "RGB" or _foreign_profile(picture) is not None:
        return None
    rgb = cv2.imdecode(np.frombuffer(data, np.uint8), flag | _AS_STORED)
    return None if rgb is None else np.asarray(rgb, np.uint8)


def decode(data: bytes, shown: str) -> NDArray[np.uint8]:
    """Return a photo's pixels, upright, as sRGB.

    Parameters
    ----------
    data : bytes
        The whole file: JPEG, PNG, TIFF, WebP or HEIC.
    shown : str
        Its name, for messages.

    Returns
    -------
    ndarray (H, W, 3) of uint8

    Raises
    ------
    PhotoUnreadable
        If it is damaged, cut short, moving, or no photo.
    PhotoTooLarge, PhotoTooSmall
        By the size its header states, before any pixel is decoded.
    """
    _checked(data, shown)
    return _decoded(data, shown, 1).rgb


def _decoded(data: bytes, shown: str, reduction: int) -> Picture:
    """Return the pixels of a photo that was checked."""
    picture = _opened(data, shown)
    reduction = _reduce(picture, reduction)
    quick = _reduced_quickly(data, picture, reduction)
    if quick is not None:
        return Picture(rgb=turned(quick, _orientation(picture)), reduction=reduction)
    try:
        with warnings.catch_warnings(action="ignore"):
            picture.load()
            # Asked only now: some decoders turn the picture themselves while loading.
            orientation = _orientation(picture)
            flat = _flattened(picture, shown)
    except PhotoUnreadable:
        raise
    except MemoryError as error:
        raise PhotoTooLarge(
            f"{shown} does not fit into this computer's memory. Save it smaller."
        ) from error
    except Exception as error:
        # Decoders raise many kinds of error on damaged data.
        raise PhotoUnreadable(
            f"{shown} is cut short or damaged: its pixels cannot be decoded ({error}). "
            f"{_COPY_AGAIN}"
        ) from error
    rgb = turned(np.asarray(flat, dtype=np.uint8), orientation)
    return Picture(rgb=rgb, reduction=reduction)
