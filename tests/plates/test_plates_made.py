"""A report leaves pages as they are that would be the same."""

import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from long_logbooks import add_photo, fill_long, plate_name

from polypvision.errors import OutputError, PlateUnknown
from polypvision.events import LogEntry
from polypvision.files import outputs
from polypvision.files.outputs import put_in_place
from polypvision.files.quick_json import from_json, to_json
from polypvision.plates import report as report_module
from polypvision.plates import sheets as sheets_module
from polypvision.plates.forget import forget
from polypvision.plates.known import KnownPlate, known_plate
from polypvision.plates.log import note
from polypvision.plates.report import write_reports
from polypvision.plates.room import foretell_room
from polypvision.reports import around_stock
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import names_of_photos

ON = date(2031, 4, 1)
NAMES = [plate_name(n) for n in range(2)]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the logbook and its pages, to be copied."""
    folder: Path = tmp_path_factory.mktemp("made")
    with open_logbook(folder / "book.sqlite", create=True) as opened:
        fill_long(opened, len(NAMES), n_dates=2, n_polyps=1)
        write_reports(opened, None, folder / "pages", on=ON)
    return folder


@pytest.fixture
def book(made: Path, tmp_path: Path) -> Iterator[Logbook]:
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    with open_logbook(tmp_path / "book.sqlite") as opened:
        yield opened


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The plates whose pages were drawn, each time that one was."""
    found: list[str] = []

    def counting(logbook: Logbook, plate: str, **more: object) -> KnownPlate:
        found.append(plate)
        return known_plate(logbook, plate, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(sheets_module, "known_plate", counting)
    return found


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_only_pages_that_changed_are_drawn(book: Logbook, drawn: list[str], tmp_path: Path) -> None:
    pages = tmp_path / "pages"
    before = contents(pages)
    write_reports(book, None, pages, on=ON)
    assert (drawn, contents(pages)) == ([], before)
    at = datetime(2031, 3, 6, tzinfo=UTC)
    note(book, LogEntry(plate=NAMES[1], at=at, kind="note", note="moved"))
    write_reports(book, None, pages, on=ON)
    assert drawn == [NAMES[1]]
    changed = {name for name, data in contents(pages).items() if before[name] != data}
    assert {f"plate-{NAMES[1]}.html", "pages.json"} <= changed
    assert not any(NAMES[0] in name for name in changed)
    # As a folder has them in which nothing was before.
    write_reports(book, None, tmp_path / "anew", on=ON)
    assert contents(pages) == contents(tmp_path / "anew")


def test_a_new_photo_draws_its_own_plate_and_renews_the_stock_of_the_others(
    book: Logbook, drawn: list[str], tmp_path: Path
) -> None:
    pages = tmp_path / "pages"
    before = contents(pages)
    add_photo(book, NAMES[1])
    write_reports(book, None, pages, on=ON)
    assert drawn == [NAMES[1]]
    now = contents(pages)
    other = f"plate-{NAMES[0]}.html"
    assert [one for one in before if NAMES[0] in one and before[one] != now[one]] == [other]
    old, new = before[other].decode(), now[other].decode()
    assert around_stock(old) == around_stock(new)
    # Weeks from the latest photo of the room, which was the 11th of March.
    assert "18 Mar 2031" in old
    assert "25 Mar 2031" in new
    write_reports(book, None, tmp_path / "anew", on=ON)
    assert now == contents(tmp_path / "anew")
    drawn.clear()
    write_reports(book, None, pages, on=ON)
    assert (drawn, contents(pages)) == ([], now)


class Killed(BaseException):
    """The program ends here."""


@pytest.mark.parametrize(
    "at", [f"plate-{NAMES[0]}.html", f"plate-{NAMES[1]}.html", "pages.json", "index.html"]
)
def test_what_is_stopped_midway_is_whole_and_goes_on(
    book: Logbook, drawn: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    pages = tmp_path / "pages"
    before = contents(pages)
    add_photo(book, NAMES[1])

    def placing(temporary: Path, path: Path) -> None:
        if path.name == at:
            raise Killed
        put_in_place(temporary, path)

    with monkeypatch.context() as stopped:
        stopped.setattr(outputs, "put_in_place", placing)
        with pytest.raises(Killed):
            write_reports(book, None, pages, on=ON)
    midway = contents(pages)
    drawn.clear()
    write_reports(book, None, pages, on=ON)
    after = contents(pages)
    # The other's page needs no more than its stock, whenever it was that all was stopped.
    assert drawn == ([] if at == "index.html" else NAMES[1:])
    assert all(data in (before.get(name), after[name]) for name, data in midway.items())
    shutil.rmtree(pages)
    write_reports(book, None, pages, on=ON)
    assert contents(pages) == after


def test_a_page_changed_by_hand_is_drawn_again(
    book: Logbook, drawn: list[str], tmp_path: Path
) -> None:
    page = tmp_path / "pages" / f"plate-{NAMES[0]}.html"
    page.write_text(page.read_text(encoding="utf-8").replace("Plate 0001", "Plate 9999"))
    add_photo(book, NAMES[1])
    write_reports(book, None, tmp_path / "pages", on=ON)
    assert drawn == NAMES


def test_what_a_plate_has_no_more_of_goes(book: Logbook, tmp_path: Path) -> None:
    pages = tmp_path / "pages"
    assert (pages / f"plate-{NAMES[0]}-wounds.png").exists()
    made = from_json((pages / "pages.json").read_text(encoding="utf-8"))
    stale = [f"plate-{NAMES[0]}-old.png", "../own.txt", "mine.txt"]
    for name in stale:
        (pages / name).write_text("x")
        made[NAMES[0]]["files"][name] = 1
    made[NAMES[0]]["state"] = "of another program"
    (pages / "pages.json").write_text(to_json(made), encoding="utf-8")
    write_reports(book, None, pages, on=ON)
    assert [(pages / name).exists() for name in stale] == [False, True, True]


def test_processes_draw_the_same_pages(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets_module, "_LEAST_FOR_ONE", 1)
    with monkeypatch.context() as elsewhere:
        elsewhere.delattr(sheets_module, "_draw")  # Nothing is drawn in this process.
        write_reports(book, None, tmp_path / "anew", on=ON, jobs=2)
    assert contents(tmp_path / "anew") == contents(tmp_path / "pages")


def test_a_plate_that_goes_meanwhile_is_told(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def going(*more: object, **others: object) -> object:
        forget(book, plates=[NAMES[1]])
        return foretell_room(*more, **others)  # type: ignore[arg-type]

    monkeypatch.setattr(report_module, "foretell_room", going)
    with pytest.raises(PlateUnknown):
        write_reports(book, NAMES, tmp_path / "pages", on=ON)


def gone(pages: Path) -> None:
    (pages / f"plate-{NAMES[0]}-growth.svg").unlink()


def cut_short(pages: Path) -> None:
    page = pages / f"plate-{NAMES[0]}.html"
    page.write_text(page.read_text(encoding="utf-8")[:100], encoding="utf-8")


def no_list(pages: Path) -> None:
    (pages / "pages.json").write_text('{"0001": [1, 2', encoding="utf-8")


def another_list(pages: Path) -> None:
    (pages / "pages.json").write_text('{"0001": {"seen": "x"}}', encoding="utf-8")


@pytest.mark.parametrize(
    ("spoil", "n"), [(gone, 1), (cut_short, 1), (no_list, 2), (another_list, 2)]
)
def test_what_is_not_there_any_more_is_drawn_again(
    book: Logbook, drawn: list[str], tmp_path: Path, spoil: Callable[[Path], None], n: int
) -> None:
    pages = tmp_path / "pages"
    before = contents(pages)
    spoil(pages)
    write_reports(book, None, pages, on=ON)
    assert drawn == NAMES[:n]
    assert contents(pages) == before


def test_a_photo_that_came_back_is_shown(book: Logbook, drawn: list[str], tmp_path: Path) -> None:
    with book.reading() as connection:
        assert len(names_of_photos(connection, NAMES[1])) == 2
    photo = tmp_path / "photo.jpg"
    moved = "UPDATE photo_names SET path = ? WHERE path LIKE ?"
    book.write(
        lambda connection: connection.exec_driver_sql(
            moved, (str(photo), f"/rack/{NAMES[1]}/%-1.jpg")
        )
    )
    pages = tmp_path / "pages"
    _, remarks = write_reports(book, None, pages, on=ON)
    assert len([one for one in remarks if "was moved" in one]) == 2
    assert write_reports(book, None, pages, on=ON)[1] == remarks
    drawn.clear()
    photo.write_bytes(b"not the photo that was read")
    write_reports(book, None, pages, on=ON)
    assert drawn == [NAMES[1]]


def test_a_pdf_of_too_many_plates_is_refused_before_any_work(
    book: Logbook, drawn: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(report_module, "MOST_PRINTED", 1)
    with pytest.raises(OutputError, match=r"A PDF of 2 plates would have some 8 pages\. Name up"):
        write_reports(book, None, None, on=ON, pdf=tmp_path / "all.pdf")
    assert drawn == []
    # What is printed is drawn, though its page is there.
    write_reports(book, NAMES[:1], tmp_path / "pages", on=ON, pdf=tmp_path / "one.pdf")
    assert drawn == NAMES[:1]
    assert (tmp_path / "one.pdf").read_bytes().startswith(b"%PDF-")
