"""What is fuzzed: each target takes any bytes, and lets through only what our errors are for.

An error of ours is an answer; any other exception, a broken promise (``assert``), a hang or a crash
is a find.
"""

import json
import struct
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from io import BytesIO
from pathlib import Path

import fuzz_corpus
import numpy as np
from numpy.typing import NDArray
from photo_makers import corners_picture, encoded
from PIL import Image
from time_builders import make_polyp, make_reading

from polypvision.calibrate.markers import find_markers
from polypvision.calibrate.profile import choose_lens
from polypvision.card.code import AGREEING, CARD_NAMES, CODE_MAX, marker_ids, marker_place
from polypvision.card.code import plate_codes as agreed_codes
from polypvision.corrections import Correction, act_of, correct, wish_of
from polypvision.corrections.record import from_record, to_record
from polypvision.errors import PolypvisionError
from polypvision.evaluate.truth import truth_photos
from polypvision.files import pixels
from polypvision.files.dates import parse_date, photo_date
from polypvision.files.hand_table import read_hand_table
from polypvision.files.lenses import photo_camera, read_profiles
from polypvision.files.log_table import read_log_table
from polypvision.files.outputs import picture_bytes
from polypvision.files.tables import read_json, read_outcomes
from polypvision.plates.cards import parse_codes
from polypvision.reading import PlateReading
from polypvision.reading import to_record as reading_record
from polypvision.web.uploads import safe_name

NOW = datetime(2031, 3, 4, tzinfo=UTC)
MAX_PX = 1_000_000
"""While fuzzing no larger picture is decoded, so that more of them are tried."""


@dataclass(frozen=True, kw_only=True)
class Target:
    """A way in: what takes the bytes, and what to start from."""

    take: Callable[[bytes], None]
    corpus: Callable[[], list[bytes]]


@cache
def _place() -> Path:
    # In memory where there is such a disk: a file is written for every try.
    memory = Path("/dev/shm")
    base = memory if memory.is_dir() else None
    return Path(tempfile.mkdtemp(prefix="polypvision-fuzz-", dir=base))


def _file(name: str, data: bytes) -> Path:
    path = _place() / name
    path.write_bytes(data)
    return path


def photo(data: bytes) -> None:
    """A photo's bytes: header, date, camera, pixels."""
    limit, pixels.MAX_PHOTO_PX = pixels.MAX_PHOTO_PX, MAX_PX
    try:
        pixels.check_picture(data, "a.jpg")
        _facts(data)
        rgb = pixels.decode(data, "a.jpg")
    except PolypvisionError:
        return
    finally:
        pixels.MAX_PHOTO_PX = limit
    assert rgb.dtype == np.uint8
    assert rgb.ndim == 3
    assert rgb.shape[2] == 3
    assert rgb.flags.c_contiguous


def _facts(data: bytes) -> None:
    date = photo_date(exif=pixels.exif_tags(data), name="a.jpg", now=NOW)
    camera = photo_camera(data, "a.jpg")
    choose_lens([fuzz_corpus.PROFILE], camera, needed=True)
    if date is not None:
        out = picture_bytes(corners_picture(), date.at)
        assert not Image.open(BytesIO(out)).getexif().get_ifd(0x8825)


@cache
def _plain_jpeg() -> bytes:
    return encoded(corners_picture(), "JPEG")


