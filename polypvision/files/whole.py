"""Whether a file that somebody may still be writing holds the whole of its photo.

Only the frame of the format is followed, no pixel is decoded: JPEG (ITU-T T.81, B.1 and B.2), PNG
(ISO/IEC 15948, 5.3 and 11.2.5), WebP (RFC 9649, 2.3 and 2.4), HEIF (ISO/IEC 14496-12, 4.2); all
from memory.
"""

import struct
from pathlib import Path

from polypvision.files.pixels import SUFFIXES

_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_END = b"\0\0\0\0IEND\xaeB`\x82"
"""With its checksum, always the same."""
_NO_LENGTH = {0x01, *range(0xD0, 0xD9)}
"""JPEG markers that stand alone: TEM, RST0 to RST7, SOI."""
_START_OF_SCAN, _END_OF_IMAGE = 0xDA, b"\xff\xd9"
_HALF_NAMES = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".download", ".filepart")
"""Endings that programs give to what they have not finished (common practice, no source)."""


def is_half_named(name: str) -> bool:
    """Return whether a name says that the file is not finished: hidden, or ``a.part.jpg``."""
    stem = name.lower()
    for suffix in SUFFIXES:
        stem = stem.removesuffix(suffix)
    return name.startswith((".", "~")) or stem.endswith(_HALF_NAMES)


def is_whole(path: Path) -> bool:
    """Return whether a file closes as its format does; True of formats that have no end.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    data = path.read_bytes()
    if data.startswith(b"\xff\xd8"):
        return _jpeg_closes(data)
    if data.startswith(_PNG):
        return _png_closes(data)
    if data.startswith(b"RIFF"):
        return len(data) >= 12 and len(data) >= 8 + int(struct.unpack_from("<I", data, 4)[0])
    if data[4:8] == b"ftyp":
        return _boxes_close(data)
    # Zeros are room that was set aside for what is to come; anything else may be a photo.
    return bool(data.strip(b"\0"))


def _jpeg_closes(data: bytes) -> bool:
    """Whether an end follows the first scan; phones may add a film or a text behind it.

    The end of a thumbnail inside an application segment does not count: segments are stepped over.
    """
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:  # Fill bytes may stand before any marker.
            at += 1
            continue
        if marker in _NO_LENGTH:
            at += 2
            continue
        at += 2 + int(struct.unpack_from(">H", data, at + 2)[0])
        if marker == _START_OF_SCAN:
            # Inside a scan the byte FF is always followed by 00 or a restart marker.
            return data.find(_END_OF_IMAGE, at) >= 0
    return False


def _png_closes(data: bytes) -> bool:
    at = len(_PNG)
    while at + 12 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        if kind == b"IEND":
            return data[at : at + 12] == _PNG_END
        at += 12 + length
    return False


def _boxes_close(data: bytes) -> bool:
    at = 0
    while at + 8 <= len(data):
        size = int(struct.unpack_from(">I", data, at)[0])
        if size == 0:
            return True  # To the end of the file, wherever that is.
        if size == 1 and at + 16 <= len(data):
            size = int(struct.unpack_from(">Q", data, at + 8)[0])
        if size < 8:
            return False
        at += size
    return at == len(data)
