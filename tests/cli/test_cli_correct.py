"""Corrections from the command line."""

import json
from pathlib import Path

import pytest
from logbook_makers import fill
from run_command import Run

from polypvision.store.logbook import open_logbook


@pytest.fixture
def book(tmp_path: Path, run: Run) -> Path:
    """The person's own logbook, filled."""
    place = tmp_path / "own.sqlite"
    with open_logbook(place, create=True) as opened:
        fill(opened, tmp_path)
    return place


def test_a_file_of_corrections(run: Run, book: Path, tmp_path: Path) -> None:
    path = tmp_path / "corrections.json"
    path.write_text(
        json.dumps(
            [{"photo": "photo 28.jpg", "kind": "add", "centre_px": [60, 240], "diameter_mm": 12},
             {"photo": "photo 28.jpg", "kind": "name", "label": 2, "name": "Rust 7"}]
        ),
        encoding="utf-8",
    )  # fmt: skip
    done = run("correct", path, "--author", "Ada")
    assert done.status == 0, done.err
    assert "3 polyps, 2 mouths" in done.out
    assert "2 corrections recorded." in done.out
    done = run("correct", "--list", "photo 28.jpg")
    lines = done.out.splitlines()
    assert [line.partition("  Ada")[0] != "" for line in lines] == [True] * 3
    assert "Ada: add (applied)" in lines[0]
    assert "Ada: name 2 (applied)" in lines[1]
    assert "2 polyps as read, 3 as corrected (labels 1 2 3)" in lines[2]
    assert "Rust 7" in run("track", "42").out
    done = run("evaluate", "--people")
    assert "1 photo that people corrected: 2 polyps by the machine, 3 by people" in done.out
    done = run("evaluate", "--people", "--json", "-")
    assert json.loads(done.out)["count_bias"] == -1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[{"photo": ', "is not JSON"),
        ('{"kind": "undo"}', "is not a list of corrections. Put them between [ and ]"),
        ('[{"photo": "photo 28.jpg", "kind": "zap"}]', "Unknown kind 'zap'"),
        ('[{"photo": "x.jpg", "kind": "undo"}]', "No photo 'x.jpg' is recorded"),
    ],
)
def test_files_that_cannot_be_used(
    run: Run, book: Path, tmp_path: Path, text: str, words: str
) -> None:
    path = tmp_path / "corrections.json"
    path.write_text(text, encoding="utf-8")
    done = run("correct", path, "--author", "Ada")
    assert done.status == 1
    assert words in done.err
    assert "0 as corrected" not in run("correct", "--list", "photo 28.jpg").out


def test_wrong_usage(run: Run, book: Path, tmp_path: Path) -> None:
    assert run("correct").status == 2
    done = run("correct", tmp_path / "none.json")
    assert done.status == 1
    assert "cannot be read" in done.err
    assert run("correct", "--help").status == 0
