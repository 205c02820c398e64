"""Today's list works out what changed, and nothing else; who asks first does it for all."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from math import inf
from pathlib import Path

import pytest
from conftest import NewPlace
from made_pieces import cut, plate_of

from polypvision.errors import LogbookError
from polypvision.events import LogEntry
from polypvision.plates.dues import Dues, Then, dues_of, tasks_on, today
from polypvision.plates.known import known_plate
from polypvision.plates.log import note
from polypvision.reading import PhotoFacts, Refusal
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import save_photo
from polypvision.today import things_to_do

FATES = [(13.0, 20.0, inf)] * 3 + [(25.0, 33.0, 40.0)]
ON = date(2031, 4, 29)
PLATES = ("0042", "0043", "0044")


def fill(opened: Logbook) -> None:
    """Three plates with a cut and pieces of which one is lost, and a photo that was refused."""
    with opened.writing() as connection:
        for n, plate in enumerate(PLATES):
            for one in plate_of(FATES[n:])[::2]:
                name = f"/rack/{plate}-{one.facts.sha256[:6]}.jpg"
                facts = replace(one.facts, photo=name, sha256=f"{n}{one.facts.sha256[1:]}")
                own = replace(one, plate=plate, facts=facts)
                save_photo(connection, own, path=name, settings={})
        facts = PhotoFacts(photo="/rack/x.jpg", sha256="e" * 64,
                           taken_at=datetime(2031, 4, 28, 12, tzinfo=UTC))  # fmt: skip
        refused = Refusal(facts=facts, kind="no-card", message="No card.")
        save_photo(connection, refused, path="/rack/x.jpg", settings={})
    note(opened, cut())


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(tmp_path / "own.sqlite", create=True) as opened:
        fill(opened)
        yield opened


@pytest.fixture
def worked_out(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The plates that were worked out, each time that one was."""
    found: list[str] = []

    def counting(logbook: Logbook, plate: str, **more: object) -> object:
        found.append(plate)
        return known_plate(logbook, plate, **more)  # type: ignore[arg-type]

    monkeypatch.setattr("polypvision.plates.kept.known_plate", counting)
    return found


@pytest.mark.parametrize("on", [ON, date(2031, 3, 25), ON + timedelta(days=40)])
def test_the_list_is_that_of_all_plates_worked_out_anew(book: Logbook, on: date) -> None:
    known = [known_plate(book, plate, on=on, foretell=False) for plate in PLATES]
    states, later = [one.state for one in known], sum(one.later for one in known)
    refusal = tasks_on(book, (), on)
    anew = things_to_do(states, on)
    for _ in range(2):
        found, left_out = today(book, on)
        assert left_out == later
        assert [one for one in found if one not in refusal] == list(anew)
    assert anew


def test_one_new_line_costs_the_work_of_one_plate(book: Logbook, worked_out: list[str]) -> None:
    before, _ = today(book, ON)
    assert worked_out == list(PLATES)
    assert today(book, ON + timedelta(days=1))
    assert worked_out == list(PLATES)  # Another day needs no plate again.
    at = datetime(2031, 4, 29, tzinfo=UTC)
    note(book, LogEntry(plate="0043", at=at, kind="note", note="moved"))
    assert today(book, ON)[0] == before
    assert worked_out == [*PLATES, "0043"]


def test_what_one_program_worked_out_serves_the_others(
    new_place: NewPlace, worked_out: list[str]
) -> None:
    place = new_place()
    with open_logbook(place, create=True) as one, open_logbook(place) as other:
        fill(one)
        assert today(one, ON) == today(other, ON)
        at = datetime(2031, 4, 29, tzinfo=UTC)
        note(other, LogEntry(plate="0044", at=at, kind="note", note="moved"))
        assert today(one, ON) == today(other, ON)
    assert worked_out == [*PLATES, "0044"]


def test_another_size_is_asked_for_by_itself(book: Logbook) -> None:
    small, _ = today(book, ON, size_mm=5)
    usual, _ = today(book, ON)
    assert [one.who for one in small if one.kind == "ready"]
    assert small != usual
    assert today(book, ON, size_mm=5)[0] == small


def test_where_time_is_short_some_wait_and_come_later(book: Logbook) -> None:
    first = dues_of(book, ON, within_s=-1)
    assert (first.plates, first.waiting) == ((), 3)
    told: list[tuple[int, int, str]] = []
    whole: Dues = dues_of(book, ON, progress=lambda *one: told.append(one))
    assert told == [(1, 3, "0042"), (2, 3, "0043"), (3, 3, "0044")]
    assert [one.plate for one in whole.plates] == list(PLATES)
    assert whole.waiting == 0


def test_what_is_dated_later_waits_its_turn_too(
    book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    early = date(2031, 3, 25)
    whole = dues_of(book, early)  # Its photos go on into April.
    looked: list[str] = []

    def counting(logbook: Logbook, plate: str, **more: object) -> object:
        looked.append(plate)
        return known_plate(logbook, plate, **more)  # type: ignore[arg-type]

    monkeypatch.setattr("polypvision.plates.dues.known_plate", counting)
    then: dict[str, Then] = {}
    short = dues_of(book, early, within_s=-1, then=then)
    assert (short.plates, short.waiting, looked) == ((), 3, [])
    for _ in range(2):
        found = dues_of(book, early, then=then)
        assert (found.plates, found.later, found.waiting) == (whole.plates, whole.later, 0)
    assert looked == list(PLATES)
    assert dues_of(book, early, within_s=-1, then=then).plates == whole.plates
    note(book, cut())
    assert dues_of(book, early, then=then).later == whole.later
    assert looked == [*PLATES, cut().plate]


def test_a_logbook_that_cannot_be_written_still_has_its_list(
    book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = today(book, ON)

    def refuse(*_: object) -> None:
        raise LogbookError("it is read-only")

    note(book, cut())
    monkeypatch.setattr(Logbook, "write", refuse)
    assert today(book, ON)[0] == whole[0]
