"""The invented season: consistent with itself, with the trade's common practice, and on disk."""

import hashlib
import json
import math
from collections import defaultdict
from datetime import timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from polypvision.files.log_table import read_log_table
from polypvision.render.camera import mm_per_px, plate_to_photo
from polypvision.render.photo import planforms
from polypvision.render.scene import PolypSpec, Scene
from polypvision.render.season import Season, season
from polypvision.render.season_tables import event_table, individual_table, log_table
from polypvision.render.tables import tables_from_scenes

SAMPLES = Path(__file__).parents[2] / "sample_images"


@cache
def story() -> Season:
    return season()


def by_plate() -> dict[str, list[Scene]]:
    plates: dict[str, list[Scene]] = defaultdict(list)
    for scene in story().scenes:
        plates[f"{scene.plate:04d}"].append(scene)
    return plates


def on_dates(plate: str, name: str) -> list[PolypSpec]:
    return [polyp for scene in by_plate()[plate] for polyp in scene.polyps if polyp.name == name]


def test_three_plates_on_at_least_six_dates_over_eight_weeks() -> None:
    plates = by_plate()
    assert set(plates) == {"0017", "0023", "0031"}
    for scenes in plates.values():
        dates = [scene.taken_at for scene in scenes]
        assert len(dates) >= 6
        assert dates == sorted(dates)
        assert timedelta(days=53) < dates[-1] - dates[0] < timedelta(days=58)


def test_a_mouth_of_one_millimetre_has_five_pixels() -> None:
    for scene in story().scenes:
        homography = plate_to_photo(scene.camera)
        left, top, right, bottom = scene.plate_box_mm
        for x in (left, right):
            for y in (top, bottom):
                place = homography @ (x, y, 1.0)
                assert 1 / mm_per_px(homography, *(place[:2] / place[2])) > 5.0
        middle = (scene.camera.width_px / 2, scene.camera.height_px / 2)
        assert 1 / mm_per_px(homography, *middle) > 7.0


def test_pieces_creep_and_grow_smoothly() -> None:
    for plate, scenes in by_plate().items():
        for before, after in pairwise(scenes):
            weeks = (after.taken_at - before.taken_at) / timedelta(days=7)
            then = {polyp.name: polyp for polyp in before.polyps}
            for polyp in after.polyps:
                old = then.get(polyp.name)
                if old is None or (plate, polyp.name) == ("0023", "g1"):
                    continue
                assert math.dist((old.x_mm, old.y_mm), (polyp.x_mm, polyp.y_mm)) < 2.0
                growth = (polyp.diameter_mm / old.diameter_mm - 1) / weeks
                assert -0.06 < growth < 0.035


@pytest.mark.parametrize("plate", ["0017", "0023", "0031"])
def test_wounds_close_in_one_to_three_weeks_but_for_one(plate: str) -> None:
    # Common practice, no source: healed after one to two weeks, three for the slow.
    scenes = by_plate()[plate]
    wounded = {polyp.name for polyp in scenes[0].polyps if polyp.wound_mm2 > 0}
    assert wounded
    for name in wounded:
        areas = [polyp.wound_mm2 for polyp in on_dates(plate, name)]
        if (plate, name) == ("0031", "s1"):
            assert min(areas) > 0.95 * areas[0]
        elif (plate, name) == ("0031", "m2"):
            assert areas == sorted(areas, reverse=True)
        else:
            assert areas == sorted(areas, reverse=True)
            assert areas[-1] == 0
            closed = next(scene for scene, area in zip(scenes, areas, strict=False) if area == 0)
            assert closed.taken_at - scenes[0].taken_at <= timedelta(days=28)


