"""Any bytes are answered: a short form of run_fuzz.py, and what its long runs found."""

import json
import random
import struct
import subprocess
import sys
from collections.abc import Callable
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path

import fuzz_corpus
import pytest
from fuzz_targets import TARGETS, Target
from hypothesis import given
from hypothesis import strategies as st
from photo_makers import corners_picture, encoded
from PIL import Image

from polypvision.errors import LensError, PhotoUnreadable, TableError
from polypvision.evaluate.truth import truth_photos
from polypvision.files.lenses import read_profiles
from polypvision.files.pixels import MAX_SCANS, _most_scans, check_picture, decode
from polypvision.files.tables import read_json, read_outcomes

TRIES = {"card": 15, "photo": 300, "exif": 300}


def mutated(start: list[bytes], chance: random.Random) -> bytes:
    """One of the inputs with some of its bytes changed, moved, doubled or cut off."""
    data = bytearray(chance.choice(start))
    for _ in range(chance.randint(1, 8)):
        at, n = chance.randrange(len(data) + 1), chance.randint(1, 8)
        match chance.randrange(4):
            case 0:
                data[at : at + n] = chance.randbytes(n)
            case 1:
                del data[at : at + n]
            case 2:
                data[at:at] = data[at : at + 4 * n]
            case _:
                other = chance.choice(start)
                cut = chance.randrange(len(other) + 1)
                data[at : at + n] = other[cut : cut + 4 * n]
    return bytes(data)


def run(target: Target, tries: int, seed: int) -> None:
    start, chance = target.corpus(), random.Random(seed)
    for data in start:
        target.take(data)
    for _ in range(tries):
        target.take(mutated(start, chance))


@pytest.mark.filterwarnings("ignore")  # What libraries say of damaged files.
@pytest.mark.parametrize("name", TARGETS)
def test_damaged_bytes_are_answered(name: str) -> None:
    run(TARGETS[name], TRIES.get(name, 1000), seed=8)


def test_a_fault_would_be_seen() -> None:
    def take(data: bytes) -> None:
        assert data[:1] in (b"[", b"{", b"")

    with pytest.raises(AssertionError):
        run(Target(take=take, corpus=fuzz_corpus.wishes), 200, seed=8)


@pytest.mark.skipif(find_spec("atheris") is None, reason="atheris has no wheel for this Python")
def test_fuzzing_with_coverage_runs(tmp_path: Path) -> None:
    script = Path(__file__).with_name("run_fuzz.py")
    command = [sys.executable, str(script), "codes", "--seconds", "1", "--keep", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    _, runs, _, reached, finds = [
        one.strip() for one in done.stdout.splitlines()[4].split("|")[1:6]
    ]
    assert int(runs) > 20
    assert int(reached) > 5
    assert int(finds) == 0


# What was found, and is mended.


def test_a_tiff_whose_second_frame_is_broken() -> None:
    stack = BytesIO()
    frame = Image.fromarray(corners_picture())
    frame.save(stack, "TIFF", save_all=True, append_images=[frame])
    data = stack.getvalue()
    width_tag = struct.pack("<HHI", 256, 4, 1)
    at = data.rindex(width_tag)
    assert at != data.index(width_tag)
    broken = data[:at] + struct.pack("<HHI", 999, 4, 1) + data[at + 8 :]
    assert (decode(broken, "a.tif") == corners_picture()).all()


@pytest.mark.parametrize("data", [42, None, {}, [42], [{"file": "a", "polyps": [7]}]])
def test_truth_that_is_none(data: object) -> None:
    with pytest.raises(TableError):
        truth_photos(data)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "change",
    [
        {"focal_mm": 0},
        {"focal_35mm": -1},
        {"make": 7},
        {"width_px": 0},
        {"focal_px": 1e300},
        {"focal_px": float("nan")},
        {"centre_px": [1.0]},
        {"distortion": [0, 0, 0, 0, "k"]},
        {"distortion": [0, 0, 0, 0, 10**400]},
        {"bend_err": None},
    ],
)
def test_a_profile_that_cannot_be(tmp_path: Path, change: dict[str, object]) -> None:
    said = {"kind": "polypvision lens profile", **vars(fuzz_corpus.PROFILE)}
    path = tmp_path / "lens-a.json"
    path.write_text(json.dumps(said))
    assert read_profiles(tmp_path) == (fuzz_corpus.PROFILE,)
    path.write_text(json.dumps(said | change))
    with pytest.raises(LensError, match="no lens profile"):
        read_profiles(tmp_path)


@pytest.mark.parametrize("read", [read_json, read_outcomes])
def test_json_nested_without_end(tmp_path: Path, read: Callable[[Path], object]) -> None:
    path = tmp_path / "deep.json"
    path.write_text("[" * 100_000)
    with pytest.raises(TableError):
        read(path)


def test_a_reading_with_an_endless_label(tmp_path: Path) -> None:
    records = json.loads(fuzz_corpus.records()[0])
    records[0]["polyps"][0]["label"] = float("inf")
    path = tmp_path / "readings.json"
    path.write_text(json.dumps(records))
    with pytest.raises(TableError, match="not a list of readings"):
        read_outcomes(path)


def test_a_jpeg_of_endless_passes_is_refused_before_it_is_opened() -> None:
    """A few bytes make a pass, and each takes as long as the whole picture (ITU-T T.81, G.1.2)."""
    good = encoded(corners_picture(), "JPEG", progressive=True)
    check_picture(good, "a.jpg")
    last = good.rindex(b"\xff\xda")
    # Any number of fill bytes may stand before a marker (ITU-T T.81, B.1.1.2).
    scan = b"\xff\xff" + good[last:-2]
    for times, refused in ((MAX_SCANS // 2, False), (MAX_SCANS, True)):
        many = good[:-2] + scan * times + good[-2:]
        if refused:
            for look in (check_picture, decode):
                with pytest.raises(PhotoUnreadable, match="passes"):
                    look(many, "a.jpg")
        else:
            check_picture(many, "a.jpg")


@given(st.lists(st.sampled_from([b"\xff", b"\xda", b"\x00", b"\xff\xda"]), max_size=40))
def test_markers_of_passes_are_counted_as_python_counts_them(parts: list[bytes]) -> None:
    data = b"\xff\xd8" + b"".join(parts)
    assert _most_scans(data) == data.count(b"\xff\xda")


def test_bytes_that_look_like_passes_inside_of_a_note_are_none() -> None:
    note = b"\xff\xda\x00\x02" * 2000
    block = b"\xff\xfe" + struct.pack(">H", len(note) + 2) + note
    good = encoded(corners_picture(), "JPEG")
    check_picture(good[:2] + block + good[2:], "a.jpg")
