"""All plates of a room together: what has changed is worked out, the rest was kept."""

import gc
import weakref
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from conftest import NewPlace
from long_logbooks import fill_long, plate_name

from polypvision.errors import LogbookError
from polypvision.events import LogEntry
from polypvision.plan import (
    READY_MM,
    RoomForecast,
    glance_at,
    glance_from_record,
    glance_record,
    outlook_from_record,
    outlook_of,
    outlook_record,
    room_forecast,
    week_dates,
)
from polypvision.plates.dues import today
from polypvision.plates.forget import forget
from polypvision.plates.kept import KeptPlates
from polypvision.plates.known import KnownPlate, known_plate
from polypvision.plates.log import note
from polypvision.plates.program import program_mark
from polypvision.plates.room import compare_room, foretell_room, look_over
from polypvision.store.facts import PlateFacts, set_facts
from polypvision.store.logbook import Logbook, open_logbook

N = 3
NAMES = [plate_name(n) for n in range(N)]
LINE = LogEntry(plate=NAMES[1], at=datetime(2031, 3, 5, tzinfo=UTC), kind="note", note="moved")


def fill(opened: Logbook) -> None:
    """Plates of several lines whose names are not in the order of the lines, and one empty one."""
    fill_long(opened, N, n_dates=4, n_polyps=4)
    for name, line in zip(NAMES, "bab", strict=True):
        facts = PlateFacts(plate=name, line=line)
        opened.write(lambda connection: set_facts(connection, facts))  # noqa: B023
    opened.write(lambda connection: set_facts(connection, PlateFacts(plate="new", line="a")))


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(tmp_path / "book.sqlite", create=True) as opened:
        fill(opened)
        yield opened


