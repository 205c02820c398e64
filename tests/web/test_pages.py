"""Pages and templates held together; log, cards, backup; the logbook locked or read-only."""

import re
import sqlite3
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path

import pytest
import sqlalchemy as sa
import web_house
from jinja2 import meta, nodes
from long_logbooks import fill_long
from markupsafe import Markup
from web_house import DESK, PHONE, House

from polypvision.evaluate.agreement import agreement_sentences
from polypvision.plates.correct import correct_photos, machine_against_people
from polypvision.plates.log import log_of
from polypvision.reading import PhotoFacts, PlateReading, Refusal, Scale
from polypvision.reports.retake import photo_answer
from polypvision.store.logbook import open_logbook
from polypvision.web.pages import PAGES, PLATES_SHOWN, Page
from polypvision.web.setting import environment
from polypvision.web.views import INKS

house = web_house.house

FROM_DESK = {"origin": DESK}
CUT = {
    "plate": "0042",
    "kind": "cut",
    "at": "2024-03-20T10:00",
    "method": "halves",
    "pieces": "2",
    "dip": "by the label",
}


def used(template: str) -> Iterator[str]:
    """Every name that a template takes from its page, with those it extends."""
    env = environment()
    assert env.loader is not None
    tree = env.parse(env.loader.get_source(env, template)[0])
    shared = {str(name) for one in tree.find_all(nodes.FromImport) for name in one.names}
    yield from meta.find_undeclared_variables(tree) - shared
    for one in tree.find_all(nodes.Extends):
        assert isinstance(one.template, nodes.Const)
        yield from used(one.template.value)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.__name__)
def test_a_template_uses_what_its_page_declares(page: type[Page]) -> None:
    assert set(used(page.template)) == {field.name for field in fields(page)}


def test_every_template_has_its_page() -> None:
    shared = {"base.html", "parts.html"}
    own = {one for one in environment().list_templates() if not one.startswith("reports/")}
    assert {page.template for page in PAGES} == own - shared


def test_the_plate_page_shows_photo_outlines_and_links(house: House) -> None:
    text = house.desk().get("/plates/0042").text
    assert text.count('class="rim"') == 2
    assert 'data-polyp="P01"' in text
    assert "green &lt;wild&gt;" in text
    assert "/scaled/" in text
    assert len(text) < 500_000


def test_two_dates_side_by_side(house: House) -> None:
    from polypvision.plates.show import stored_photos

    first, *_, last = stored_photos(house.book, "0042")
    url = f"/plates/0042?photo={last.sha256}&beside={first.sha256}"
    text = house.desk().get(url).text
    assert text.index(f'data-sha256="{first.sha256}"') < text.index(f'data-sha256="{last.sha256}"')
    part = house.desk().get(f"/plates/0042/sheets/{first.sha256}").text
    assert part.count('class="rim"') == 2


def test_one_polyp_as_a_strip(house: House) -> None:
    text = house.desk().get("/plates/0042/polyps/P01").text
    assert text.count("<li><img") == 4
    src = text.partition('<li><img src="')[2].partition('"')[0]
    assert house.desk().get(src).headers["content-type"] == "image/jpeg"


def test_charts_come_by_day_and_by_night(house: House) -> None:
    desk = house.desk()
    text = desk.get("/plates/0042").text
    sources = re.findall(r'(?:src|srcset)="(/plates/0042/charts/[^"]+)"', text)
    assert {one.rpartition("/")[2].partition(".")[0] for one in sources} >= {
        "growth", "growth-dark", "wounds", "healing", "stages", "lineage", "lineage-dark",
    }  # fmt: skip
    for source in sources:
        answer = desk.get(source)
        assert answer.headers["content-type"] == "image/svg+xml"
        assert "immutable" in answer.headers["cache-control"]
        assert "<script" not in answer.text
        assert ("#f1e6d6" if "-dark" in source else "#1c2126") in answer.text
    assert desk.get("/plates/0042/charts/growth.svg?at=old").headers["cache-control"] == "no-store"
    assert desk.get("/plates/0042/charts/moon.svg").status_code == 404
    assert desk.get("/plates/0042/charts/growth-darkest.svg").status_code == 404
    expected = desk.get("/plates/0042/expected").text
    assert "/charts/dates.svg" in expected
    assert "20 mm" in expected  # When P01 and P02 have the size asked for.


def test_colours_of_the_charts_are_those_of_the_pages() -> None:
    folder = Path(__file__).parents[2] / "polypvision" / "web" / "static"
    style = (folder / "pages.css").read_text()
    assert re.findall(r"--ink: (#\w+)", style) == list(INKS.values())


