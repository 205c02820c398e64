"""All plates of a room together, looked at one after the other."""

import gc
import weakref
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from long_logbooks import fill_long, plate_name

from polypvision.plates import room as room_module
from polypvision.plates.report import write_reports
from polypvision.plates.room import KnownPlate, compare_room, foretell_room, known_plate, look_over
from polypvision.store.facts import PlateFacts, set_facts
from polypvision.store.logbook import Logbook, open_logbook

N = 3


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    """Plates of several lines whose names are not in the order of the lines, and one empty one."""
    place = tmp_path_factory.mktemp("room") / "book.sqlite"
    with open_logbook(place, create=True) as opened:
        fill_long(opened, N, n_dates=3, n_polyps=3)
        for number, line in enumerate(("b", "a", "b")):
            facts = PlateFacts(plate=plate_name(number), line=line)
            opened.write(lambda connection: set_facts(connection, facts))  # noqa: B023
        opened.write(lambda connection: set_facts(connection, PlateFacts(plate="new", line="a")))
        yield opened


def test_what_is_held_between_two_looks_changes_nothing(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = []
    for held in (64, 0):
        monkeypatch.setattr(room_module, "_HELD", held)
        look = look_over(book)
        assert len(look.held) == min(held, N + 1)
        outcomes = compare_room(look)
        pages = tmp_path / f"{held}"
        write_reports(book, ["0001"], pages, on=date(2031, 4, 1), pdf=pages / "report.pdf")
        found.append(
            (
                foretell_room(book, look),
                (outcomes.sentences, outcomes.yields, outcomes.remarks),
                {path.name: path.read_bytes() for path in pages.iterdir()},
            )
        )
    assert found[1] == found[0]
    forecast, _, written = found[0]
    assert [one.name for one in forecast.plates] == [plate_name(n) for n in range(N)]
    assert [one.name for one in forecast.lines] == ["a", "b"]
    pieces = [one.n_pieces for one in forecast.plates]
    assert [one.n_pieces for one in forecast.lines] == [pieces[1], pieces[0] + pieces[2]]
    assert forecast.whole.n_pieces == sum(pieces) > 0
    assert {"index.html", "report.pdf", "plate-0001.html"} <= written.keys()


def test_each_plate_is_told_of_and_let_go(book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two looks at all plates, and at no time more than one of them in memory."""
    monkeypatch.setattr(room_module, "_HELD", 0)
    alive: list[weakref.ref[KnownPlate]] = []
    most = 0

    def counting(*words: object, **more: object) -> KnownPlate:
        nonlocal most
        found = known_plate(*words, **more)  # type: ignore[arg-type]
        gc.collect()
        most = max(most, sum(one() is not None for one in alive))
        alive.append(weakref.ref(found))
        return found

    monkeypatch.setattr(room_module, "known_plate", counting)
    told: list[tuple[int, int, str]] = []
    foretell_room(
        book,
        look_over(book, progress=lambda *one: told.append(one)),
        progress=lambda *one: told.append(one),
    )
    assert len(alive) == 2 * N + 1  # One has no photo, and so no stock.
    assert most <= 1  # The one before, which is let go once the next is there.
    assert [(done, total) for done, total, _ in told] == [
        *((n, N + 1) for n in range(N + 1)), *((n, N) for n in range(N))
    ]  # fmt: skip
    assert {name for _, _, name in told} == {plate_name(n) for n in range(N)} | {"new"}
