"""``polypvision render`` from tables, by chance, and with bad usage."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import typer
from scene_makers import make_scene
from typer.testing import CliRunner

from polypvision.cli.render import render_command
from polypvision.errors import TableError
from polypvision.render.tables import tables_from_scenes


def run(*words: str) -> int:
    app = typer.Typer()
    app.command()(render_command)
    result = CliRunner().invoke(app, list(words))
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code


def test_tables_become_photos_with_truth(tmp_path: Path) -> None:
    small = {"width_px": 300, "height_px": 300}
    scenes = [
        make_scene(photo=f"plate/{number}.jpg", camera=small, seed=number) for number in (1, 2)
    ]
    for name, table in zip(("photos", "things"), tables_from_scenes(scenes), strict=True):
        table.to_csv(tmp_path / f"{name}.csv", index=False)
    for out in ("one", "two"):
        assert run(str(tmp_path / "photos.csv"), "--out", str(tmp_path / out)) == 0
    first, second = ((tmp_path / out / "plate/1.jpg").read_bytes() for out in ("one", "two"))
    assert first == second
    assert first != (tmp_path / "one/plate/2.jpg").read_bytes()
    records = json.loads((tmp_path / "one/truth.json").read_text())
    assert [record["photo"] for record in records] == ["plate/1.jpg", "plate/2.jpg"]
    assert pd.read_csv(tmp_path / "one/truth.csv").empty
    again = (tmp_path / "one/photos.csv").read_text()
    assert again == (tmp_path / "photos.csv").read_text()


def test_plates_by_chance(tmp_path: Path) -> None:
    assert run("--random", "1", "--seed", "0", "--out", str(tmp_path)) == 0
    (record,) = json.loads((tmp_path / "truth.json").read_text())
    assert (tmp_path / record["photo"]).stat().st_size > 50_000
    assert record["n_polyps"] == len(pd.read_csv(tmp_path / "truth.csv"))


@pytest.mark.parametrize("words", [[], ["--season", "--random", "2"], ["x.csv", "--season"]])
def test_exactly_one_source_is_asked_for(words: list[str]) -> None:
    assert run(*words) == 2


def test_a_missing_or_broken_table_is_told(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"There is no table .*nothing\.csv; check its name"):
        run(str(tmp_path / "nothing.csv"), "--out", str(tmp_path))
    (tmp_path / "bad.csv").write_bytes(np.arange(200, 256, dtype=np.uint8).tobytes())
    with pytest.raises(TableError, match=r"bad\.csv cannot be read as CSV"):
        run(str(tmp_path / "bad.csv"), "--out", str(tmp_path))