def test_the_list_of_plates_does_not_wait(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("polypvision.web.app._OVERVIEW_S", -1.0)
    text = house.desk().get("/plates").text
    assert 'data-later="/plates/0042/card"' in text
    assert "4 photos" in text
    card = house.desk().get("/plates/0042/card").text
    assert "living polyps" in card
    assert "data-later" not in card
    assert "data-later" not in house.desk().get("/plates").text


def test_the_page_follows_the_logbook(house: House) -> None:
    desk = house.desk()
    assert "by the label" not in desk.get("/plates/0042").text
    answer = desk.post("/log", data=CUT, headers=FROM_DESK)
    assert answer.status_code == 303
    assert "written down" in desk.get(answer.headers["location"]).text
    assert "by the label" in desk.get("/plates/0042").text
    entry = next(one for one in log_of(house.book, "0042") if one.dip)
    assert (entry.kind, entry.method, entry.pieces) == ("cut", "halves", 2)
    assert entry.at.tzinfo is not None


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": "burn"},
        {"plate": ""},
        {"at": "soon"},
        {"at": "2999-01-01T00:00"},
        {"pieces": "-1"},
        {"pieces": "many"},
        {"method": "saw"},
        {"note": "x" * 2001},
        {"kind": "dip", "dip": ""},
    ],
)
def test_a_wrong_line_is_not_written(house: House, wrong: dict[str, str]) -> None:
    before = log_of(house.book, "0042")
    answer = house.desk().post("/log", data=CUT | wrong, headers=FROM_DESK)
    assert answer.status_code == 400
    assert log_of(house.book, "0042") == before


@pytest.mark.parametrize("kind", ["cut", "dip"])
def test_cautions_stand_by_the_cut_and_the_dip(house: House, kind: str) -> None:
    text = house.desk().get(f"/log?plate=0042&kind={kind}").text
    for word in ("palytoxin", "cut-resistant gloves", "Unplug", "follow the label"):
        assert word in text


def test_cards_come_as_a_pdf(house: House) -> None:
    desk = house.desk()
    assert desk.get("/cards/print?kind=small&codes=41,43").content.startswith(b"%PDF")
    for query in ("kind=small&codes=x", "kind=wide&codes=1", "kind=a4&codes=1-9999"):
        assert desk.get(f"/cards/print?{query}").status_code == 400


def test_a_backup_is_a_whole_logbook(house: House) -> None:
    with house.book.writing():  # While somebody writes, too.
        answer = house.phone().get("/backup")
    assert answer.status_code == 200
    copy = house.folder / "copy.sqlite"
    copy.write_bytes(answer.content)
    checked = sqlite3.connect(copy)
    # https://www.sqlite.org/pragma.html#pragma_integrity_check
    assert checked.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    checked.close()
    with open_logbook(copy) as book:
        assert log_of(book, "0042") == log_of(house.book, "0042")


def test_a_read_only_logbook_says_so(house: House) -> None:
    def only_look(connection: sqlite3.Connection, *_: object) -> None:
        connection.execute("PRAGMA query_only = ON")

    sa.event.listen(house.book.engine, "connect", only_look)
    house.book.engine.dispose()
    answer = house.desk().post("/log", data=CUT, headers=FROM_DESK)
    assert answer.status_code == 503
    assert "read-only" in answer.text
    assert str(house.folder) not in answer.text
    assert house.desk().get("/plates/0042").status_code == 200


