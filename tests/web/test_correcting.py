"""Readings put right through the pages: every act, two people at once, undo, and bad input."""

import json
import re
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime
from importlib.resources import files
from io import BytesIO
from math import hypot, pi
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa
import web_house
from PIL import Image
from starlette.testclient import TestClient
from time_builders import make_polyp, make_reading
from web_house import DESK, PHONE, House

from polypvision.files.photos import read_file
from polypvision.plates.correct import correct_photos, photo_as_it_holds
from polypvision.plates.pictures import TILE_PX, photo_tile, recorded_photo
from polypvision.plates.show import stored_photos, tracks_of
from polypvision.store.readings import save_photo
from polypvision.track import link_readings
from polypvision.web.correcting_values import outline_values, who_values

house = web_house.house

CORRECT = files("polypvision.web") / "static" / "correct"
SQUARE = [[150, 200], [210, 200], [210, 260], [150, 260]]


def photo_of(house: House, at: int = 1) -> str:
    return stored_photos(house.book, "0042")[at].sha256


def sit_down(client: TestClient, sha256: str, name: str, origin: str = DESK) -> None:
    answer = client.post(
        f"/photos/{sha256}/person", data={"name": name}, headers={"origin": origin}
    )
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/photos/{sha256}/correct"


class Hand:
    """A person at the page, who sends what the page would."""

    def __init__(self, house: House, name: str = "Ada", at: int = 1) -> None:
        self.client = house.desk()
        self.sha256 = photo_of(house, at)
        sit_down(self.client, self.sha256, name)
        self.seen = self.look()["version"]

    def look(self) -> dict[str, Any]:
        answer = self.client.get(f"/photos/{self.sha256}/reading")
        assert answer.status_code == 200
        found: dict[str, Any] = answer.json()
        return found

    def send(self, body: Any, **headers: str) -> Any:
        return self.client.post(
            f"/photos/{self.sha256}/corrections",
            content=body if isinstance(body, (str, bytes)) else json.dumps(body),
            headers={"origin": DESK, "accept": "application/json"} | headers,
        )

    def does(self, kind: str, **values: Any) -> dict[str, Any]:
        answer = self.send({"wishes": [{"kind": kind, **values}], "seen": self.seen})
        assert answer.status_code == 200, answer.text
        found: dict[str, Any] = answer.json()
        self.seen = found["version"]
        return found


def figure(values: dict[str, Any], label: int, term: str) -> float:
    polyp = next(one for one in values["polyps"] if one["label"] == label)
    return float(dict(polyp["figures"])[term].split()[0])


def test_who_corrects_is_asked_once(house: House) -> None:
    desk, sha256 = house.desk(), photo_of(house)
    page = f"/photos/{sha256}/correct"
    asking = desk.get(page).text
    assert 'name="name"' in asking
    assert "correct/page.js" not in asking
    sit_down(desk, sha256, "  Ada   of the <b>tray</b> ")
    text = desk.get(page).text
    assert "correct/page.js" in text
    assert "Ada of the &lt;b&gt;tray&lt;/b&gt;" in text
    assert 'name="name"' in desk.get(page + "?who").text
    for empty in ("", "   ", "\u200b"):
        answer = desk.post(page.replace("correct", "person"), data={"name": empty},
                           headers={"origin": DESK})  # fmt: skip
        assert answer.status_code == 400
    long = desk.post(page.replace("correct", "person"), data={"name": "x" * 41},
                     headers={"origin": DESK})  # fmt: skip
    assert long.status_code == 400


def test_nobody_corrects_without_a_name(house: House) -> None:
    hand = Hand(house)
    for cookie in ("", "%0A%00", "x" * 41):
        hand.client.cookies.clear()
        body = {"wishes": [{"kind": "delete", "label": 1}], "seen": hand.seen}
        answer = hand.send(body, cookie=f"polypvision_person={cookie}")
        assert answer.status_code == 400
        assert "who you are" in answer.json()["words"]
    assert hand.look()["history"] == []


