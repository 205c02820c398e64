import json
from collections.abc import Sequence
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from time_builders import make_polyp, make_reading

from polypvision.columns import PHOTOS, POLYPS
from polypvision.errors import TableError
from polypvision.files.coco import CocoFile
from polypvision.files.log_table import read_log_table
from polypvision.files.outputs import json_text
from polypvision.files.tables import photo_table, polyp_table, read_json, read_outcomes
from polypvision.reading import PhotoFacts, PlateReading, Refusal, to_record

READING = make_reading(
    0.0,
    [
        make_polyp(1, 20, 30, 22.0, wound_mm2=12.0, flags=("wound",)),
        make_polyp(2, 60, 30, 18.0, n_mouths=2, wound_mm2_err=float("nan"), flags=("two-mouths",)),
    ],
    flags=("tilted", "soft"),
)
EMPTY = make_reading(1.0, [])
REFUSED = Refusal(
    facts=PhotoFacts(photo="bad.jpg", sha256="00"), kind="no-card", message="No card, sorry."
)


def test_tables_have_the_columns_and_types_that_are_promised() -> None:
    for frame, columns in (
        (photo_table([READING, EMPTY, REFUSED]), PHOTOS),
        (polyp_table([READING, EMPTY, REFUSED]), POLYPS),
        (photo_table([]), PHOTOS),
        (polyp_table([]), POLYPS),
    ):
        assert list(frame.columns) == [column.name for column in columns]
        assert [str(kind) for kind in frame.dtypes] == [
            str(pd.Series(dtype=column.dtype).dtype) for column in columns
        ]


def test_photo_rows() -> None:
    first, empty, refused = photo_table([READING, EMPTY, REFUSED]).to_dict("records")
    assert (first["n_polyps"], first["n_mouths"], first["n_two_mouths"]) == (2, 3, 1)
    assert first["area_mm2"] == pytest.approx(np.pi / 4 * (22**2 + 18**2))
    assert first["flags"] == "tilted soft"
    assert first["taken_at"] == READING.facts.taken_at.isoformat()  # type: ignore[union-attr]
    assert (empty["n_polyps"], empty["area_mm2"], empty["error"]) == (0, 0.0, "")
    assert refused["error"] == "no-card: No card, sorry."
    assert pd.isna(refused["mm_per_px"])


def coco(readings: Sequence[PlateReading], folder: Path) -> dict[str, Any]:
    """Return what is written of readings in the COCO form."""
    with CocoFile(folder) as file, BytesIO() as out:
        for reading in readings:
            file.add(reading, size_px=(4000, 3000), file_name="a.jpg", authors=["Ada"])
        assert file.n_images == len(readings)
        file.copy_to(out)
        record: dict[str, Any] = json.loads(out.getvalue())
        # As readable as all our JSON, and the same bytes for the same readings.
        assert out.getvalue().decode() == json_text(record)
    assert list(folder.iterdir()) == []
    return record


def test_coco_of_many_photos_has_one_number_of_keypoints(tmp_path: Path) -> None:
    wounded = make_polyp(1, 20, 20, 9.0, wound_mm2=3.0)
    wounded = replace(wounded, wound_outlines_px=(wounded.outline_px[:9],))
    second = make_reading(1, [wounded, make_polyp(2, 50, 20, n_mouths=3)])
    record = coco([READING, second], tmp_path)
    assert [one["id"] for one in record["images"]] == [1, 2]
    assert record["categories"][0]["keypoints"] == ["mouth 1", "mouth 2", "mouth 3"]
    notes = record["annotations"]
    assert [one["id"] for one in notes] == [1, 2, 3, 4, 5]
    assert [(one["image_id"], one["category_id"]) for one in notes] == [
        (1, 1), (1, 1), (2, 1), (2, 2), (2, 1)
    ]  # fmt: skip
    assert notes[3]["polyp_id"] == 3
    polyps = [one for one in notes if one["category_id"] == 1]
    assert {len(one["keypoints"]) for one in polyps} == {9}
    assert [sum(v == 2 for v in one["keypoints"][2::3]) for one in polyps] == [
        one["num_keypoints"] for one in polyps
    ]
    assert coco([], tmp_path)["annotations"] == []


