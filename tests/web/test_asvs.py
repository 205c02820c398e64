"""OWASP Application Security Verification Standard 4.0.3, level 1 (from memory), point by point.

`asvs_level1.csv` says of each whether it is tested, and where, or why not.
"""

import ast
import csv
import re
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
import web_house
from attack_kinds import addresses
from web_house import DESK, PHONE, House

import polypvision
from polypvision.errors import OutputError
from polypvision.plates.log import list_plates, log_of
from polypvision.web.guard import COOKIE
from polypvision.web.pairing import Devices
from polypvision.web.server import server_config

house = web_house.house
TESTS = Path(__file__).parents[1]
SOURCE = Path(polypvision.__file__).parent
VERDICTS = {"tested", "reasoned", "not there", "differs", "not met"}


def points() -> list[dict[str, str]]:
    with Path(__file__).with_name("asvs_level1.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def names_in(file: str) -> set[str]:
    (path,) = TESTS.rglob(file)
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {one.name for one in tree.body if isinstance(one, ast.FunctionDef | ast.ClassDef)}


def test_every_point_has_an_answer() -> None:
    rows = points()
    assert {one["verdict"] for one in rows} <= VERDICTS
    assert len({one["point"] for one in rows}) == len(rows) > 100
    for one in rows:
        assert one["where"], one
        if one["verdict"] == "tested":
            file, _, name = one["where"].partition("::")
            assert name in names_in(file), one
        else:
            assert "::" not in one["where"], one


def test_the_developers_table_counts_them() -> None:
    text = (TESTS.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    counted = Counter(one["verdict"] for one in points())
    for verdict in VERDICTS:
        assert re.search(rf"\| {verdict} \| {counted[verdict]} \|", text), verdict


def test_a_code_stands_in_no_address_that_is_sent(house: House) -> None:
    page = house.desk().post("/desk/code", headers={"origin": DESK}).text
    link = re.search(r"http://[^\"<\s]+/pair[^\"<\s]*", page)
    assert link is not None
    before, mark, code = link[0].partition("#")  # What follows the # is never sent (RFC 3986, 3.5).
    assert mark
    assert len(code) >= 22
    assert code not in before
    asked = house.stranger().get(f"/pair?code={code}")
    assert COOKIE not in asked.headers.get("set-cookie", "")


def test_each_pairing_has_a_token_of_its_own(house: House) -> None:
    one, other = house.phone(), house.phone()
    assert one.cookies[COOKIE] != other.cookies[COOKIE]
    again = house.stranger()
    again.cookies.set(COOKIE, "chosen-by-somebody-else")
    code = house.devices.new_code()
    answer = again.post("/pair", data={"code": code}, headers={"origin": PHONE})
    assert "chosen-by-somebody-else" not in answer.headers["set-cookie"]
    assert "path=/" in answer.headers["set-cookie"].lower()


@pytest.mark.parametrize("text", ["{", "[1]", '[{"number": 1}]', "[[]]"])
def test_a_damaged_list_of_devices_lets_nobody_in(tmp_path: Path, text: str) -> None:
    path = tmp_path / "devices.json"
    path.write_text(text)
    with pytest.raises(OutputError, match="damaged"):
        Devices(path)


def test_a_parameter_twice_does_no_harm(house: House) -> None:
    body = "plate=0042&plate=0099&kind=note&note=a&note=b"
    sent = {"origin": DESK, "content-type": "application/x-www-form-urlencoded"}
    assert house.desk().post("/log", content=body, headers=sent).status_code == 303
    kept = [one.facts.plate for one in list_plates(house.book)]
    assert len(kept) <= 2
    assert house.desk().get("/plates/0042?photo=a&photo=b").status_code == 404


def test_fields_that_nobody_asked_for_are_ignored(house: House) -> None:
    said = {
        "plate": "0042",
        "kind": "note",
        "note": "x",
        "id": "1",
        "who": "desk",
        "author": "root",
    }
    assert house.phone().post("/log", data=said, headers={"origin": PHONE}).status_code == 303
    assert log_of(house.book, "0042")[-1].note == "x"


def test_redirects_stay_here(house: House) -> None:
    desk, evil = house.desk(), "//evil.example/"
    answers = [
        desk.get("/"),
        desk.get("/", params={"next": evil, "url": evil}),
        desk.post(
            "/log", data={"plate": evil, "kind": "note", "note": "x"}, headers={"origin": DESK}
        ),
        desk.post(f"/photos/{'0' * 64}/person", data={"name": evil}, headers={"origin": DESK}),
        desk.get("/plates/"),
        desk.get("//evil.example/%2f.."),
    ]
    for answer in answers:
        where = answer.headers.get("location", "/")
        assert re.match(r"/(?!/)", where) or where.startswith(f"{DESK}/"), where


def test_control_characters_are_left_out(house: House) -> None:
    said = {"plate": "0042", "kind": "note", "note": "a\x00\x1b[31mb\u202ec\r\nd"}
    house.desk().post("/log", data=said, headers={"origin": DESK})
    assert log_of(house.book, "0042")[-1].note == "a[31mbc\nd"


def test_nothing_sent_is_run() -> None:
    """Neither Python nor JavaScript has a way from what is sent to what is run, or keeps it."""
    python = (
        r"\b(eval|exec|compile|__import__)\(|pickle|marshal|yaml\.load|subprocess|os\.system|popen"
    )
    # Processes of our own are started by the workshop and by batch work, never by the pages.
    rooms = [SOURCE / room for room in ("web", "plates", "store", "files", "corrections")]
    for path in [one for room in rooms for one in room.rglob("*.py")]:
        found = re.findall(python, re.sub(r"re\.compile\(", "", path.read_text(encoding="utf-8")))
        assert not found, path
    script = (
        r"\beval\(|new Function|innerHTML|outerHTML|insertAdjacentHTML|document\.write|Storage\b"
    )
    for path in (SOURCE / "web" / "static").rglob("*.js"):
        assert not re.search(script, path.read_text(encoding="utf-8")), path


def test_nothing_is_fetched_for_anybody() -> None:
    for path in (SOURCE / "web").rglob("*.py"):
        asks = r"urllib\.request|urlopen|import (requests|httpx|aiohttp)|create_connection"
        assert not re.search(asks, path.read_text(encoding="utf-8")), path


def test_quotes_are_only_quotes(house: House) -> None:
    for words in ("'; DROP TABLE photos; --", '" OR ""="', "a' UNION SELECT 1 --", "%_\\"):
        said = {"plate": words, "kind": "note", "note": words}
        assert house.desk().post("/log", data=said, headers={"origin": DESK}).status_code == 303
        assert [one.note for one in log_of(house.book, words)] == [words]
    assert len(list_plates(house.book)) == 5


def got(house: House) -> list[tuple[str, Any]]:
    return [
        (path, house.desk().get(path))
        for method, path in addresses(house)
        if method == "GET" and not path.endswith("/progress")
    ]


def test_pages_are_kept_by_nobody(house: House) -> None:
    for path, answer in got(house):
        headers = answer.headers
        kept = headers["cache-control"]
        assert kept == "no-store" or kept.startswith("private"), path
        if headers.get("content-type", "").startswith("text/"):
            assert "charset=utf-8" in headers["content-type"], path
            assert kept == "no-store", path


def test_downloads_have_names_of_our_own(house: House) -> None:
    desk = house.desk()
    for path in ("/backup", "/cards/print?kind=small&codes=7&filename=x.bat"):
        named = desk.get(path).headers["content-disposition"]
        assert re.fullmatch(r'attachment; filename="[\w-]+\.(sqlite|pdf)"', named), named


@pytest.mark.parametrize("method", ["TRACE", "OPTIONS", "DELETE", "PATCH", "CONNECT", "X"])
def test_other_methods_are_refused(house: House, method: str) -> None:
    for path in ("/plates", "/photos/begin", "/log", "/pair", "/static/pages.css"):
        answer = house.desk().request(method, path, headers={"origin": DESK})
        assert answer.status_code in (404, 405), path
        assert "0042" not in answer.text


def test_the_server_does_not_say_what_it_is(house: House) -> None:
    config = server_config(house.app)
    assert not config.server_header
    assert not config.access_log
    assert not config.proxy_headers
    for path, answer in got(house):
        assert "server" not in answer.headers, path
        assert "x-powered-by" not in answer.headers, path