@pytest.fixture
def worked_out(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The plates that were worked out, each time that one was."""
    found: list[str] = []

    def counting(logbook: Logbook, plate: str, **more: object) -> KnownPlate:
        found.append(plate)
        return known_plate(logbook, plate, **more)  # type: ignore[arg-type]

    monkeypatch.setattr("polypvision.plates.kept.known_plate", counting)
    return found


def from_states(book: Logbook, size_mm: float = READY_MM) -> RoomForecast:
    """The forecast from all plates at once, as whole as they are."""
    states = [known_plate(book, name, size_mm=size_mm).state for name in [*NAMES, "new"]]
    last = max(state.tracks.photos[-1].taken_at for state in states if state.tracks.photos)
    return room_forecast(states, week_dates(last), size_mm=size_mm)


def test_the_stock_from_what_was_kept_is_that_of_the_plates_themselves(book: Logbook) -> None:
    whole = from_states(book)
    for _ in range(2):
        forecast, look = foretell_room(book)
        assert forecast == whole
    assert [one.name for one in forecast.plates] == NAMES
    assert [one.name for one in forecast.lines] == ["a", "b"]
    pieces = [one.n_pieces for one in forecast.plates]
    assert [one.n_pieces for one in forecast.lines] == [pieces[1], pieces[0] + pieces[2]]
    assert forecast.whole.n_pieces == sum(pieces) > 0
    assert [one.plate for one in look.glances] == [*NAMES, "new"]
    assert foretell_room(book, size_mm=12.0)[0] == from_states(book, 12.0)


@pytest.mark.parametrize("size_mm", [READY_MM, 15.0])
def test_what_is_kept_comes_back_as_it_was(book: Logbook, size_mm: float) -> None:
    for name in [*NAMES, "new"]:
        state = known_plate(book, name, size_mm=size_mm).state
        glance, outlook = glance_at(state), outlook_of(state)
        assert repr(glance_from_record(name, glance_record(glance))) == repr(glance)
        again = outlook_from_record(name, outlook_record(outlook))
        assert outlook_record(again) == outlook_record(outlook)
        assert again.pieces == outlook.pieces


def test_only_what_changed_is_worked_out(book: Logbook, worked_out: list[str]) -> None:
    told: list[tuple[int, int, str]] = []
    look_over(book, progress=lambda *one: told.append(one))
    assert worked_out == [*NAMES, "new"]
    assert told == [(n, N + 1, name) for n, name in enumerate(worked_out, 1)]
    look_over(book)
    today(book, date(2031, 4, 1))  # Comes of the same work.
    assert worked_out == [*NAMES, "new"]
    foretell_room(book)
    assert worked_out == 2 * [*NAMES, "new"]
    note(book, LINE)
    worked_out.clear()
    before = foretell_room(book)[0]
    compare_room(look_over(book))
    today(book, date(2031, 4, 1))
    assert worked_out == [NAMES[1]]
    assert foretell_room(book)[0] == before == from_states(book)


def test_what_another_program_kept_is_not_taken(
    book: Logbook, worked_out: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = foretell_room(book)[0]
    book.write(lambda connection: connection.exec_driver_sql("UPDATE plate_kept SET body = '{}'"))
    monkeypatch.setattr("polypvision.plates.kept.program_mark", lambda: "0.1.0-another")
    worked_out.clear()
    assert foretell_room(book)[0] == whole
    assert worked_out == [*NAMES, "new"]


def test_programs_are_told_apart_by_their_code(tmp_path: Path) -> None:
    marks = []
    for n, (name, data) in enumerate(
        [("a.py", b"1"), ("b/a.py", b"1"), ("b/a.py", b"2"), ("c.html", b""), ("d.onnx", b"3")]
    ):
        for folder in range(n, 5):
            path = tmp_path / str(folder) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        marks.append(program_mark(tmp_path / str(n)))
    assert len(set(marks[:4])) == 4
    assert marks[4] == marks[3]  # What a network saw is in the logbook.


def test_several_processes_tell_the_same(new_place: NewPlace) -> None:
    found = []
    for jobs in (1, 2):
        with open_logbook(new_place(), create=True) as book:
            fill_long(book, 33, n_dates=2, n_polyps=2)
            told: list[int] = []
            look = look_over(book, jobs=jobs, progress=lambda done, *_: told.append(done))  # noqa: B023
            assert told == list(range(1, 34))
            found.append((repr(look), compare_room(look, "line").sentences))
    assert found[0] == found[1]


def test_a_logbook_that_cannot_be_written_tells_the_same(
    book: Logbook, worked_out: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise LogbookError("it is read-only")

    whole = from_states(book)
    monkeypatch.setattr(Logbook, "write", refuse)
    for _ in range(2):
        assert foretell_room(book)[0] == whole
    assert worked_out == 2 * [*NAMES, "new"]  # Once for each time that it is asked.


def test_what_changes_or_goes_meanwhile_is_told_as_it_is_then(
    book: Logbook, worked_out: list[str]
) -> None:
    kept = KeptPlates(book)
    kept.work_out("glance")
    worked_out.clear()
    note(book, LINE)
    KeptPlates(book).work_out("glance")  # Another program.
    forget(book, plates=[NAMES[2]])
    book.write(lambda connection: connection.exec_driver_sql("DELETE FROM plate_kept"))
    found = {plate: len(body["log"]) for plate, body in kept.each("glance")}
    assert found == {NAMES[0]: 1, NAMES[1]: 2, "new": 0}


def test_each_plate_is_let_go(book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """At no time is more than one plate in memory, whatever is asked of all."""
    alive: list[weakref.ref[KnownPlate]] = []
    most = 0

    def counting(logbook: Logbook, plate: str, **more: object) -> KnownPlate:
        nonlocal most
        found = known_plate(logbook, plate, **more)  # type: ignore[arg-type]
        gc.collect()
        most = max(most, sum(one() is not None for one in alive))
        alive.append(weakref.ref(found))
        return found

    monkeypatch.setattr("polypvision.plates.kept.known_plate", counting)
    look_over(book)
    foretell_room(book)
    assert len(alive) == 2 * (N + 1)
    assert most <= 1  # The one before, which is let go once the next is there.
