"""Nobody gets in who should not, and nothing leaks out. The dangers are those of the OWASP
Cheat Sheet Series (cross-site request forgery, DNS rebinding, content security policy; from
memory)."""

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import web_house
from web_house import DESK, LAN, PHONE, PORT, House

from polypvision.events import LogEntry
from polypvision.plates.log import log_of, note, say_of_plate
from polypvision.web.guard import COOKIE, HEADERS, is_loopback
from polypvision.web.pairing import (
    CODE_BYTES,
    CODE_LASTS,
    DEVICE_LASTS,
    MAX_GUESSES,
    TOKEN_BYTES,
    Devices,
    Guesses,
)
from polypvision.web.views import plate_key, plate_of_key

house = web_house.house

PAGES = ("/", "/plates", "/plates/0042", "/photos", "/today", "/log", "/cards", "/desk", "/backup")
NOTE = {"plate": "0042", "kind": "note", "note": "seen", "at": "2024-04-01T10:00"}


@pytest.mark.parametrize("path", PAGES)
def test_no_page_over_the_network_without_pairing(house: House, path: str) -> None:
    assert house.stranger().get(path).status_code == 401


@pytest.mark.parametrize("path", PAGES)
def test_a_paired_phone_and_the_desk_see_the_pages(house: House, path: str) -> None:
    assert house.phone().get(path).status_code in (200, 303)
    assert house.desk().get(path).status_code in (200, 303)


def test_pairing_opens_only_itself_and_how_it_looks(house: House) -> None:
    stranger = house.stranger()
    assert stranger.get("/pair").status_code == 200
    assert stranger.get("/static/pages.css").status_code == 200
    assert stranger.get("/static/%2e%2e/app.py").status_code in (401, 404)
    assert stranger.get("/pair/../plates").status_code == 401


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8742", f"{LAN}:1", "", "localhost"])
def test_another_name_for_this_computer_is_refused(house: House, host: str) -> None:
    """DNS rebinding: a foreign name that is made to point at the loopback address."""
    answer = house.desk().get("/plates", headers={"host": host})
    assert answer.status_code == 421
    assert "0042" not in answer.text


def test_the_network_name_makes_no_desk_of_a_browser_on_this_computer(house: House) -> None:
    assert house.client(PHONE, "127.0.0.1").get("/plates").status_code == 401


@pytest.mark.parametrize("name", ["x-forwarded-for", "forwarded", "x-real-ip", "x-forwarded-host"])
def test_headers_do_not_tell_who_is_at_the_desk(house: House, name: str) -> None:
    headers = {name: "127.0.0.1", "host": f"127.0.0.1:{PORT}"}
    assert house.stranger().get("/plates", headers=headers).status_code == 401


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": f"https://127.0.0.1:{PORT}"},
        {"origin": "http://127.0.0.1:1"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {},
    ],
)
def test_another_page_cannot_write(house: House, headers: dict[str, str]) -> None:
    before = log_of(house.book, "0042")
    answer = house.desk().post("/log", data=NOTE, headers=headers)
    assert answer.status_code == 403
    assert log_of(house.book, "0042") == before


def test_our_own_page_can_write(house: House) -> None:
    assert house.desk().post("/log", data=NOTE, headers={"origin": DESK}).status_code == 303
    assert log_of(house.book, "0042")[-1].note == "seen"


def test_another_page_cannot_take_anything_out(house: House) -> None:
    headers = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert house.desk().get("/plates/0042", headers=headers).status_code == 403
    assert house.desk().get("/plates/0042").headers["cross-origin-resource-policy"] == "same-origin"
    followed = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert house.desk().get("/plates/0042", headers=followed).status_code == 200


@pytest.mark.parametrize("path", ["/plates", "/nosuch", "/photos", "/static/pages.css", "/pair"])
def test_every_answer_has_the_safe_headers(house: House, path: str) -> None:
    for client in (house.desk(), house.stranger()):
        headers = client.get(path).headers
        assert all(headers[name] == value for name, value in HEADERS.items())


def test_the_policy_allows_nothing_inline_and_nothing_from_outside(house: House) -> None:
    policy = HEADERS["content-security-policy"]
    assert "unsafe" not in policy
    assert "http" not in policy
    for path in ("/plates", "/plates/0042", "/log?plate=0042&kind=cut", "/desk", "/photos"):
        text = house.desk().get(path).text
        assert not re.search(r"\sstyle=|<style|\son\w+=|<script(?![^>]*\ssrc=)", text), path
        assert not re.search(r'(?:src|href)="(?:https?:)?//', text), path


def test_a_code_pairs_once_and_the_cookie_is_kept_from_scripts(house: House) -> None:
    code = house.devices.new_code()
    first = house.stranger().post("/pair", data={"code": code}, headers={"origin": PHONE})
    assert first.status_code == 303
    cookie = first.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    second = house.stranger().post("/pair", data={"code": code}, headers={"origin": PHONE})
    assert second.status_code == 403
    assert "set-cookie" not in second.headers


def test_secrets_are_long_and_kept_only_as_hashes(house: House) -> None:
    assert CODE_BYTES * 8 >= 128
    assert TOKEN_BYTES * 8 >= 128
    token = house.phone().cookies.get(COOKIE)
    assert token is not None
    path = house.folder / "desk" / "devices.json"
    assert token not in path.read_text()
    assert len(json.loads(path.read_text())[0]["token_hash"]) == 64
    assert path.stat().st_mode & 0o077 == 0


