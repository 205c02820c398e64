"""Photos against each other, and against a table of hand measurements, on the command line."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from run_command import Run

from polypvision.evaluate.uncertainty import random_trial
from polypvision.render.chance import frame_camera
from polypvision.render.photo import render_scene
from polypvision.render.scene import Scene
from polypvision.render.truth import truth_reading


def scene(tilt_deg: float) -> Scene:
    """One and the same plate, in air at the card's height, seen from another side."""
    known = random_trial(12).scene
    camera = replace(
        known.camera, width_px=1400, height_px=1000, focal_px=1400.0, k1=0.0, tilt_deg=tilt_deg
    )
    shown = (0.0, known.plate_y_mm, known.plate_x_mm + known.plate_width_mm, 60.0)
    return replace(
        known,
        camera=frame_camera(camera, shown, fill=0.84),
        disc_height_mm=0.0,
        water_depth_mm=0.0,
        print_scale=1.0,
    )


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shots")
    for number, tilt in enumerate((3.0, 18.0)):
        rendered = render_scene(scene(tilt), np.random.default_rng(number))
        Image.fromarray(rendered.rgb).save(folder / f"2024-03-04-{number}.jpg", quality=92)
        if number == 0:
            truth, _ = truth_reading(rendered, scene(tilt), "")
            sizes = [[p.x_mm, p.y_mm, p.diameter_mm, p.n_mouths] for p in truth.polyps]
            (folder / "truth.json").write_text(json.dumps(sizes), encoding="utf-8")
    return folder


def test_readings_repeat(run: Run, tmp_path: Path, photos: Path) -> None:
    shots = sorted(photos.glob("*.jpg"))
    done = run("repeat", *shots, "--json", tmp_path / "r.json", "--charts", tmp_path / "charts")
    assert done.status == 0, done.err
    assert "smallest detectable" in done.out
    record = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    diameter = record["sizes"]["diameter_mm"]
    assert diameter["n"] >= 3
    assert 0 < diameter["sd"] < 0.02 * diameter["mean"]
    assert (tmp_path / "charts" / "diameter.svg").read_bytes().startswith(b"<?xml")

    alone = run("repeat", shots[0])
    assert alone.status == 1
    assert "takes two to compare" in alone.err


def test_a_photo_and_a_plate_against_callipers(run: Run, tmp_path: Path, photos: Path) -> None:
    photo = photos / "2024-03-04-0.jpg"
    assert run("read", photo, "--record", "--json", tmp_path / "a.json").status == 0
    [record] = json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))
    truth = json.loads((photos / "truth.json").read_text(encoding="utf-8"))
    rows = []
    for polyp in record["polyps"]:
        near = min(truth, key=lambda one: np.hypot(one[0] - polyp["x_mm"], one[1] - polyp["y_mm"]))
        rows.append((polyp["label"], near[2], near[3]))
    hand = tmp_path / "hand.csv"
    lines = [f"{label},{diameter:.1f},{mouths}," for label, diameter, mouths in rows]
    head = "polyp,diameter_mm,mouths,count\n"
    hand.write_text(head + "\n".join([*lines, f",,,{len(truth)}"]), encoding="utf-8")
    done = run("agree", photo, hand, "--charts", tmp_path / "c", "--json", tmp_path / "h.json")
    assert done.status == 0, done.err
    assert "limits of agreement" in done.out
    found = json.loads((tmp_path / "h.json").read_text(encoding="utf-8"))["quantities"]
    assert abs(found["diameter_mm"]["bias"]) < 0.5
    assert found["diameter_mm"]["icc_2_1"] > 0.9
    assert {one.name for one in (tmp_path / "c").iterdir()} == {
        "diameter.svg", "count.svg", "mouths.svg",
    }  # fmt: skip

    plate = record["plate"]
    dated = "\n".join(f"2024-03-04,P{label:02d},{d:.1f}" for label, d, _ in rows)
    hand.write_text("date,polyp,diameter_mm\n" + dated, encoding="utf-8")
    done = run("agree", plate, hand)
    assert done.status == 0, done.err
    assert f"Diameter ({len(rows)}), machine minus hand" in done.out

    wrong = {
        "date,polyp,diameter_mm\n2024-03-04,P99,12": "no polyp 'P99'",
        "date,polyp,diameter_mm\n2024-03-05,P01,12": "no photo of plate",
        "polyp,diameter_mm\nP01,12": "no date",
        "polyp,diameter_mm\n,12": "of no polyp",
        "polyp,diameter_mm\nP01,-2": "above 0",
        "polyp,count\nP01,2": "of all polyps",
        "polyp,mouths\nP01,": "nothing was measured",
        "polyp,mouths\nP01,1.5": "whole number",
        "date,polyp,mouths\n2024-03-04,P01,1\n2024-03-04,P01,1": "once more",
    }
    for text, words in wrong.items():
        hand.write_text(text, encoding="utf-8")
        done = run("agree", plate, hand)
        assert done.status == 1, text
        assert words in done.err
    hand.write_text("polyp,mouths\nP01,1", encoding="utf-8")
    assert "no label" in run("agree", photo, hand).err
