"""A logbook of every older step is brought up to date, copied first, and loses nothing."""

import contextlib
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from old_logbook import STEPS, write_old_logbook

from polypvision.corrections.acts import Withdraw
from polypvision.errors import LogbookError, LogbookTooNew
from polypvision.plates.correct import photo_as_it_holds
from polypvision.plates.log import list_plates, log_of
from polypvision.plates.show import tracks_of
from polypvision.store import copies
from polypvision.store.logbook import _config, open_logbook
from polypvision.store.schema import metadata
from polypvision.store.ticks import ticks_that_hold

HEAD = str(ScriptDirectory.from_config(_config()).get_current_head())


def rows(place: Path) -> dict[str, list[dict[str, Any]]]:
    """All that a file holds, by table."""
    with contextlib.closing(sqlite3.connect(place)) as made:
        made.row_factory = sqlite3.Row
        names = [name for (name,) in made.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table'"
        )]  # fmt: skip
        return {
            name: [dict(row) for row in made.execute(f"SELECT * FROM {name} ORDER BY 1, 2")]
            for name in names
            if name != "alembic_version"
        }


def copies_in(folder: Path) -> list[Path]:
    return sorted(folder.glob("book-before-*.sqlite"))


def test_every_step_has_its_logbook() -> None:
    steps = {one.revision for one in ScriptDirectory.from_config(_config()).walk_revisions()}
    assert set(STEPS) == steps, "write it with: PYTHONPATH=tests python tests/old_logbook.py"


@pytest.mark.parametrize("step", STEPS)
def test_an_older_logbook_is_brought_up_to_date(step: str, tmp_path: Path) -> None:
    place = write_old_logbook(step, tmp_path / "book.sqlite")
    before = rows(place)
    with open_logbook(place) as book:
        with book.reading() as connection:
            context = MigrationContext.configure(connection)
            assert compare_metadata(context, metadata) == []
            assert context.get_current_revision() == HEAD
            assert len(ticks_that_hold(connection)) == (step >= "0003")
        (plate,) = list_plates(book)
        assert (plate.facts.line, plate.facts.note) == ("green <wild>", "left rack; don't move")
        assert plate.facts.disc_height_mm == (12.0 if step >= "0004" else None)
        assert (plate.n_photos, [entry.kind for entry in log_of(book, "0042")]) == (2, ["cut"])
        held = photo_as_it_holds(book, "photo 7.jpg")
        assert [one.n_mouths for one in held.reading.polyps] == [2 if step >= "0002" else 1, 1]
        if step >= "0002":
            acts = [one.correction.act for one in held.corrected.standings]
            assert isinstance(acts[-1], Withdraw)
        assert len(tracks_of(book, "0042").individuals) == 2
    after = rows(place)
    for table, old in before.items():
        if table == "plate_dues":
            continue  # No record: what is worked out goes into another table since.
        kept = [{key: row[key] for key in old[0]} for row in after[table]] if old else after[table]
        assert kept == old
    made = copies_in(tmp_path)
    assert len(made) == (step != HEAD)
    for copy in made:
        assert copy.name.startswith(f"book-before-{HEAD}-")
        assert rows(copy) == before
        assert copy.stat().st_mode & 0o077 == 0
    # A copy is a logbook like any other: it can be opened, and is brought up to date again.
    for copy in made:
        with open_logbook(copy) as again:
            assert len(list_plates(again)) == 1


def test_old_copies_are_thinned_and_nothing_else_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    others = [
        tmp_path / "book-before-summer.sqlite",
        tmp_path / "big-before-0006-20310304T101500.x",
    ]
    for other in others:
        other.write_text("mine")
    for day in range(1, 7):
        (tmp_path / f"book-before-0002-2024010{day}T101500.sqlite").write_text("old")
    # Made while the clock was years ahead; the new one must not be taken for the oldest.
    (tmp_path / f"book-before-{HEAD}-20990101T000000.sqlite").write_text("ahead")
    place = write_old_logbook("0001", tmp_path / "book.sqlite")
    with open_logbook(place):
        pass
    kept = copies.copies_before_steps(place)
    assert len(kept) == 3
    assert [one.name[12:16] for one in kept] == [HEAD, HEAD, "0002"]
    assert rows(kept[1])["plates"]
    assert all(other.read_text() == "mine" for other in others)


def test_without_a_copy_nothing_is_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = write_old_logbook("0002", tmp_path / "book.sqlite")
    before = rows(place)

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(copies, "_fill", full)
    with pytest.raises(LogbookError, match=r"left as it is.*Is the disk full\?"):
        open_logbook(place)
    assert rows(place) == before
    assert copies_in(tmp_path) == []
    assert [path.name for path in tmp_path.iterdir() if ".part" in path.name] == []
    monkeypatch.undo()
    with open_logbook(place):
        pass
    assert len(copies_in(tmp_path)) == 1


def test_a_newer_logbook_is_neither_changed_nor_copied(tmp_path: Path) -> None:
    place = write_old_logbook(HEAD, tmp_path / "book.sqlite")
    with contextlib.closing(sqlite3.connect(place)) as made:
        made.execute("UPDATE alembic_version SET version_num = '0999'")
        made.commit()
    before = rows(place)
    with pytest.raises(LogbookTooNew):
        open_logbook(place)
    assert rows(place) == before
    assert copies_in(tmp_path) == []
