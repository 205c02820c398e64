"""Tasks ticked off today's list: kept, taken back, and due again with new evidence."""

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from math import inf
from pathlib import Path

import pytest
from made_pieces import plate_of

from polypvision.errors import TaskUnknown
from polypvision.plates.done import split_done, tick_off
from polypvision.plates.dues import today
from polypvision.reading import PlateReading
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import save_photo
from polypvision.today import Task

FATES = [(13.0, 20.0, inf)] * 3 + [(13.0, 20.0, 18.0)]
NOW = datetime(2031, 3, 26, 9, tzinfo=UTC)


def record(book: Logbook, readings: list[PlateReading]) -> None:
    for reading in readings:
        with book.writing() as connection:
            save_photo(connection, reading, path=reading.facts.photo, settings={})


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(str(tmp_path / "own.sqlite"), create=True) as book:
        yield book


def on(book: Logbook, day: date) -> tuple[Task, ...]:
    return today(book, day)[0]


def lost(tasks: tuple[Task, ...]) -> Task:
    return next(one for one in tasks if one.kind == "lost")


def test_a_tick_is_kept_with_who_and_when_and_can_be_taken_back(book: Logbook) -> None:
    record(book, plate_of(FATES, (0, 7, 14, 21)))
    tasks = on(book, date(2031, 3, 25))
    key = lost(tasks).key
    tick_off(book, tasks, key[:6], author="Ada", now=NOW)
    tick_off(book, tasks, key, author="Bo")  # Twice is as good as once.
    due, (done,) = split_done(book, tasks)
    assert (done.task.key, done.author, done.at) == (key, "Ada", NOW)
    assert {one.key for one in due} == {one.key for one in tasks} - {key}
    # Also in the next day's list, for nothing new was seen.
    assert split_done(book, on(book, date(2031, 3, 26)))[1][0].task.key == key
    tick_off(book, tasks, key, author="Bo", done=False)
    assert split_done(book, tasks) == (tasks, ())
    tick_off(book, tasks, key, author="Cy")
    assert split_done(book, tasks)[1][0].author == "Cy"
    with book.reading() as connection:
        lines = connection.exec_driver_sql("SELECT author, done FROM ticks ORDER BY id").all()
    assert [tuple(one) for one in lines] == [("Ada", 1), ("Bo", 0), ("Cy", 1)]


def test_a_task_comes_back_with_new_evidence(book: Logbook) -> None:
    readings = plate_of([(13.0, 20.0, inf)] * 3, (0, 7, 14, 21, 28))
    record(book, readings[:4])
    day = date(2031, 3, 25)
    ready = next(one for one in on(book, day) if one.kind == "ready")
    tick_off(book, on(book, day), ready.key, author="Ada")
    assert "ready" not in {one.kind for one in split_done(book, on(book, day))[0]}
    record(book, readings[4:])
    due, done = split_done(book, on(book, day + timedelta(days=7)))
    assert "ready" in {one.kind for one in due}
    assert done == ()


def test_a_photo_that_stays_away_is_asked_for_again(book: Logbook) -> None:
    record(book, plate_of([(13.0, 20.0, inf)] * 3, (0, 7)))
    first, later = date(2031, 4, 10), date(2031, 5, 12)
    photo = next(one for one in on(book, first) if one.kind == "photo")
    tick_off(book, on(book, first), photo.key, author="Ada")
    assert "photo" not in {one.kind for one in split_done(book, on(book, first))[0]}
    assert "photo" in {one.kind for one in split_done(book, on(book, later))[0]}


@pytest.mark.parametrize("key", ["", "abc", "0000000000000000", "%"])
def test_what_is_not_on_the_list_cannot_be_ticked_off(book: Logbook, key: str) -> None:
    record(book, plate_of(FATES, (0, 7, 14, 21)))
    tasks = on(book, date(2031, 3, 25))
    with pytest.raises(TaskUnknown, match="look at it again"):
        tick_off(book, tasks, key, author="Ada")
    assert split_done(book, tasks)[1] == ()
