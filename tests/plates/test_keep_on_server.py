"""Backups of a logbook that lies on a server: made, checked, brought back to a file or a server."""

import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from logbook_makers import DAYS, fill
from many_photos import tables
from postgresql_server import PASSWORD, Server
from run_command import Run

from polypvision.errors import LogbookError
from polypvision.events import LogEntry
from polypvision.plates.backup import make_backup
from polypvision.plates.correct import correct_photos
from polypvision.plates.done import tick_off
from polypvision.plates.dues import today
from polypvision.plates.forget import forget, forgotten_things
from polypvision.plates.log import note
from polypvision.plates.restore import restore
from polypvision.plates.verify import verify, verify_backup
from polypvision.store import backup as store_backup
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.schema import metadata

NOW = datetime(2031, 3, 4, 10, 15, tzinfo=UTC)
MOUTH = {"kind": "add-mouth", "label": 1, "place_px": [140, 120]}
Place = Callable[[], str]


@pytest.fixture
def new_database(server: Server, filled_template: str) -> Place:
    return lambda: server.address(server.new_database(filled_template))


@pytest.fixture
def address(new_database: Place) -> str:
    return new_database()


@pytest.fixture
def book(address: str, tmp_path: Path) -> Iterator[Logbook]:
    """A logbook on a server with something of everything, also what was forgotten."""
    folder = tmp_path / "photos"
    folder.mkdir()
    with open_logbook(address) as opened:
        paths = fill(opened, folder)
        correct_photos(opened, [{**MOUTH, "photo": str(paths[1])}], author="Ada")
        tasks, _ = today(opened, date(2024, 5, 1))
        tick_off(opened, tasks, tasks[0].key, author="Ada", done=True)
        for words in ("stays", "goes"):
            note(opened, LogEntry(plate="0042", at=NOW, kind="note", note=words))
        forget(opened, photos=[str(paths[0])], entries=[3], now=NOW)
        yield opened


def all_rows(book: Logbook) -> dict[str, list[dict[str, Any]]]:
    """Return all that is recorded, table by table."""
    with book.reading() as connection:
        return {
            table.name: [
                dict(row._mapping)
                for row in connection.execute(sa.select(table).order_by(*table.primary_key.columns))
            ]
            for table in metadata.sorted_tables
        }


