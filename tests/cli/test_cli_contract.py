"""What scripts may rely on: the JSON of ``read``, key by key, and the exit statuses."""

import hashlib
import json
import math
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from run_command import Done

from polypvision.flags import FLAGS

SAMPLES = sorted((Path(__file__).parents[2] / "sample_images").glob("*/*.jpg"))
PHOTO = SAMPLES[0]

Number = (int, float)
PHOTO_KEYS: dict[str, tuple[type, ...]] = {
    "photo": (str,),
    "sha256": (str,),
    "taken_at": (str, type(None)),
    "plate": (str, type(None)),
    "error": (dict, type(None)),
    "flags": (list,),
    "scale": (dict, type(None)),
    "n_polyps": (int,),
    "n_mouths": (int,),
    "polyps": (list,),
}
SCALE_KEYS: dict[str, tuple[type, ...]] = {
    "mm_per_px": Number,
    "mm_per_px_err": (*Number, type(None)),
    "source": (str,),
    "reprojection_px": (*Number, type(None)),
}
POLYP_KEYS: dict[str, tuple[type, ...]] = {
    "label": (int,),
    "x_mm": Number,
    "y_mm": Number,
    "x_px": Number,
    "y_px": Number,
    "outline_px": (list,),
    "outline_mm": (list,),
    "diameter_mm": Number,
    "diameter_mm_err": (*Number, type(None)),
    "feret_max_mm": Number,
    "area_mm2": Number,
    "area_mm2_err": (*Number, type(None)),
    "n_mouths": (int,),
    "mouths": (list,),
    "two_mouths_probability": Number,
    "wound_mm2": Number,
    "wound_mm2_err": (*Number, type(None)),
    "score": Number,
    "flags": (list,),
}
MOUTH_KEYS: dict[str, tuple[type, ...]] = dict.fromkeys(
    ("x_px", "y_px", "x_mm", "y_mm", "score"), Number
)


def check_keys(record: dict[str, Any], keys: dict[str, tuple[type, ...]]) -> None:
    """Every promised key, of a promised type; there may be more."""
    for key, kinds in keys.items():
        assert key in record, key
        assert isinstance(record[key], kinds), (key, record[key])
        assert not isinstance(record[key], bool), key


def check_photo(record: dict[str, Any]) -> None:
    check_keys(record, PHOTO_KEYS)
    assert set(record["flags"]) <= set(FLAGS)
    assert record["n_polyps"] == len(record["polyps"])
    if record["taken_at"] is not None:
        datetime.fromisoformat(record["taken_at"])
    if record["error"] is not None:
        check_keys(record["error"], {"kind": (str,), "message": (str,)})
        assert record["scale"] is None
        assert record["polyps"] == []
        return
    check_keys(record["scale"], SCALE_KEYS)
    assert record["scale"]["source"] in ("card", "given")
    assert record["n_mouths"] == sum(polyp["n_mouths"] for polyp in record["polyps"])
    assert [polyp["label"] for polyp in record["polyps"]] == list(range(1, record["n_polyps"] + 1))
    for polyp in record["polyps"]:
        check_keys(polyp, POLYP_KEYS)
        assert set(polyp["flags"]) <= set(FLAGS)
        assert polyp["n_mouths"] == len(polyp["mouths"])
        for share in ("two_mouths_probability", "score"):
            assert 0 <= polyp[share] <= 1
        for mouth in polyp["mouths"]:
            check_keys(mouth, MOUTH_KEYS)
            assert 0 <= mouth["score"] <= 1
        for outline in ("outline_px", "outline_mm"):
            assert len(polyp[outline]) >= 3
            assert all(len(point) == 2 for point in polyp[outline])


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Done, list[dict[str, Any]]]:
    """One sample photo, a bad one and a missing one, read as a script would."""
    import subprocess
    import sys

    folder = tmp_path_factory.mktemp("contract")
    bad, out = folder / "bad.jpg", folder / "out.json"
    bad.write_text("not a photo")
    ran = subprocess.run(
        [sys.executable, "-m", "polypvision", "read", PHOTO, bad, folder / "none.jpg",
         "--json", out],
        capture_output=True,
        text=True,
        cwd=folder,
        env={"PATH": "/usr/bin:/bin", "HOME": str(tmp_path_factory.mktemp("home"))},
        check=False,
    )  # fmt: skip
    assert sorted(path.name for path in folder.iterdir()) == ["bad.jpg", "out.json"]
    records: list[dict[str, Any]] = json.loads(out.read_text(encoding="utf-8"))
    return Done(ran.returncode, ran.stdout, ran.stderr), records


def test_one_object_per_photo_whatever_happens_to_each(
    done: tuple[Done, list[dict[str, Any]]],
) -> None:
    ended, records = done
    assert ended.status == 1
    assert [Path(record["photo"]).name for record in records] == [
        PHOTO.name,
        "bad.jpg",
        "none.jpg",
    ]
    for record in records:
        check_photo(record)
    assert [record["error"] is None for record in records] == [True, False, False]


def test_the_values_mean_what_is_promised(done: tuple[Done, list[dict[str, Any]]]) -> None:
    record = done[1][0]
    assert record["photo"] == str(PHOTO)
    assert record["sha256"] == hashlib.sha256(PHOTO.read_bytes()).hexdigest()
    assert record["plate"] == PHOTO.parent.name
    assert record["taken_at"][:10] == PHOTO.stem
    assert record["n_polyps"] > 0
    assert record["scale"]["source"] == "card"
    with Image.open(PHOTO) as picture:
        width, height = picture.size
        if picture.getexif().get(0x0112, 1) >= 5:
            width, height = height, width
    for polyp in record["polyps"]:
        px, mm = np.array(polyp["outline_px"]), np.array(polyp["outline_mm"])
        assert px.shape == mm.shape
        assert px.min() > -1
        assert (px.max(axis=0) < (width, height)).all()
        # The circle with the same planform area.
        x, y = mm.T
        area = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
        assert polyp["area_mm2"] == pytest.approx(area, rel=2e-3)
        assert polyp["diameter_mm"] == pytest.approx(math.sqrt(4 * area / math.pi), rel=1e-3)
        assert polyp["diameter_mm"] <= polyp["feret_max_mm"] * 1.001
        assert 0 <= polyp["wound_mm2"] <= polyp["area_mm2"]
        assert np.hypot(*(px.mean(axis=0) - (polyp["x_px"], polyp["y_px"]))) < np.ptp(px) / 4
        # Close to the stated scale: perspective changes it across the plate.
        ratio = np.ptp(mm[:, 0]) + np.ptp(mm[:, 1])
        assert (
            0.5 < ratio / ((np.ptp(px[:, 0]) + np.ptp(px[:, 1])) * record["scale"]["mm_per_px"]) < 2
        )


def test_status_0_if_all_were_read_and_the_same_bytes_twice(tmp_path: Path) -> None:
    import subprocess
    import sys

    outs = [tmp_path / "one.json", tmp_path / "two.json"]
    for out in outs:
        subprocess.run(
            [sys.executable, "-m", "polypvision", "read", PHOTO, "--json", out],
            check=True,
            capture_output=True,
        )
    assert outs[0].read_bytes() == outs[1].read_bytes()
