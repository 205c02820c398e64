"""What a screen shows of plates is worked out once for each state of the logbook."""

from collections.abc import Iterator
from datetime import UTC, date, datetime
from math import inf
from pathlib import Path

import pytest
from made_pieces import cut, plate_of

from polypvision.events import LogEntry
from polypvision.plates.dues import today
from polypvision.plates.known import known_plate
from polypvision.plates.log import note
from polypvision.plates.view import PlateView, PlateViews
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import save_photo

FATES = [(13.0, 20.0, inf)] * 3 + [(25.0, 33.0, 40.0)]
INK = "#123456"


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(str(tmp_path / "own.sqlite"), create=True) as book:
        for reading in plate_of(FATES):
            with book.writing() as connection:
                save_photo(connection, reading, path=reading.facts.photo, settings={})
        note(book, cut())
        yield book


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The plates that were worked out, each time that one was."""
    found: list[str] = []

    def counting(logbook: Logbook, plate: str, **more: object) -> object:
        found.append(plate)
        return known_plate(logbook, plate, **more)  # type: ignore[arg-type]

    monkeypatch.setattr("polypvision.plates.view.known_plate", counting)
    return found


def test_a_plate_is_worked_out_once_until_something_changes(
    book: Logbook, counted: list[str]
) -> None:
    views = PlateViews(book)
    first = views.of("0042")
    assert views.of("0042") is first
    assert counted == ["0042"]
    note(book, LogEntry(plate="0042", at=datetime(2031, 4, 1, tzinfo=UTC), kind="note", note="x"))
    second = views.of("0042")
    assert second.stamp != first.stamp
    assert second.page.happenings != first.page.happenings
    assert counted == ["0042"] * 2


def test_a_list_that_may_not_wait_gives_what_is_known(book: Logbook) -> None:
    views = PlateViews(book)
    (summary,) = views.listed().plates
    assert not isinstance(summary, PlateView)
    assert (summary.facts.plate, summary.n_photos) == ("0042", 8)
    view = views.of("0042")
    assert views.listed().plates == (view,)


@pytest.mark.parametrize("on", [date(2031, 3, 1), date(2031, 3, 25), date(2031, 4, 29)])
def test_todays_list_is_the_command_lines(book: Logbook, on: date) -> None:
    views = PlateViews(book)
    tasks, later, waiting = views.today(on)
    assert (tasks, later) == today(book, on)
    assert tasks
    assert waiting == 0


def test_charts_are_drawn_when_asked_for_and_once(book: Logbook, counted: list[str]) -> None:
    views = PlateViews(book)
    view = views.of("0042")
    growth = views.chart(view, "growth", INK)
    assert growth.startswith(b"<svg")
    assert INK.encode() in growth
    assert views.chart(view, "growth", INK) is growth
    assert counted == ["0042"]  # No forecast was needed for it.
    assert b"</svg>" in views.chart(view, "dates", INK)
    views.chart(view, "healing", INK)
    assert counted == ["0042"] * 2
    with pytest.raises(KeyError):
        views.chart(view, "moon", INK)