def exif(data: bytes) -> None:
    """The Exif block of a good photo."""
    block = b"Exif\0\0" + data[:65_000]
    plain = _plain_jpeg()
    photo_bytes = plain[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + plain[2:]
    try:
        _facts(photo_bytes)
        pixels.decode(photo_bytes, "a.jpg")
    except PolypvisionError:
        return


def log_table(data: bytes) -> None:
    """A log in CSV."""
    try:
        entries = read_log_table(_file("log.csv", data))
    except PolypvisionError:
        return
    assert all(one.plate for one in entries)


def hand_table(data: bytes) -> None:
    """Measurements by hand in CSV."""
    try:
        rows = read_hand_table(_file("hand.csv", data))
    except PolypvisionError:
        return
    assert all(one.polyp or one.count is not None for one in rows)


def records(data: bytes) -> None:
    """JSON that is read in: readings, truth, outlines in the COCO form."""
    path = _file("records.json", data)
    for take in (_outcomes, _truth):
        try:
            take(path)
        except PolypvisionError:
            continue


def _outcomes(path: Path) -> None:
    for one in read_outcomes(path):
        reading_record(one)


def _truth(path: Path) -> None:
    truth_photos(read_json(path))


def profile(data: bytes) -> None:
    """A lens profile, and its lens for a photo of that camera."""
    _file("lens-a.json", data)
    try:
        found = read_profiles(_place())
    except PolypvisionError:
        return
    for one in found:
        camera = photo_camera(_camera_photo(), "a.jpg")
        same = replace(camera, make=one.make, model=one.model, focal_mm=one.focal_mm)
        choice = choose_lens(found, same, needed=True)
        if choice.lens is not None:
            assert np.isfinite([choice.lens.focal_px, *choice.lens.distortion]).all()


@cache
def _camera_photo() -> bytes:
    return encoded(corners_picture(), "JPEG", exif=fuzz_corpus.rich_exif())


def codes(data: bytes) -> None:
    """Marker numbers to plate codes."""
    ids = struct.unpack(f"<{min(len(data) // 2, 60)}H", data[: 2 * min(len(data) // 2, 60)])
    places = [place for place in map(marker_place, ids) if place is not None]
    for code, agreeing in agreed_codes(places).items():
        assert 1 <= code <= CODE_MAX
        owners = {place.card for place in agreeing}
        good = {marker_place(one) for name in CARD_NAMES for one in marker_ids(code, name)}
        assert set(agreeing) <= good & set(places)
        assert any(sum(place.card == card for place in agreeing) >= AGREEING for card in owners)


@cache
def _card() -> NDArray[np.uint8]:
    return fuzz_corpus.card_picture()


def card(data: bytes) -> None:
    """A card's picture with grey rectangles over it: what is read is the card or nothing."""
    rgb = _card().copy()
    for at in range(0, min(len(data), 100) - 4, 5):
        x, y, wide, high, grey = data[at : at + 5]
        rgb[y : y + high // 2, x : x + wide // 2] = grey
    found = find_markers(rgb)
    assert all(np.isfinite(one.corners_xy).all() for one in found)
    assert set(agreed_codes(one.place for one in found)) <= {42}


@cache
def _reading() -> PlateReading:
    polyps = [make_polyp(1, 20, 20, 16.0, wound_mm2=4.0), make_polyp(2, 50, 20, 18.0, n_mouths=2)]
    plane = np.diag([6.0, 6.0, 1.0])
    return replace(make_reading(0, polyps), plate_to_photo=plane)


def wishes(data: bytes) -> None:
    """Corrections as a page sends them, done one after the other."""
    try:
        said = json.loads(data)
    except (ValueError, RecursionError):
        return
    made: list[Correction] = []
    now = _reading()
    for number, value in enumerate(said[:6] if isinstance(said, list) else [said], 1):
        try:
            wish = wish_of(value, photo="a")
            if wish.kind in ("join", "withdraw", "undo", "redo"):
                continue
            act, was = act_of(wish, now, (700, 500))
        except PolypvisionError:
            continue
        one = Correction(id=f"c{number}", number=number, author="A", at=NOW, act=act, was=was)
        made.append(from_record(json.loads(json.dumps(to_record(one), allow_nan=False))))
        corrected = correct(_reading(), made)
        now = corrected.reading
        json.dumps(reading_record(now), allow_nan=False)


def words(data: bytes) -> None:
    """Names of files, dates and codes as people write them."""
    text = data.decode("utf-8", "replace")
    photo_date(exif={0x9003: text, 0x9011: text}, name=text, now=NOW)
    safe = safe_name(text)
    assert "/" not in safe
    assert 0 < len(safe) <= 90
    assert not safe.startswith(".")
    for take in (parse_date, lambda said: parse_codes(said[:60])):
        try:
            take(text)
        except ValueError:
            continue


TARGETS: dict[str, Target] = {
    "photo": Target(take=photo, corpus=fuzz_corpus.photos),
    "exif": Target(take=exif, corpus=lambda: [fuzz_corpus.rich_exif()[6:]]),
    "log-table": Target(take=log_table, corpus=fuzz_corpus.log_tables),
    "hand-table": Target(take=hand_table, corpus=fuzz_corpus.hand_tables),
    "records": Target(take=records, corpus=fuzz_corpus.records),
    "profile": Target(take=profile, corpus=fuzz_corpus.profiles),
    "codes": Target(take=codes, corpus=fuzz_corpus.markers),
    "card": Target(take=card, corpus=fuzz_corpus.patches),
    "wishes": Target(take=wishes, corpus=fuzz_corpus.wishes),
    "words": Target(take=words, corpus=fuzz_corpus.words),
}