def test_every_act_is_done_and_its_numbers_follow(house: House) -> None:
    hand = Hand(house)
    now = hand.does("add", outline_px=SQUARE)
    assert now["sums"] == {"polyps": "3", "mouths": "2", "two": "0", "wound": "15.0"}
    assert now["machine_sums"]["polyps"] == "2"
    # A square of 60 px at 6 px/mm: 100 mm2, and the diameter of the circle of that area.
    assert figure(now, 3, "area") == 100
    assert figure(now, 3, "diameter") == pytest.approx(2 * (100 / pi) ** 0.5, abs=0.06)
    assert hand.does("add-mouth", label=3, place_px=[180, 230])["sums"]["mouths"] == "3"
    assert hand.does("add-mouth", label=3, place_px=[200, 210])["sums"]["two"] == "1"
    now = hand.does("move-mouth", label=3, from_px=[200, 210], to_px=[160, 250])
    assert [160, 250] in now["polyps"][2]["mouths"]
    assert hand.does("delete-mouth", label=3, place_px=[160, 250])["sums"]["two"] == "0"
    half = [[150, 200], [210, 200], [210, 230], [150, 230]]
    assert figure(hand.does("reshape", label=3, outline_px=half), 3, "area") == 50
    now = hand.does("split", label=3, line_px=[[190, 190], [190, 240]])
    assert [one["label"] for one in now["polyps"]] == [1, 2, 4, 5]
    assert figure(now, 4, "area") == pytest.approx(100 / 3, abs=0.51)
    assert figure(hand.does("merge", labels=[4, 5]), 6, "area") == 50
    now = hand.does("paint-wound", label=6, stroke_px=[[165, 215]], radius_px=6)
    # A dab of 1 mm radius; painted in pixels of a twelfth of a mm.
    assert float(now["sums"]["wound"]) == pytest.approx(15.0 + pi, abs=0.25)
    now = hand.does("erase-wound", label=6, stroke_px=[[165, 215]], radius_px=9)
    assert now["sums"]["wound"] == "15.0"
    now = hand.does("delete", label=6)
    assert now["sums"] == now["machine_sums"]
    assert [one["author"] for one in now["history"]] == ["Ada"] * 11
    words = [one["words"] for one in reversed(now["history"])]
    assert words[0] == "added polyp"
    assert "made one of no. 4 and no. 5" in words
    assert len(photo_as_it_holds(house.book, hand.sha256).corrected.standings) == 11


def test_page_and_command_line_tell_the_same(house: House) -> None:
    wish = {"kind": "add", "centre_px": [60, 240], "diameter_mm": 12}
    hand, other = Hand(house), photo_of(house, 2)
    by_page = hand.does(**wish)  # type: ignore[arg-type]
    by_command = correct_photos(house.book, [wish | {"photo": other}], author="Ada")
    [photo] = by_command.photos
    assert figure(by_page, 3, "diameter") == round(photo.reading.polyps[2].diameter_mm, 1)


def test_names_and_lineage(house: House) -> None:
    hand = Hand(house, at=2)
    who = f"/photos/{hand.sha256}/who"
    before = hand.client.get(who).json()
    assert before["known"]["1"] == {"name": "P01", "parents": "", "before": True}
    assert [one["name"] for one in before["earlier"]] == ["P01", "P02"]
    hand.does("name", label=1, name="Rust 7")
    hand.does("part", label=2, **{"as": "same"})
    after = hand.client.get(who).json()
    assert after["known"]["1"]["name"] == "Rust 7"
    assert after["known"]["2"] == {"name": "P03", "parents": "", "before": False}
    there = next(one for one in after["earlier"] if one["name"] == "P02")
    joined = {"as": "daughter", "with": {"photo": there["photo"], "label": there["label"]}}
    hand.does("join", label=2, **joined)
    assert hand.client.get(who).json()["known"]["2"]["parents"] == "P02"
    hand.does("part", label=2, **{"as": "daughter"})
    assert hand.client.get(who).json()["known"]["2"]["parents"] == ""
    hand.does("join", label=2, **(joined | {"as": "same"}))
    assert {one.name for one in tracks_of(house.book, "0042").individuals} == {"Rust 7", "P02"}


def test_who_is_told_where_some_cameras_record_an_offset_and_some_do_not() -> None:
    readings = [
        make_reading(0, [make_polyp(1, 20, 20)], taken_at=datetime(2024, 3, 1, 12, tzinfo=UTC)),
        make_reading(7, [make_polyp(1, 20, 20)], taken_at=datetime(2024, 3, 8, 12)),
    ]
    tracks = link_readings(readings, log=())
    told = who_values(tracks, readings[1].facts.sha256)
    assert told["known"]["1"] == {"name": "P01", "parents": "", "before": True}
    assert [one["words"] for one in told["earlier"]] == ["P01, seen on 1 Mar 2024"]
    assert who_values(tracks, readings[0].facts.sha256)["earlier"] == []
    assert who_values(tracks, "0" * 64) == {"known": {}, "earlier": []}


