"""Photos whose card gives no scale, or a misleading one: words, status, and the others read."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from photo_makers import card_photo, encoded
from run_command import Run

Photo = NDArray[np.uint8]


def no_card() -> Photo:
    noise = np.random.default_rng(1).integers(0, 255, (800, 900, 3))
    return np.asarray(noise, np.uint8)


def half_a_card() -> Photo:
    photo = card_photo(42)
    return photo[:, : photo.shape[1] // 2].copy()


def two_plates() -> Photo:
    return card_photo(42, 77)


def mirrored() -> Photo:
    return np.ascontiguousarray(card_photo(42)[:, ::-1])


def heavy_blur() -> Photo:
    return np.asarray(cv2.GaussianBlur(card_photo(42), (0, 0), 14.0), np.uint8)


def overexposed() -> Photo:
    photo = card_photo(42, ground=235).astype(int)
    return np.clip(photo * 1.2, 0, 255).astype(np.uint8)


BAD: dict[str, tuple[Callable[[], Photo], str, str]] = {
    "none": (no_card, "no-card", "No reference card was found"),
    "half": (half_a_card, "half-card", "need 4"),
    "two": (two_plates, "two-plates", "Cards of plates 0042 and 0077 lie in one photo"),
    "mirrored": (mirrored, "mirrored", "The photo is mirrored"),
    "blurred": (heavy_blur, "blurred", "focus on the plate"),
    "overexposed": (overexposed, "overexposed", "lower the exposure"),
}


def read(run: Run, tmp_path: Path, *words: object) -> tuple[int, str, list[dict[str, Any]]]:
    out = tmp_path / "out.json"
    done = run("read", *words, "--json", out)
    assert "Traceback" not in done.err
    return done.status, done.err, json.loads(out.read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", BAD)
def test_one_bad_card(run: Run, tmp_path: Path, name: str) -> None:
    make, kind, words = BAD[name]
    photo = tmp_path / f"{name}.png"
    photo.write_bytes(encoded(make(), "PNG"))
    status, err, [record] = read(run, tmp_path, photo)
    assert status == 1
    assert record["error"]["kind"] == kind
    assert words.lower() in record["error"]["message"].lower()
    assert record["error"]["message"] in err
    assert (record["scale"], record["polyps"]) == (None, [])


def test_the_rest_of_the_batch_is_read(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    for name, (make, _, _) in BAD.items():
        (folder / f"{name}.png").write_bytes(encoded(make(), "PNG"))
    (folder / "good.png").write_bytes(encoded(card_photo(42), "PNG"))
    status, _, records = read(run, tmp_path, folder)
    assert status == 1
    kinds = {Path(r["photo"]).stem: r["error"] and r["error"]["kind"] for r in records}
    assert kinds == {"good": None, **{name: kind for name, (_, kind, _) in BAD.items()}}
    [good] = [record for record in records if record["error"] is None]
    assert good["plate"] == "0042"
    assert good["scale"]["source"] == "card"
    assert good["scale"]["mm_per_px"] == pytest.approx(1 / 8, rel=0.005)


def test_the_photo_of_another_plate_than_was_said(run: Run, tmp_path: Path) -> None:
    photo = tmp_path / "a.png"
    photo.write_bytes(encoded(card_photo(42), "PNG"))
    status, _, [record] = read(run, tmp_path, photo, "--plate", "43")
    assert status == 1
    assert record["error"]["kind"] == "two-plates"
    status, _, [record] = read(run, tmp_path, photo, "--plate", "42")
    assert status == 0
    assert record["plate"] == "0042"


def test_a_scale_that_is_given_does_without_a_card(run: Run, tmp_path: Path) -> None:
    photo = tmp_path / "a.png"
    photo.write_bytes(encoded(no_card(), "PNG"))
    status, _, [record] = read(run, tmp_path, photo, "--mm-per-px", "0.2")
    assert status == 0
    assert record["scale"] == {
        "mm_per_px": 0.2,
        "mm_per_px_err": None,
        "source": "given",
        "reprojection_px": None,
    }
