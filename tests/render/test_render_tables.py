"""Scenes and the tables that describe them."""

import io
from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest

from polypvision.errors import TableError
from polypvision.render.chance import random_scene
from polypvision.render.photo import planforms
from polypvision.render.scene import Camera, FurnitureSpec, Light, PolypSpec, Scene, SmallCard
from polypvision.render.tables import (
    PHOTO_COLUMNS,
    THING_COLUMNS,
    scenes_from_tables,
    tables_from_scenes,
)


def as_read(table: pd.DataFrame) -> pd.DataFrame:
    """The table after a trip through CSV."""
    text = table.to_csv(index=False)
    return pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)


def scenes() -> tuple[Scene, ...]:
    return tuple(
        random_scene(np.random.default_rng([9, number]), photo=f"{number}.jpg", n_polyps=6)
        for number in range(6)
    )


def test_tables_give_back_the_scenes() -> None:
    made = scenes()
    photos, things = (as_read(table) for table in tables_from_scenes(made))
    assert scenes_from_tables(photos, things) == made


def test_every_field_is_a_column() -> None:
    skip = {"camera", "light", "cards", "polyps", "furniture"}
    photo = {item.name for kind in (Scene, Camera, Light) for item in fields(kind)} - skip
    assert photo == {column.name for column in PHOTO_COLUMNS}
    thing = {
        item.name for kind in (PolypSpec, FurnitureSpec, SmallCard) for item in fields(kind)
    } - {"kind"}
    assert thing | {"photo", "thing"} == {column.name for column in THING_COLUMNS}


def test_a_short_table_takes_defaults() -> None:
    photos = pd.DataFrame(
        {"photo": ["a.jpg"], "plate": ["7"], "taken_at": ["2031-03-04T10:15:00+10:00"]}
    )
    things = pd.DataFrame(
        {
            "photo": ["a.jpg", "a.jpg"],
            "thing": ["polyp", "snail"],
            "name": ["p", ""],
            "x_mm": ["60", "90"],
            "y_mm": ["60", "90"],
            "diameter_mm": ["20.5", ""],
            "size_mm": ["", "8"],
        }
    )
    (scene,) = scenes_from_tables(photos, things)
    assert scene.camera == Camera()
    assert scene.polyps == (PolypSpec(name="p", x_mm=60.0, y_mm=60.0, diameter_mm=20.5),)
    assert scene.furniture == (FurnitureSpec(kind="snail", x_mm=90.0, y_mm=90.0, size_mm=8.0),)


@pytest.mark.parametrize(
    ("table", "row", "column", "value", "message"),
    [
        ("photos", 0, "plate", "12000", "line 2.*plate is 12000, not between 1 and 9999"),
        ("photos", 0, "plate", "", "line 2: plate missing; fill the cell"),
        ("photos", 0, "plate", "x1", "line 2: plate is 'x1', not a whole number"),
        ("photos", 0, "tilt_deg", "80", "tilt_deg is 80.0, not between 0 and 60"),
        ("photos", 0, "tilt_deg", "nan", "tilt_deg is nan"),
        ("photos", 0, "ground", "sand", "ground is 'sand'; choose from mat"),
        ("photos", 0, "taken_at", "2031-03-04", "has no offset; add one like"),
        ("photos", 0, "taken_at", "March", "not a date like 2031"),
        ("photos", 0, "card", "small", "none placed; add a card row"),
        ("things", 1, "photo", "b.jpg", "line 3: no photo is called 'b.jpg'; add it"),
        ("things", 0, "diameter_mm", "wide", "line 2: diameter_mm is 'wide', not a number"),
        ("things", 0, "diameter_mm", "1", "not between 2 and 300"),
        ("things", 0, "shape", "star", "shape is 'star'; choose from disc"),
        ("things", 0, "mouth_length", "0.3", "not between 0.1 and 0.19"),
        ("things", 0, "mouths", "2", "would run into one; set mouth_gap_mm to at least 2.80"),
        ("things", 0, "wound_mm2", "300", "wound_mm2 is 300.0, not between"),
        ("things", 0, "size_mm", "4", "a polyp has no size_mm; empty the cell"),
        ("things", 1, "thing", "whale", "thing is 'whale'; choose from polyp"),
        ("things", 1, "name", "p", "polyps named twice: p; rename one"),
    ],
)
def test_a_wrong_cell_is_told_with_its_line(
    table: str, row: int, column: str, value: str, message: str
) -> None:
    tables = {
        "photos": pd.DataFrame(
            {
                "photo": ["a.jpg"],
                "plate": ["7"],
                "card": ["a5"],
                "taken_at": ["2031-03-04T10:15:00+10:00"],
            }
        ),
        "things": pd.DataFrame(
            {
                "photo": ["a.jpg"] * 2,
                "thing": ["polyp"] * 2,
                "name": ["p", "q"],
                "x_mm": ["60", "90"],
                "y_mm": ["60", "90"],
                "diameter_mm": ["20"] * 2,
            }
        ),
    }
    changed = tables[table].astype(object)
    if column not in changed:
        changed[column] = ""
    changed.loc[row, column] = value
    tables[table] = changed
    with pytest.raises(TableError, match=message):
        scenes_from_tables(tables["photos"], tables["things"])


def test_an_unknown_column_is_told() -> None:
    photos = pd.DataFrame({"photo": ["a.jpg"], "colour": ["red"]})
    with pytest.raises(TableError, match="photos: unknown columns colour; the columns are photo"):
        scenes_from_tables(photos, pd.DataFrame({"photo": []}))


def test_cards_must_fit_their_kind() -> None:
    (scene,) = [
        random_scene(np.random.default_rng(1), card="small", n_polyps=0),
    ]
    with pytest.raises(TableError, match="the first card lies at 5, 0 mm"):
        replace(scene, cards=(SmallCard(x_mm=5.0),))
    with pytest.raises(TableError, match="a frame takes no card rows"):
        replace(scene, card="a5")


def test_random_plates_vary_and_can_be_painted() -> None:
    made = [random_scene(np.random.default_rng([1, number])) for number in range(18)]
    for scene in made:
        shapes = planforms(scene)
        left, top, right, bottom = scene.plate_box_mm
        for shape in shapes:
            low, high = shape.outline_mm.min(axis=0), shape.outline_mm.max(axis=0)
            assert low[0] > left
            assert low[1] > top
            assert high[0] < right
            assert high[1] < bottom
    assert {scene.card for scene in made} == {"small", "a5", "a4"}
    assert {scene.ground for scene in made} == {"mat", "grey-tile", "white-tile", "egg-crate"}
    assert max(len(scene.polyps) for scene in made) > 20
    assert max(scene.camera.tilt_deg for scene in made) > 35
    assert random_scene(np.random.default_rng([1, 3])) == made[3]
