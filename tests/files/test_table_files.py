"""Tables written piece by piece, and read back by other programs."""

from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from time_builders import make_polyp, make_reading

from polypvision.columns import EVENTS, POLYPS, table
from polypvision.errors import OutputError
from polypvision.files.table_files import TableFiles
from polypvision.files.tables import polyp_table


def piece(day: int, n_polyps: int = 3) -> pd.DataFrame:
    polyps = [
        make_polyp(k, 20.0 * k, 30, 20 + k / 7, wound_mm2_err=float("nan"), flags=("wound",))
        for k in range(1, n_polyps + 1)
    ]
    return polyp_table([make_reading(day, polyps, photo=f'"{day}", größer.jpg')])


def write(folder: Path, pieces: list[pd.DataFrame]) -> None:
    with TableFiles(folder, {"polyps": POLYPS}, ["csv", "parquet"]) as files:
        for one in pieces:
            files.add("polyps", one)


def test_pieces_make_the_same_table_as_the_whole(tmp_path: Path) -> None:
    pieces = [piece(0), piece(7, 0), piece(14)]
    whole = pd.concat([pieces[0], pieces[2]], ignore_index=True)
    write(tmp_path, pieces)
    types = {column.name: column.dtype for column in POLYPS}
    back = pd.read_csv(tmp_path / "polyps.csv", dtype=types)
    pd.testing.assert_frame_equal(back, whole)
    pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "polyps.parquet"), whole)
    first = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    write(tmp_path, pieces)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == first


def test_csv_is_as_the_standard_says(tmp_path: Path) -> None:
    """RFC 4180 (from memory): CRLF ends lines, quotes are doubled inside quotes, one head line."""
    write(tmp_path, [piece(0, 1), piece(7, 1)])
    lines = (tmp_path / "polyps.csv").read_bytes().decode().split("\r\n")
    assert len(lines) == 4
    assert lines[0] == ",".join(column.name for column in POLYPS)
    assert '"""0"", größer.jpg"' in lines[1]


def test_many_rows_leave_in_groups_that_other_programs_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("polypvision.files.table_files.ROWS_TOGETHER", 100)
    pieces = [piece(day, 30) for day in range(20)]
    write(tmp_path, pieces)
    path = tmp_path / "polyps.parquet"
    groups = pq.ParquetFile(path).metadata
    assert groups.num_rows == 600
    assert groups.num_row_groups == 6
    frame = pd.read_parquet(path, columns=["diameter_mm", "label"])
    asked = (
        "SELECT count(*), avg(diameter_mm), count(wound_mm2_err), max(label) FROM read_parquet(?)"
    )
    with duckdb.connect() as other:
        found = other.execute(asked, [str(path)]).fetchone()
        empty = other.execute(
            f"SELECT count(*) FROM '{path}' WHERE isnan(wound_mm2_err) OR wound_mm2_err IS NULL"
        ).fetchone()
    assert found is not None
    assert found[0] == len(frame)
    assert found[1] == pytest.approx(frame["diameter_mm"].mean())
    assert found[3] == frame["label"].max() == 30
    assert empty == (600,)


def test_tables_without_rows_have_their_columns_and_types(tmp_path: Path) -> None:
    with TableFiles(tmp_path, {"events": EVENTS}, ["csv", "parquet"]):
        pass
    pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "events.parquet"), table((), EVENTS))
    with duckdb.connect() as other:
        found = other.execute(f"DESCRIBE SELECT * FROM '{tmp_path / 'events.parquet'}'").fetchall()
    kinds = {name: kind for name, kind, *_ in found}
    assert (kinds["plate"], kinds["pieces"]) == ("VARCHAR", "BIGINT")


def test_a_table_that_cannot_be_ended_leaves_what_was_there(tmp_path: Path) -> None:
    write(tmp_path, [piece(0)])
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    with (
        pytest.raises(KeyError, match="score"),
        TableFiles(tmp_path, {"polyps": POLYPS}, ["csv", "parquet"]) as files,
    ):
        files.add("polyps", piece(1).drop(columns="score"))
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before
    with (
        pytest.raises(OutputError, match="folder does not exist"),
        TableFiles(tmp_path / "none", {"polyps": POLYPS}, ["csv"]),
    ):
        pass


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full is needed")
def test_a_full_disk_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The pieces go to /dev/full, which refuses every byte as a full disk does."""
    import os

    full = os.open("/dev/full", os.O_WRONLY)
    monkeypatch.setattr(
        "polypvision.files.outputs._temporary", lambda path: (os.dup(full), tmp_path / "part")
    )
    rows = np.arange(20_000)
    frame = table(({"plate": "0001", "pieces": int(n)} for n in rows), EVENTS)
    with (
        pytest.raises(OutputError, match=r"events\.csv: the disk is full"),
        TableFiles(tmp_path, {"events": EVENTS}, ["csv"]) as files,
    ):
        files.add("events", frame)
    os.close(full)
    assert list(tmp_path.iterdir()) == []