def test_undo_and_redo_are_each_ones_own(house: House) -> None:
    ada, bo = Hand(house), Hand(house, "Bo")
    now = ada.does("delete", label=1)
    assert (now["can_undo"], now["can_redo"]) == (True, False)
    now = bo.does("add", outline_px=SQUARE)
    assert [one["own"] for one in now["history"]] == [True, False]
    ada.seen = bo.seen
    now = ada.does("undo")
    assert now["sums"]["polyps"] == "3"
    assert [one["state"] for one in now["history"]] == ["applied", "withdrawn"]
    assert (now["can_undo"], now["can_redo"]) == (False, True)
    assert ada.does("redo")["sums"]["polyps"] == "2"
    answer = ada.send({"wishes": [{"kind": "redo"}], "seen": ada.seen})
    assert answer.status_code == 400
    [act] = [one["id"] for one in ada.look()["history"] if not one["own"]]
    assert ada.does("withdraw", id=act)["sums"]["polyps"] == "1"


def test_two_at_once_lose_nothing_and_the_later_is_told(house: House) -> None:
    ada, bo = Hand(house, "Ada <i>"), Hand(house, "Bo")
    assert ada.does("delete", label=1)["others"] == []
    now = bo.does("add-mouth", label=2, place_px=[310, 120])
    assert now["others"] == ["Ada <i> deleted polyp no. 1"]
    assert [one["state"] for one in now["history"]] == ["applied", "applied"]
    assert bo.does("undo")["others"] == []
    # What is done to a polyp that somebody deleted meanwhile is kept, and waits.
    ada.seen = ada.look()["version"]
    carl = Hand(house, "Carl")
    ada.does("delete", label=2)
    now = carl.does("add-mouth", label=2, place_px=[310, 120])
    mine = next(one for one in now["history"] if one["id"] in now["ids"])
    assert mine["state"] == "open"
    assert "not found" in mine["why"]


def test_read_again_meanwhile_is_a_conflict(house: House) -> None:
    hand = Hand(house)
    found = photo_as_it_holds(house.book, hand.sha256)
    machine = found.corrected.machine
    with house.book.writing() as connection:
        save_photo(
            connection,
            replace(machine, polyps=machine.polyps[:1]),
            path=found.photo.names[0],
            settings=found.photo.settings,
            size_px=found.photo.size_px,
        )
    answer = hand.send({"wishes": [{"kind": "delete", "label": 2}], "seen": hand.seen})
    assert answer.status_code == 409
    assert "read again since you looked" in answer.json()["words"]
    assert hand.look()["sums"]["polyps"] == "1"


