"""Backup, restore and verify from the terminal, as after a lost laptop."""

import shutil
from pathlib import Path

import pytest
from logbook_makers import DAYS, fill
from run_command import Run

from polypvision.store.logbook import open_logbook


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A filled logbook where the command looks for it by itself, and photos in a folder."""
    place = tmp_path / "own.sqlite"
    (tmp_path / "photos").mkdir()
    with open_logbook(place, create=True) as opened:
        fill(opened, tmp_path / "photos")
    return place


def test_from_backup_to_another_computer(run: Run, book: Path, tmp_path: Path) -> None:
    done = run("verify")
    assert done.status == 0, done.err
    assert f"1 plate, {len(DAYS)} photos in place" in done.out
    stick = tmp_path / "stick"
    done = run("backup", stick)
    assert (done.status, "add --photos" in done.out) == (0, True)
    assert f"{stick} was not there and was made" in done.err
    done = run("backup", stick, "--photos")
    assert (done.status, f"With it: {len(DAYS)} photos." in done.out) == (0, True)
    assert done.err == ""
    done = run("verify", "--backup", stick)
    assert (done.status, done.out.count("nothing wrong")) == (0, 2)
    done = run("restore", stick)
    assert (done.status, "There is a logbook" in done.err, "--replace" in done.err) == (
        1,
        True,
        True,
    )
    book.unlink()
    shutil.rmtree(tmp_path / "photos")
    done = run("restore", stick, "--photos", tmp_path / "back")
    assert done.status == 0, done.err
    assert f"{len(DAYS)} photos in" in done.out
    done = run("verify")
    assert done.status == 0, done.err
    assert run("export", "--out", tmp_path / "t", "--format", "coco", "--pictures").status == 0
    done = run("restore", stick, "--replace")
    assert (done.status, "The logbook that was there is now" in done.out) == (0, True)
    assert run("restore", tmp_path / "nowhere").status == 1


def test_photos_that_were_moved(run: Run, book: Path, tmp_path: Path) -> None:
    (tmp_path / "photos").rename(tmp_path / "elsewhere")
    done = run("verify")
    assert done.status == 1
    assert done.err.count("is not there any more") == len(DAYS)
    assert done.err.count("verify --find FOLDER") == 1
    done = run("backup", tmp_path / "stick", "--photos")
    assert (done.status, done.err.count("Not found")) == (1, len(DAYS))
    done = run("verify", "--find", tmp_path)
    assert (done.status, done.out.count("Found again")) == (0, len(DAYS))
    assert run("backup", tmp_path / "stick", "--photos").status == 0


def test_a_damaged_backup(run: Run, book: Path, tmp_path: Path) -> None:
    assert run("backup", tmp_path / "stick").status == 0
    (copy,) = (tmp_path / "stick").glob("*/logbook.sqlite")
    copy.write_bytes(copy.read_bytes()[:-1])
    done = run("verify", "--backup", tmp_path / "stick")
    assert (done.status, "not those that were written" in done.err) == (1, True)
    done = run("restore", tmp_path / "stick", "--logbook", tmp_path / "new.sqlite")
    assert (done.status, "Nothing was changed" in done.err) == (1, True)
    assert not (tmp_path / "new.sqlite").exists()
    assert run("verify", "--backup", tmp_path / "stick", "--read-again", 2).status == 2
    assert run("verify", "--backup", tmp_path).status == 1
