"""Held-out families: no lesson shows them, and their truth fits what is painted."""

import ast
from dataclasses import replace
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
import pytest

import polypvision
from polypvision.evaluate import score
from polypvision.evaluate.heldout import FAMILIES, HeldOut, empty_pictures, pictures
from polypvision.evaluate.heldout.__main__ import read
from polypvision.render.chance import TAUGHT, random_scene
from polypvision.render.photo import render_scene
from polypvision.render.scene import (
    FURNITURE,
    GROUNDS,
    HELD_OUT,
    MORPHS,
    TEXTURES,
    FurnitureSpec,
    Scene,
)
from polypvision.train.lessons import random_lessons
from polypvision.train.mounts import mounted, with_decoys

TRAIN = Path(polypvision.__file__).parent / "train"


def words(scene: Scene) -> set[str]:
    return {
        scene.ground,
        *(polyp.texture for polyp in scene.polyps),
        *(polyp.morph for polyp in scene.polyps),
        *(thing.kind for thing in scene.furniture),
    }


def test_plates_of_lessons_never_show_what_is_held_out() -> None:
    rng = np.random.default_rng(8)
    seen: set[str] = set()
    for _ in range(60):
        scene = random_scene(rng, n_polyps=int(rng.integers(0, 9)))
        seen |= words(with_decoys(mounted(scene, rng), rng))
    assert not seen & HELD_OUT
    # The draw is wide enough to mean something: everything else came up.
    taught = {*GROUNDS, *TEXTURES, *MORPHS, *FURNITURE} - HELD_OUT - {"cover"}
    assert seen == taught


def test_lessons_draw_their_plates_by_the_default_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[Scene] = []

    def spy(*args: object, **kwargs: object) -> Scene:
        assert "looks" not in kwargs
        drawn.append(replace(random_scene(*args, **kwargs), polyps=()))  # type: ignore[arg-type]
        return drawn[-1]

    monkeypatch.setattr("polypvision.train.lessons.random_scene", spy)
    list(islice(random_lessons(3, closeups=0), 2))
    assert len(drawn) >= 2
    assert not set().union(*(words(scene) for scene in drawn)) & HELD_OUT


def test_no_word_of_training_names_a_held_out_look() -> None:
    for path in TRAIN.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                assert node.value not in HELD_OUT, path
            if isinstance(node, ast.ImportFrom) and node.module:
                assert not node.module.startswith("polypvision.evaluate"), path


def test_every_held_out_look_is_in_a_family_and_can_be_painted() -> None:
    rng = np.random.default_rng(4)
    looks = replace(
        TAUGHT, grounds=("slate", "terrazzo"), textures=("net",), morphs=("gold", "ink"),
        things=("hub",),
    )  # fmt: skip
    scene = random_scene(rng, width_px=500, height_px=375, n_polyps=4, looks=looks)
    hub = FurnitureSpec(kind="hub", x_mm=60, y_mm=60, size_mm=20)
    assert words(replace(scene, furniture=(hub,))) <= HELD_OUT
    for ground in looks.grounds:
        photo = render_scene(replace(scene, ground=ground, furniture=(hub,)), rng)
        assert photo.rgb.std() > 5


@pytest.fixture(scope="module")
def close_ups() -> list[HeldOut]:
    return [
        paint(np.random.default_rng([5, k]), None)
        for k, (name, paint) in enumerate(FAMILIES.items())
        if name.startswith("close-up")
    ]


def test_close_ups_are_as_their_truth_says(close_ups: list[HeldOut]) -> None:
    assert len(close_ups) >= 4
    whole = 0
    for picture in close_ups:
        height, width = picture.rgb.shape[:2]
        for polyp in picture.truth["polyps"]:
            outline = np.array(polyp["outline_px"])
            assert (outline > -2).all()
            assert (outline < [width + 1, height + 1]).all()
            area = cv2.contourArea(outline.astype(np.float32))
            mm = 2 * np.sqrt(area / np.pi) * picture.mm_per_px
            assert polyp["diameter_mm"] == pytest.approx(mm, rel=1e-3)
            for mouth in polyp["mouths"]:
                place = (mouth["x_px"], mouth["y_px"])
                assert cv2.pointPolygonTest(outline.astype(np.float32), place, True) > -2
            if not polyp["partial"]:
                whole += 1
                assert len(polyp["mouths"]) == polyp["n_mouths"] >= 0
    assert whole > 8


def test_the_same_pictures_each_time() -> None:
    one, other = (next(pictures()) for _ in range(2))
    np.testing.assert_array_equal(one.rgb, other.rgb)
    assert one.truth == other.truth
    assert one.truth["family"] in FAMILIES


def test_empty_pictures_are_empty_and_of_every_family() -> None:
    made = list(islice(empty_pictures(), len(FAMILIES)))
    assert [picture.truth["family"] for picture in made] == list(FAMILIES)
    assert all(not picture.truth["polyps"] for picture in made)
    assert len({picture.truth["photo"] for picture in made}) == len(made)


def test_a_picture_can_be_read_and_scored(close_ups: list[HeldOut]) -> None:
    picture = close_ups[0]
    truth = {**picture.truth, "photo": "one", "family": "some"}
    record = read(replace(picture, truth=truth))
    scores = score([record], [truth])
    assert scores.photos[0].group == "some"
    assert scores.photos[0].n_true == sum(not p["partial"] for p in truth["polyps"])