FAR = 10**400


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ({"kind": "delete", "label": 9}, "no polyp 9"),
        ({"kind": "delete", "label": "<b>"}, "no polyp '<b>'"),
        ({"kind": "delete", "label": FAR}, "no polyp"),
        ({"kind": "delete"}, "Name the polyp"),
        ({"kind": "burn"}, "Unknown kind"),
        ({"kind": "delete", "label": 1, "extra": 1}, "has no 'extra'"),
        ({"kind": "add", "outline_px": [[400, 250], [500, 250], [450, 280]]}, "leaves the photo"),
        ({"kind": "add", "outline_px": [[150, 200], [210, 260], [210, 200], [150, 260]]},
         "crosses itself"),
        ({"kind": "add", "outline_px": [[1, 1], [2, 2]]}, "at least 3"),
        ({"kind": "add", "outline_px": [[0, 0]] * 20_001}, "at most 20000"),
        ({"kind": "add", "outline_px": [[FAR, 0], [1, 1], [0, 9]]}, "Give a number"),
        ({"kind": "add", "outline_px": [[None, 0], [1, 1], [0, 9]]}, "Give a number"),
        ({"kind": "add", "outline_px": "M0 0"}, "Give a list of places"),
        ({"kind": "reshape", "label": 1, "outline_px": [[10, 10], [11, 10], [10, 11]]}, "larger"),
        ({"kind": "split", "label": 1, "line_px": [[5, 5], [6, 6]]}, "does not part"),
        ({"kind": "merge", "labels": [1, 2]}, "too far apart"),
        ({"kind": "merge", "labels": [1]}, "two polyps"),
        ({"kind": "add-mouth", "label": 1, "place_px": [300, 120]}, "does not lie on polyp 1"),
        ({"kind": "delete-mouth", "label": 1, "place_px": [20, 20]}, "no mouth"),
        ({"kind": "paint-wound", "label": 1, "stroke_px": [[120, 120]], "radius_px": 0}, "above 0"),
        ({"kind": "erase-wound", "label": 2, "stroke_px": [[300, 120]], "radius_px": 3},
         "no wound there"),
        ({"kind": "name", "label": 1, "name": "<script>alert(1)</script>"}, "cannot be used"),
        ({"kind": "name", "label": 1, "name": "P07"}, "given by the machine"),
        ({"kind": "join", "label": 1, "as": "same", "with": {"photo": "photo 28.jpg", "label": 1}},
         "not the earlier one"),
        ({"kind": "join", "label": 1, "as": "same", "with": {"photo": "../x", "label": 1}},
         "No photo"),
        ({"kind": "part", "label": 1, "as": "friend"}, "Say \"same\""),
        ({"kind": "withdraw", "id": "abcdef"}, "no correction"),
        ({"kind": "undo"}, "Nothing of Ada"),
        ("delete", "is an object"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_said_and_nothing_is_kept(
    house: House, wish: Any, words: str
) -> None:
    hand = Hand(house)
    answer = hand.send({"wishes": [wish], "seen": hand.seen})
    assert answer.status_code in (400, 404), answer.text
    assert answer.headers["content-type"] == "application/json"
    assert words in answer.json()["words"]
    assert hand.look()["version"] == hand.seen


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"not json",
        b"[]",
        b"{}",
        b"[" * 100_000,
        b'{"wishes": [], "seen": "0-x"}',
        b'{"wishes": {"kind": "undo"}, "seen": "0-x"}',
        b'{"wishes": [{"kind": "undo"}], "seen": 7}',
        b'{"wishes": [{"kind": "undo"}], "seen": "no"}',
        b"\xff\xfe",
    ],
)
def test_a_wrong_body_is_refused(house: House, body: bytes) -> None:
    hand = Hand(house)
    answer = hand.send(body)
    assert answer.status_code == 400
    assert answer.json()["words"]
    assert hand.look()["version"] == hand.seen


def test_too_many_at_once_are_refused_and_too_large_a_body(house: House) -> None:
    hand = Hand(house)
    wishes = [{"kind": "delete", "label": 1}] * 51
    assert hand.send({"wishes": wishes, "seen": hand.seen}).status_code == 400
    assert hand.send(b" " * 10_000_000).status_code == 413


def test_a_correction_of_another_photo_is_refused(house: House) -> None:
    hand, other = Hand(house), photo_of(house, 2)
    for photo in (other, "photo 14.jpg", "", None):
        wish = {"kind": "delete", "label": 1, "photo": photo}
        answer = hand.send({"wishes": [wish], "seen": hand.seen})
        assert answer.status_code == 400
        assert "another photo" in answer.json()["words"]
    assert photo_as_it_holds(house.book, other).corrected.version == 0


@pytest.mark.parametrize("name", ["photo 7.jpg", "0" * 64, "..%2f..%2fetc", "a" * 12])
def test_a_photo_that_is_not_there(house: House, name: str) -> None:
    desk = house.desk()
    sit_down(desk, photo_of(house), "Ada")
    for part in ("correct", "reading", "who", "pieces/0-0.jpg"):
        assert desk.get(f"/photos/{name}/{part}").status_code == 404
    body = {"wishes": [{"kind": "undo"}], "seen": "0-x"}
    answer = desk.post(f"/photos/{name}/corrections", json=body, headers={"origin": DESK})
    assert answer.status_code == 404


def test_a_logbook_that_cannot_be_written_says_so(house: House) -> None:
    hand = Hand(house)

    def only_look(connection: sqlite3.Connection, *_: object) -> None:
        connection.execute("PRAGMA query_only = ON")

    sa.event.listen(house.book.engine, "connect", only_look)
    house.book.engine.dispose()
    answer = hand.send({"wishes": [{"kind": "delete", "label": 1}], "seen": hand.seen})
    assert answer.status_code == 503
    assert "read-only" in answer.json()["words"]
    assert str(house.folder) not in answer.text
    assert hand.look()["version"] == hand.seen