@pytest.mark.parametrize("to", ["file", "server"])
def test_all_of_it_comes_back(
    to: str, book: Logbook, new_database: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Fewer than a table has, so that they come in several pieces.
    monkeypatch.setattr(store_backup, "_ROWS", 2)
    before = all_rows(book)
    assert all(before.values()), "there is something in each table"
    kept = len(DAYS) - 1  # One is forgotten.
    assert (verify(book).troubles, verify(book).n_files) == ((), kept)
    made = make_backup(book, tmp_path / "stick", photos=True, now=NOW)
    assert verify_backup(made.folder) == (1 + len(DAYS), ())
    place = str(tmp_path / "new.sqlite") if to == "file" else new_database()
    done = restore(tmp_path / "stick", place, photos=tmp_path / "mine")
    assert (done.n_photos, PASSWORD in done.logbook) == (len(DAYS), False)
    shutil.rmtree(tmp_path / "photos")
    with open_logbook(place) as again:
        after = all_rows(again)
        # All that is new are the photos' places.
        own = [row for row in after["photo_names"] if "/mine/" not in row["path"]]
        assert {**after, "photo_names": own} == before
        assert len(after["photo_names"]) == 2 * len(DAYS)
        found = verify(again, read_again=0)
        assert (found.troubles, found.n_files, found.n_corrections) == ((), kept, 1)
        assert tables(again, tmp_path / "b") == tables(book, tmp_path / "a")
        assert [one.kind for one in forgotten_things(again)] == ["entry", "photo"]
        # What is written from now on gets numbers of its own.
        note(again, LogEntry(plate="0042", at=NOW, kind="note", note="later"))
        tasks, _ = today(again, date(2024, 5, 1))
        tick_off(again, tasks, tasks[0].key, author="Ada", done=False)


def test_a_file_moves_to_a_server(new_database: Place, tmp_path: Path) -> None:
    place = new_database()
    with open_logbook(tmp_path / "own.sqlite", create=True) as own:
        fill(own, tmp_path)
        make_backup(own, tmp_path / "stick", now=NOW)
        restore(tmp_path / "stick", place)
        with open_logbook(place) as moved:
            assert all_rows(moved) == all_rows(own)
            assert tables(moved, tmp_path / "b") == tables(own, tmp_path / "a")


def test_a_database_with_anything_in_it_is_left_alone(
    book: Logbook, address: str, run: Run, tmp_path: Path
) -> None:
    make_backup(book, tmp_path / "stick", photos=True, now=NOW)
    before = all_rows(book)
    for words in ((), ("--replace",)):
        done = run("restore", tmp_path / "stick", "--photos", tmp_path / "mine", *words,
                   "--logbook", address)  # fmt: skip
        assert (done.status, "has records already" in done.err) == (1, True)
        assert "Give an empty one" in done.err
        assert PASSWORD not in done.out + done.err
        # It was looked at before anything was copied.
        assert not (tmp_path / "mine").exists()
    # Also where all that is left in it was forgotten.
    forget(book, plates=["0042"], now=NOW)
    assert run("restore", tmp_path / "stick", "--logbook", address).status == 1
    assert all_rows(book)["photos"][0]["record"] == before["photos"][0]["record"]


def test_from_the_terminal_no_password_is_shown(
    book: Logbook,
    address: str,
    new_database: Place,
    run: Run,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("POLYPVISION_LOGBOOK", address)
    stick, new = tmp_path / "stick", new_database()
    told = [
        run("verify"),
        run("backup", stick, "--photos"),
        run("verify", "--backup", stick),
        run("restore", stick, "--logbook", new, "--photos", tmp_path / "back"),
        run("verify", "--logbook", new),
    ]
    assert [one.status for one in told] == [0] * 5, [one.err for one in told]
    assert "Logbook: postgresql://keeper@127.0.0.1" in told[3].out
    assert "1 plate, 3 photos in place" in told[4].out
    assert not any(PASSWORD in one.out + one.err for one in told)
    assert not any("salt" in one.out + one.err for one in told), "nor as it stands in the address"


SPOILED = {
    "UPDATE polyps SET diameter_mm = 99 WHERE label = 2": "are not those of its reading",
    "DELETE FROM mouths WHERE label = 1": "are not those of its reading",
    "UPDATE photos SET plate = NULL": "hash, plate, date or error",
    "UPDATE photos SET record = '[1]'": "cannot be understood",
    "UPDATE corrections SET body = '{}'": "cannot be done",
}


@pytest.mark.parametrize("spoil", SPOILED)
def test_a_spoiled_database_is_told(spoil: str, book: Logbook) -> None:
    with book.writing() as connection:
        assert connection.exec_driver_sql(spoil).rowcount
    found = verify(book)
    assert SPOILED[spoil] in " ".join(one.what for one in found.troubles)
    assert all(one.remedy for one in found.troubles)


def test_a_server_lost_in_the_middle_is_told_and_leaves_nothing(
    book: Logbook,
    server: Server,
    new_database: Place,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stick, place, real = tmp_path / "stick", new_database(), store_backup._count_on

    def lose() -> None:
        server.stop("immediate")
        server.start()

    def looked_up(_: Any, __: Any, statement: str, *___: Any) -> None:
        if "FROM polyps" in statement:
            lose()

    def counted(connection: sa.Connection, table: sa.Table) -> None:
        lose()
        real(connection, table)

    sa.event.listen(book.engine, "before_cursor_execute", looked_up)
    with pytest.raises(LogbookError, match="Run the command again"):
        make_backup(book, stick, now=NOW)
    sa.event.remove(book.engine, "before_cursor_execute", looked_up)
    assert list(stick.iterdir()) == []
    make_backup(book, stick, now=NOW)
    monkeypatch.setattr(store_backup, "_count_on", counted)
    with pytest.raises(LogbookError, match="Run the command again"):
        restore(stick, place)
    monkeypatch.undo()
    with open_logbook(place) as empty:
        assert not any(all_rows(empty).values())
    restore(stick, place)
    with open_logbook(place) as again:
        assert all_rows(again) == all_rows(book)