def test_the_dividing_polyp_shows_two_mouths_for_weeks_first() -> None:
    scenes = by_plate()["0023"]
    counts = [
        next(polyp.mouths for polyp in scene.polyps if polyp.name == "g1") for scene in scenes
    ]
    child = [any(polyp.name == "g1b" for polyp in scene.polyps) for scene in scenes]
    assert counts[0] == 1
    assert child[-2:] == [True, True]
    two = [scene.taken_at for scene, mouths in zip(scenes, counts, strict=True) if mouths == 2]
    # "A few weeks" (Chen et al. 1995, by way of a handbook).
    assert timedelta(days=14) <= two[-1] - two[0] <= timedelta(days=42)
    assert not any(child[: len(scenes) - 2])
    shapes = [polyp.shape for polyp in on_dates("0023", "g1")]
    assert shapes.index("hourglass") > shapes.index("oval")
    before, after = scenes[-3], scenes[-2]
    old = next(polyp for polyp in before.polyps if polyp.name == "g1")
    new = [polyp for polyp in after.polyps if polyp.name in ("g1", "g1b")]
    area = sum(polyp.diameter_mm**2 for polyp in new)
    assert area == pytest.approx(old.diameter_mm**2, rel=0.05)


def test_the_lost_and_the_sold_are_gone_and_written_down() -> None:
    for plate, name, kind in (("0031", "m2", "loss"), ("0017", "c1", "sale")):
        (entry,) = [entry for entry in story().log if (entry.plate, entry.kind) == (plate, kind)]
        for scene in by_plate()[plate]:
            there = any(polyp.name == name for polyp in scene.polyps)
            assert there == (scene.taken_at < entry.at)


def test_cuts_come_before_the_first_photo_and_match_the_pieces() -> None:
    for plate, scenes in by_plate().items():
        cuts = [entry for entry in story().log if (entry.plate, entry.kind) == (plate, "cut")]
        assert cuts
        assert all(entry.at < scenes[0].taken_at for entry in cuts)
        pieces = [polyp for polyp in scenes[0].polyps if polyp.wound_mm2 > 0]
        assert sum(entry.pieces or 0 for entry in cuts) == len(pieces)
        donors = {entry.donor for entry in cuts}
        assert donors == {life.donor for life in story().lives[plate] if life.donor}


def test_the_dividing_pair_and_all_others_can_be_told_apart() -> None:
    for scene in story().scenes:
        shapes = planforms(scene)
        for spec, shape in zip(scene.polyps, shapes, strict=True):
            # Where two press against each other, a little is lost.
            diameter = math.sqrt(4 * shape.area_mm2 / math.pi)
            assert diameter == pytest.approx(spec.diameter_mm, rel=0.01)
            assert shape.wound_mm2 == pytest.approx(spec.wound_mm2, abs=0.01)


def test_the_sample_tables_are_those_of_the_season() -> None:
    photos, things = tables_from_scenes(story().scenes)
    for name, table in (
        ("scenes/photos.csv", photos),
        ("scenes/things.csv", things),
        ("log.csv", log_table(story())),
        ("truth/events.csv", event_table(story())),
        ("truth/individuals.csv", individual_table(story())),
    ):
        written = (SAMPLES / name).read_text(encoding="utf-8")
        assert written == table.to_csv(index=False, lineterminator="\n"), name


def test_the_sample_photos_are_those_of_the_truth() -> None:
    records = json.loads((SAMPLES / "truth" / "truth.json").read_text(encoding="utf-8"))
    assert [record["photo"] for record in records] == [scene.photo for scene in story().scenes]
    total = 0
    for record, scene in zip(records, story().scenes, strict=True):
        data = (SAMPLES / record["photo"]).read_bytes()
        total += len(data)
        assert hashlib.sha256(data).hexdigest() == record["sha256"]
        assert [polyp["name"] for polyp in record["polyps"]] == [p.name for p in scene.polyps]
        areas = [shape.area_mm2 for shape in planforms(scene)]
        assert [polyp["area_mm2"] for polyp in record["polyps"]] == pytest.approx(areas, abs=1e-3)
    assert total < 25e6
    table = pd.read_csv(SAMPLES / "truth" / "truth.csv")
    assert len(table) == sum(record["n_polyps"] for record in records)
    assert np.isfinite(table["diameter_mm"]).all()


def test_the_log_can_be_imported() -> None:
    # Written times have no seconds to lose.
    assert tuple(read_log_table(SAMPLES / "log.csv")) == story().log
