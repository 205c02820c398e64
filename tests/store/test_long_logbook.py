"""What is asked of one plate costs the same beside ten plates and beside hundreds.

Counted in steps of SQLite's virtual machine, which no other work on the computer changes; times and
a server are measured by `tests/benchmarks/long_logbook.py`.
"""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from long_logbooks import EVERY_DAYS, FIRST, fill_long, photo_hash, plate_name

from polypvision.errors import PlateUnknown
from polypvision.events import LogEntry
from polypvision.plates.corrected import corrected_photos
from polypvision.plates.known import known_plate
from polypvision.plates.log import list_plates, note, one_plate, some_plates
from polypvision.store.corrections import photo_named
from polypvision.store.facts import facts_of
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import find_photo, refused_photos, save_photo, twin_of
from polypvision.store.stamps import plate_stamp

FEW, MANY = 10, 400
SHA256 = photo_hash("0007", 1)


@pytest.fixture(scope="module")
def books(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[int, Logbook]]:
    folder: Path = tmp_path_factory.mktemp("long")
    opened = {n: open_logbook(folder / f"{n}.sqlite", create=True) for n in (FEW, MANY)}
    for n, book in opened.items():
        fill_long(book, n, n_dates=3, n_polyps=2)
    yield opened
    for book in opened.values():
        book.close()


def steps(book: Logbook, work: Callable[[], object]) -> int:
    """Return how many steps the database takes for some work."""
    found = [0]

    def count() -> int:
        found[0] += 1
        return 0

    def begin(connection: Any, *_: object) -> None:
        connection.set_progress_handler(count, 1)

    sa.event.listen(book.engine, "checkout", begin)
    try:
        work()
    finally:
        sa.event.remove(book.engine, "checkout", begin)
    return found[0]


def looked(book: Logbook, work: Callable[[sa.Connection], object]) -> Callable[[], object]:
    return lambda: book.look(work)


def _again(connection: sa.Connection) -> None:
    found = corrected_photos(connection, "0007")[0]
    save_photo(connection, found.reading, path="/new name.jpg", settings={})
    twin_of(connection, found.reading)


ASKED: dict[str, Callable[[Logbook], Callable[[], object]]] = {
    "its photos": lambda book: looked(book, lambda c: corrected_photos(c, "0007")),
    "its mark": lambda book: looked(book, lambda c: plate_stamp(c, "0007")),
    "worked out": lambda book: lambda: known_plate(book, "0007", foretell=False),
    "its line in the list": lambda book: lambda: one_plate(book, "0007"),
    "a page of the list": lambda book: lambda: some_plates(book, "", 0, 5)[0],
    "a photo by its hash": lambda book: looked(book, lambda c: find_photo(c, SHA256)),
    "a photo by part of it": lambda book: looked(book, lambda c: photo_named(c, SHA256[:-1])),
    "a photo by its path": lambda book: looked(
        book, lambda c: photo_named(c, "/rack/0007/0007-1.jpg")
    ),
    "refused photos": lambda book: looked(book, refused_photos),
    "a photo read again": lambda book: lambda: book.write(_again),
    "a line in its log": lambda book: (
        lambda: note(book, LogEntry(plate="0007", at=FIRST, kind="note", note="seen"))
    ),
}


@pytest.mark.parametrize("what", ASKED)
def test_one_plate_costs_no_more_beside_many(books: dict[int, Logbook], what: str) -> None:
    few, many = (steps(books[n], ASKED[what](books[n])) for n in (FEW, MANY))
    assert few > 0
    # Counting the list for its page looks at one short row of an index for each plate.
    spare = 12 * MANY if what == "a page of the list" else 20
    assert many <= 1.2 * few + spare, (few, many)


def test_many_plates_are_listed_as_few_are(books: dict[int, Logbook]) -> None:
    whole = list_plates(books[MANY])
    assert [one.facts.plate for one in whole] == [plate_name(n) for n in range(MANY)]
    assert {(one.n_photos, one.n_entries >= 1) for one in whole} == {(3, True)}
    first, last = FIRST.date(), FIRST.toordinal() + 2 * EVERY_DAYS
    assert (whole[0].first or "")[:10] == first.isoformat()
    assert (whole[0].last or "")[:10] == first.fromordinal(last).isoformat()
    part, n_found = some_plates(books[MANY], "", 100, 7)
    assert (part, n_found) == (whole[100:107], MANY)
    part, n_found = some_plates(books[MANY], "LINE 11", 0, 100)
    named = [one for one in whole if "11" in one.facts.plate or one.facts.line == "line 11"]
    assert (part, n_found) == (named, len(named))
    assert some_plates(books[MANY], "line_3", 0, 5) == ([], 0)


def test_an_unknown_plate_does_not_name_hundreds(books: dict[int, Logbook]) -> None:
    with (
        pytest.raises(PlateUnknown, match=r"0010 and 390 more") as caught,
        books[MANY].reading() as connection,
    ):
        facts_of(connection, "none")
    assert len(str(caught.value)) < 200