def test_a_device_taken_off_the_list_is_out_at_once(house: House) -> None:
    phone = house.phone()
    assert phone.get("/plates").status_code == 200
    number = house.devices.all()[0].number
    # A phone may not do it, not even to itself.
    url = f"/desk/devices/{number}/revoke"
    assert phone.post(url, headers={"origin": PHONE}).status_code == 403
    assert phone.post("/desk/code", headers={"origin": PHONE}).status_code == 403
    assert house.desk().post(url, headers={"origin": DESK}).status_code == 303
    assert phone.get("/plates").status_code == 401


def test_codes_and_devices_expire(tmp_path: Path) -> None:
    now = datetime(2031, 3, 4, tzinfo=UTC)
    devices = Devices(tmp_path / "devices.json", clock=lambda: now)
    code, other = devices.new_code(), devices.new_code()
    token = devices.pair(code, "Phone")
    assert token is not None
    now += CODE_LASTS
    assert devices.pair(other, "Phone") is None
    now += DEVICE_LASTS - CODE_LASTS - timedelta(seconds=1)
    assert devices.device_of(token) is not None
    # Another start of the program knows the same devices.
    assert Devices(tmp_path / "devices.json", clock=lambda: now).device_of(token) is not None
    now += timedelta(seconds=2)
    assert devices.device_of(token) is None
    assert devices.all() == []


def test_guesses_are_limited(house: House) -> None:
    stranger = house.stranger()
    for _ in range(MAX_GUESSES):
        wrong = stranger.post("/pair", data={"code": "wrong"}, headers={"origin": PHONE})
        assert wrong.status_code == 403
    code = house.devices.new_code()
    late = stranger.post("/pair", data={"code": code}, headers={"origin": PHONE})
    assert late.status_code == 429
    # Somebody else is still heard.
    other = house.stranger("192.0.2.50")
    assert other.post("/pair", data={"code": code}, headers={"origin": PHONE}).status_code == 303


def test_wrong_tokens_count_as_guesses_and_are_forgotten() -> None:
    now = datetime(2031, 3, 4, tzinfo=UTC)
    guesses = Guesses(clock=lambda: now)
    for _ in range(MAX_GUESSES):
        assert not guesses.too_many("a")
        guesses.note("a")
    assert guesses.too_many("a")
    now += timedelta(minutes=16)
    assert not guesses.too_many("a")


def test_a_wrong_cookie_is_no_pairing(house: House) -> None:
    answer = house.stranger().get("/plates", headers={"cookie": f"{COOKIE}=guess"})
    assert answer.status_code == 401


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>'])
def test_names_with_markup_are_shown_as_they_are(house: House, name: str) -> None:
    say_of_plate(house.book, name, line=name, note=name)
    at = datetime(2024, 3, 2, tzinfo=UTC)
    note(house.book, LogEntry(plate=name, at=at, kind="note", note=name, donor=name))
    key = plate_key(name)
    for path in ("/plates", f"/plates/{key}", "/today", "/log", f"/log?plate={name}"):
        text = house.desk().get(path).text
        assert name not in text, path
    assert "&lt;" in house.desk().get(f"/plates/{key}").text


@pytest.mark.parametrize("name", ["0042", "rack 3/left", "../..", "x-1", "<b>", "Ü", "a.b"])
def test_a_plate_has_an_address_whatever_its_name(name: str) -> None:
    key = plate_key(name)
    assert re.fullmatch(r"[\w-]+", key, re.ASCII)
    assert plate_of_key(key) == name


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/static//etc/passwd",
        "/photos/..%2f..%2flogbook.sqlite/scaled/800.jpg",
        "/photos/" + "0" * 64 + "/scaled/800.jpg",
        "/photos/" + "0" * 64 + "/answer",
        "/plates/x-2e2e2f",
        "/plates/x-zz",
        "/plates/0042/polyps/P99",
        "/plates/0042/sheets/" + "0" * 64,
        "/plates/0042?photo=" + "0" * 64,
    ],
)
def test_nothing_else_is_reachable(house: House, path: str) -> None:
    answer = house.desk().get(path)
    assert answer.status_code == 404
    assert str(house.folder) not in answer.text
    assert "Traceback" not in answer.text


def test_a_photo_is_never_sent_as_it_is(house: House) -> None:
    from polypvision.plates.show import stored_photos

    photo = stored_photos(house.book, "0042")[-1]
    original = Path(photo.names[0]).read_bytes()
    answer = house.desk().get(f"/photos/{photo.sha256}/scaled/400.jpg")
    assert answer.status_code == 200
    assert answer.content != original
    assert b"Exif" not in answer.content  # The original says where it was taken.
    assert house.desk().get(f"/photos/{photo.sha256}/scaled/401.jpg").status_code == 404


def test_a_fault_tells_nothing(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("secret /home/keeper")

    monkeypatch.setattr("polypvision.web.app.overview", broken)
    answer = house.desk().get("/plates")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "content-security-policy" in answer.headers


@pytest.mark.parametrize(
    ("address", "here"), [("127.0.0.1", True), ("::1", True), ("192.0.2.7", False), ("", False)]
)
def test_loopback(address: str, here: bool) -> None:
    assert is_loopback(address) is here