def test_coco_outlines(tmp_path: Path) -> None:
    record = coco([READING], tmp_path)
    [image] = record["images"]
    assert (image["file_name"], image["width"], image["height"]) == ("a.jpg", 4000, 3000)
    assert [category["name"] for category in record["categories"]] == ["polyp", "wound"]
    first = record["annotations"][0]
    assert {"id", "image_id", "category_id", "segmentation", "area", "bbox", "iscrowd"} <= set(
        first
    )
    polyp = READING.polyps[0]
    outline = np.array(first["segmentation"][0]).reshape(-1, 2)
    # Their pixels are counted from the corner, ours from the centre of the first.
    assert np.allclose(outline, polyp.outline_px + 0.5, atol=0.006)
    x, y, width, height = first["bbox"]
    assert np.allclose([x, y], outline.min(axis=0), atol=0.01)
    assert np.allclose([x + width, y + height], outline.max(axis=0), atol=0.02)
    # A polygon of 64 corners on an ellipse: area of the disc times sin(a)/a, a = 2 pi / 64.
    px_per_mm = 6.0
    disc = np.pi / 4 * (22.0 * px_per_mm) ** 2
    step = 2 * np.pi / 64
    assert first["area"] == pytest.approx(disc * np.sin(step) / step, rel=1e-4)
    assert [annotation["id"] for annotation in record["annotations"]] == [1, 2]


def test_readings_come_back_from_json(tmp_path: Path) -> None:
    path = tmp_path / "readings.json"
    records = [to_record(outcome) for outcome in (READING, EMPTY, REFUSED)]
    path.write_text(json.dumps(records), encoding="utf-8")
    assert [to_record(outcome) for outcome in read_outcomes(path)] == records


@pytest.mark.parametrize("text", ["", "[", "{}", '[{"photo": 1}]', "[3]", "null", '{"a": 1}'])
def test_json_that_is_no_list_of_readings(tmp_path: Path, text: str) -> None:
    path = tmp_path / "readings.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TableError, match="is not"):
        read_outcomes(path)


def test_json_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="cannot be read"):
        read_json(tmp_path / "none.json")


LOG = """plate,date,kind,individual,pieces,method,donor,dip,note
42,2024-03-01,cut,,4,halves,tank 2,"label dose, 1 min",
0042,2024-03-09T08:30,loss,P03,,,,,"slow, then
gone"
"""


def test_a_log_table(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(b"\xef\xbb\xbf" + LOG.encode())
    cut, loss = read_log_table(path)
    assert (cut.kind, cut.pieces, cut.method, cut.individual) == ("cut", 4, "halves", None)
    assert (cut.donor, cut.dip) == ("tank 2", "label dose, 1 min")
    assert cut.at.isoformat() == "2024-03-01T12:00:00"
    assert (loss.individual, loss.note) == ("P03", "slow, then\ngone")


def test_semicolons_will_do(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("plate;date;kind;pieces\n7;2024-03-01;sale;3\n", encoding="utf-8")
    [sale] = read_log_table(path)
    assert (sale.plate, sale.kind, sale.pieces) == ("7", "sale", 3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "has no column 'plate', 'date', 'kind'"),
        ("plate,date\n", "has no column 'kind'"),
        ("plate,date,kind,colour\n", "has an unknown column 'colour'"),
        ("plate,date,kind\n,2024-03-01,cut\n", "row 1: no plate"),
        ("plate,date,kind\n1,2024-03-01,cut\n1,2024-03-01,eaten\n", "row 2: unknown kind 'eaten'"),
        ("plate,date,kind\n1,3.1.24,cut\n", "row 1: '3.1.24' is no date"),
        ("plate,date,kind,method\n1,2024-03-01,cut,saw\n", "unknown method 'saw'"),
        ("plate,date,kind,pieces\n1,2024-03-01,cut,two\n", "pieces is 'two'"),
        ("plate,date,kind,note\n1,2024-03-01,cut,a,b\n", "more fields than columns"),
    ],
)
def test_a_wrong_log_table_says_where(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TableError) as caught:
        read_log_table(path)
    assert words in str(caught.value)


def test_a_log_table_of_another_encoding(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes("plate,date,kind,note\n1,2024-03-01,cut,größer\n".encode("latin-1"))
    with pytest.raises(TableError, match="not UTF-8"):
        read_log_table(path)