def test_guarded_like_every_other_page(house: House) -> None:
    hand, stranger = Hand(house), house.stranger()
    for part in ("correct", "reading", "who", "pieces/0-0.jpg"):
        assert stranger.get(f"/photos/{hand.sha256}/{part}").status_code == 401
    body = {"wishes": [{"kind": "delete", "label": 1}], "seen": hand.seen}
    path = f"/photos/{hand.sha256}/corrections"
    assert stranger.post(path, json=body, headers={"origin": PHONE}).status_code == 401
    assert hand.send(body, origin="http://evil.example").status_code == 403
    assert hand.client.post(path, json=body).status_code == 403
    assert hand.look()["version"] == hand.seen
    phone = house.phone()
    sit_down(phone, hand.sha256, "Bo", PHONE)
    assert phone.post(path, json=body, headers={"origin": PHONE}).status_code == 200


def test_no_script_or_style_inside_the_page(house: House) -> None:
    hand = Hand(house)
    text = hand.client.get(f"/photos/{hand.sha256}/correct").text
    assert not re.search(r"\sstyle=|<style|\son\w+=|<script(?![^>]*\ssrc=)", text)
    weight = len(text) + len(json.dumps(hand.look()))
    parts = set(re.findall(r"/static/[\w./-]+", text))
    modules = {
        f"/static/correct/{one.name}" for one in CORRECT.iterdir() if one.name.endswith(".js")
    }
    assert "/static/correct/page.js" in parts & modules
    for href in parts | modules:
        answer = hand.client.get(href)
        assert answer.status_code == 200, href
        weight += len(answer.content)
    assert weight < 500_000


def test_the_plate_page_leads_there(house: House) -> None:
    desk, sha256 = house.desk(), photo_of(house)
    assert f"/photos/{sha256}/correct" in desk.get(f"/plates/0042?photo={sha256}").text


def test_the_plate_follows_a_correction(house: House) -> None:
    hand = Hand(house, at=3)
    before = hand.client.get("/plates/0042").text
    hand.does("add-mouth", label=2, place_px=[310, 120])
    after = hand.client.get("/plates/0042").text
    assert "1 with two mouths" in after
    assert "1 with two mouths" not in before


def test_pieces_at_full_sharpness(house: House) -> None:
    """A photo larger than a piece: its pieces laid side by side are the photo."""
    hand = Hand(house)
    known = recorded_photo(house.book, hand.sha256)
    answer = hand.client.get(f"/photos/{hand.sha256}/pieces/0-0.jpg")
    assert answer.headers["content-type"] == "image/jpeg"
    assert "immutable" in answer.headers["cache-control"]
    piece = Image.open(BytesIO(answer.content))
    assert piece.size == (420, 300)
    assert not piece.getexif()
    for beyond in ("1-0", "0-1", "9999999999999999-0"):
        assert hand.client.get(f"/photos/{hand.sha256}/pieces/{beyond}.jpg").status_code == 404
    place = house.folder / "large.png"
    x, y = np.meshgrid(np.arange(TILE_PX + 300), np.arange(TILE_PX + 200))
    rgb = np.stack([x // 8, y // 8, np.full_like(x, 40)], axis=-1).astype(np.uint8)
    Image.fromarray(rgb).save(place)
    facts = replace(known.outcome.facts, sha256=read_file(place).sha256)
    large = replace(
        known,
        outcome=replace(known.outcome, facts=facts),
        names=(str(place),),
        size_px=(TILE_PX + 300, TILE_PX + 200),
    )
    laid = np.zeros_like(rgb)
    for row in (0, 1):
        for column in (0, 1):
            data = photo_tile(large, column, row, house.folder / "cut")
            part = np.asarray(Image.open(BytesIO(data)))
            high, wide = part.shape[:2]
            laid[row * TILE_PX :, column * TILE_PX :][:high, :wide] = part
    off = np.abs(laid.astype(int) - rgb)
    assert off.mean() < 1.5  # JPEG at quality 88.
    # On a full disk, or where nothing may be written, the piece is still made.
    blocked = house.folder / "blocked"
    blocked.write_text("a file, no folder")
    assert photo_tile(large, 1, 1, blocked)


def test_outlines_are_told_finely_enough() -> None:
    angle = np.linspace(0, 2 * pi, 700, endpoint=False)
    circle = 500 + 300 * np.column_stack([np.cos(angle), np.sin(angle)])
    told = outline_values(circle)
    assert len(told) < 150
    assert all(abs(hypot(x - 500, y - 500) - 300) < 0.3 for x, y in told)