def test_a_locked_logbook_says_so(house: House) -> None:
    def impatient(connection: sqlite3.Connection, *_: object) -> None:
        connection.execute("PRAGMA busy_timeout = 50")

    sa.event.listen(house.book.engine, "connect", impatient)
    house.book.engine.dispose()
    other = sqlite3.connect(house.folder / "logbook.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    answer = house.desk().post("/log", data=CUT, headers=FROM_DESK)
    other.close()
    assert answer.status_code == 503
    assert "another program" in answer.text
    assert str(house.folder) not in answer.text


def test_the_desk_shows_a_code_and_a_phone_does_not(house: House) -> None:
    text = house.desk().post("/desk/code", headers=FROM_DESK).text
    assert f"{PHONE}/pair#" in text
    assert "<svg" in text
    assert "/pair#" not in house.phone().get("/desk").text


def test_the_machine_against_people(house: House) -> None:
    desk = house.desk()
    text = desk.get("/people").text
    assert "Nobody has corrected a photo yet" in text
    assert "<table" not in text
    assert desk.get("/people/diameters.svg").status_code == 404
    assert 'href="/people"' in desk.get("/desk").text
    wishes = [
        {"photo": "photo 7.jpg", "kind": "add-mouth", "place_px": [130, 120]},
        {"photo": "photo 14.jpg", "kind": "delete", "label": 2},
    ]
    for wish in wishes:
        correct_photos(house.book, [wish], author="Ada")
    found = machine_against_people(house.book)
    text = desk.get("/people").text
    assert (found.n_photos, found.n_machine, found.n_people) == (2, 4, 3)
    for sentence in agreement_sentences(found):  # The command line's words.
        assert str(Markup.escape(sentence)) in text
    cells = re.findall(r'<td class="n[^"]*">(\d+)</td>', text)
    assert [int(one) for one in cells] == found.mouths.ravel().tolist()
    assert found.mouths[1, 2] == 1
    assert b"</svg>" in desk.get("/people/diameters.svg").content
    assert desk.get("/people/moon.svg").status_code == 404


def test_todays_list_is_ticked_off_at_the_desk_and_by_phone(house: House) -> None:
    desk, phone = house.desk(), house.phone()
    text = desk.get("/today").text
    action = text.partition('<form method="post" action="')[2].partition('"')[0]
    assert action.endswith("/done")
    assert desk.post(action, headers={"origin": "http://evil.example"}).status_code == 403
    assert phone.post(action, headers={"origin": PHONE}).status_code == 303
    text = desk.get("/today").text
    undo = action.replace("/done", "/undo")
    assert f'action="{action}"' not in text
    assert f'action="{undo}"' in text
    assert "Computer or tablet 1, " in text  # Who ticked it off.
    assert desk.post(undo, headers=FROM_DESK).status_code == 303
    assert f'action="{action}"' in desk.get("/today").text
    assert desk.post("/today/0000000000000000/done", headers=FROM_DESK).status_code == 409
    assert desk.post(action.replace("/done", "/burn"), headers=FROM_DESK).status_code == 404


def facts(name: str = "/home/keeper/plate.jpg") -> PhotoFacts:
    return PhotoFacts(photo=name, sha256="0" * 64)


@pytest.mark.parametrize(
    ("flag", "word"), [("coarse", "closer"), ("tilted", "Less tilt"), ("soft", "Hold still")]
)
def test_a_poor_photo_is_asked_for_again(flag: str, word: str) -> None:
    scale = Scale(mm_per_px=0.1, mm_per_px_err=0.001, source="card")
    reading = PlateReading(facts=facts(), plate="0041", scale=scale, flags=(flag,))
    assert any(word in one for one in photo_answer(reading).again)
    assert not photo_answer(replace(reading, flags=())).again


def test_glare_names_the_polyp() -> None:
    from time_builders import make_polyp, make_reading

    polyps = [make_polyp(4, 20, 20, flags=("glare",)), make_polyp(5, 60, 20)]
    answer = photo_answer(make_reading(0, polyps))
    assert answer.again == (
        "Glare on polyp 4: shade the lamp or move the camera aside, then take it again.",
    )


def test_a_refusal_does_not_tell_where_the_photo_lies() -> None:
    refusal = Refusal(facts=facts(), kind="no-card", message="/home/keeper/plate.jpg has no card.")
    answer = photo_answer(refusal)
    assert answer.lacks == "scale"
    assert "/home" not in " ".join(answer.notes)


def test_help_needs_none_of_the_web_libraries() -> None:
    import subprocess
    import sys

    program = (
        "import sys; sys.argv = ['polypvision', '--help']\n"
        "from polypvision.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "assert not {'starlette', 'uvicorn', 'segno', 'polypvision.web'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True, capture_output=True)


def test_static_files_are_light() -> None:
    folder = Path(__file__).parents[2] / "polypvision" / "web" / "static"
    assert sum(one.stat().st_size for one in folder.rglob("*.*")) < 120_000


def test_many_plates_come_a_page_at_a_time_and_are_found(house: House) -> None:
    fill_long(house.book, 129, first=100, n_dates=1, n_polyps=1)
    desk = house.desk()
    first = desk.get("/plates").text
    assert first.count('class="sheetlet"') == PLATES_SHOWN
    assert "1 to 60 of 130" in first
    assert "Plates before" not in first
    last = desk.get("/plates?page=3").text
    assert "121 to 130 of 130" in last
    assert "Plates after" not in last
    assert desk.get("/plates?page=99").text.count('class="sheetlet"') == 0
    assert desk.get("/plates?page=x").status_code == 200
    found = desk.get("/plates", params={"find": "wild"}).text
    assert found.count('class="sheetlet"') == 1
    assert "Plate 0042" in found
    none = desk.get("/plates", params={"find": '<b>"&'}).text
    assert "&lt;b&gt;" in none
    assert "No plate has" in none
    log = desk.get("/log").text
    assert '<input name="plate"' in log
    assert "There is no plate 9999 yet" in desk.get("/log?plate=9999").text
    assert "Plate <b>0101</b>" in desk.get("/log?plate=101").text


def test_todays_list_is_shown_as_far_as_it_is_worked_out(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = house.desk()
    monkeypatch.setattr("polypvision.web.warm.Warmer.today", lambda _: None)
    with monkeypatch.context() as short:
        short.setattr("polypvision.plates.view.TODAY_S", -1.0)
        assert "1 plate is still being worked out" in desk.get("/today").text
    assert "still being worked out" not in desk.get("/today").text
