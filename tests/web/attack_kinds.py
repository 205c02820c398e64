"""Attacks on the pages and on what leaves the program, each tried many times and told apart.

A try that gets what it should not counts as let in. Kinds follow OWASP's Cheat Sheet Series and
Application Security Verification Standard 4.0.3, both from memory.
"""

import hashlib
import json
import logging
import os
import random
import secrets
import struct
import tempfile
import tracemalloc
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any
from unittest.mock import patch
from urllib.parse import quote

import numpy as np
import pandas as pd
from photo_makers import animated, card_photo, corners_picture, encoded, exif, huge_png
from PIL import Image
from reportlab.lib import utils
from starlette.routing import Route
from web_house import DESK, LAN, PHONE, PORT, House

from polypvision.errors import PhotoError
from polypvision.events import LogEntry
from polypvision.files.pixels import MAX_SCANS, decode
from polypvision.files.table_files import without_formulas
from polypvision.plates.correct import correct_photos
from polypvision.plates.export import export_plates
from polypvision.plates.log import note, say_of_plate
from polypvision.plates.report import write_reports
from polypvision.plates.show import stored_photos
from polypvision.store.backup import back_up
from polypvision.store.logbook import open_logbook
from polypvision.web.app import _routes
from polypvision.web.guard import COOKIE
from polypvision.web.pairing import CODE_LASTS, DEVICE_LASTS, MAX_GUESSES, Devices
from polypvision.web.uploads import safe_name
from polypvision.web.views import plate_key


@dataclass(frozen=True, kw_only=True)
class Tally:
    """How often a kind of attack was tried, and which tries got through."""

    tries: int
    let_in: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Chance:
    """How long to try, and the randomness of it."""

    rng: random.Random
    n: int

    def some(self, of: list[Any], n: int) -> list[Any]:
        """As many of them as there is time for, evenly."""
        return of[:: max(1, len(of) // n)]


Attack = Callable[[House, Chance], Tally]
JSON = {"accept": "application/json"}


def tally(tries: list[tuple[str, bool]]) -> Tally:
    return Tally(tries=len(tries), let_in=tuple(name for name, got_in in tries if got_in))


def addresses(house: House) -> list[tuple[str, str]]:
    """Every route as method and address, with a plate, photo and polyp that are there."""
    photo = stored_photos(house.book, "0042")[-1].sha256
    given = {"{sha256:str}": photo, "{key:str}": "0042", "{name:str}": "P01", "{width:int}": "400",
             "{column:int}": "0", "{row:int}": "0", "{word:str}": "done",
             "{number:int}": "1"}  # fmt: skip
    found = []
    for route in _routes():
        if not isinstance(route, Route):
            continue
        path = route.path
        for mark, value in given.items():
            path = path.replace(mark, value)
        found += [(method, path) for method in sorted((route.methods or set()) - {"HEAD"})]
    return found


def closed(house: House) -> list[tuple[str, str]]:
    """The routes that an unpaired device may not have."""
    return [one for one in addresses(house) if one[1] != "/pair"]


def without_pairing(house: House, _: Chance) -> Tally:
    """Every page, asked for by a stranger on the network."""
    tries = []
    for method, path in closed(house):
        for headers in ({}, {"origin": PHONE}, {"authorization": "Bearer x"}):
            answer = house.stranger().request(method, path, headers=headers)
            tries.append((f"{method} {path}", answer.status_code not in (401, 403)))
    return tally(tries)


def forged_tokens(house: House, chance: Chance) -> Tally:
    """Cookies that no device was given, or that hold no more."""
    token = house.phone().cookies[COOKIE]
    gone = house.phone().cookies[COOKIE]
    house.devices.revoke(house.devices.all()[-1].number)
    stored = json.loads((house.folder / "desk" / "devices.json").read_text())
    forged = ["", " ", "0", gone, token[:-1], token + "a", token.swapcase(), token[::-1],
              *(row["token_hash"] for row in stored), '"' + token, "../devices.json",
              "' OR 1=1 --"]  # fmt: skip
    forged += [secrets.token_urlsafe(32) for _ in range(chance.n)]
    tries = []
    for one in forged:
        headers = {"cookie": f"{COOKIE}={one}"}
        answer = house.stranger("192.0.2.60").get("/plates", headers=headers)
        tries.append((one, answer.status_code != 401))
    # Whoever guesses locks out nobody who is paired.
    right = house.stranger("192.0.2.60").get("/plates", headers={"cookie": f"{COOKIE}={token}"})
    tries.append(("a paired device is still heard", right.status_code != 200))
    return tally(tries)


def old_tokens(house: House, _: Chance) -> Tally:
    """Codes and devices after their time."""
    now = datetime(2031, 3, 4, tzinfo=UTC)
    devices = Devices(house.folder / "desk" / "old.json", clock=lambda: now)
    used, late = devices.new_code(), devices.new_code()
    token = devices.pair(used, "Phone")
    tries = [("a code twice", devices.pair(used, "Phone") is not None)]
    now += CODE_LASTS
    tries.append(("a code too late", devices.pair(late, "Phone") is not None))
    now += DEVICE_LASTS
    tries.append(("a device after its time", devices.device_of(token or "") is not None))
    fresh = devices.pair(devices.new_code(), "Phone") or ""
    devices.revoke(devices.all()[0].number)
    tries.append(("a device taken off", devices.device_of(fresh) is not None))
    again = Devices(house.folder / "desk" / "old.json", clock=lambda: now)
    tries.append(("taken off, after a new start", again.device_of(fresh) is not None))
    return tally(tries)


def guessed_codes(house: House, chance: Chance) -> Tally:
    """Pairing by guessing; after ten wrong ones not even the right one is taken."""
    code = house.devices.new_code()
    wrong = ["", code[:-1], code.swapcase(), code + "a", "a" * 5000, code[::-1]]
    wrong += [secrets.token_urlsafe(16) for _ in range(max(MAX_GUESSES, min(chance.n, 40)))]
    tries = []
    for number, one in enumerate([*wrong, code]):
        stranger = house.stranger("192.0.2.61")
        answer = stranger.post("/pair", data={"code": one}, headers={"origin": PHONE})
        tries.append((f"guess {number}", COOKIE in answer.headers.get("set-cookie", "")))
    return tally(tries)


def foreign_names(house: House, chance: Chance) -> Tally:
    """Foreign names made to point here (DNS rebinding), for every page."""
    names = ["evil.example", f"evil.example:{PORT}", f"127.0.0.1.evil.example:{PORT}",
             f"localhost.evil.example:{PORT}", f"127.0.0.2:{PORT}", f"0.0.0.0:{PORT}",
             f"[::]:{PORT}", f"{LAN}:1", f"127.0.0.1:{PORT}@evil.example", f"2130706433:{PORT}",
             f"127.1:{PORT}", f"127.0.0.1.:{PORT}", "", "127.0.0.1"]  # fmt: skip
    tries = []
    for name in names:
        for method, path in chance.some(addresses(house), chance.n // 3):
            headers = {"host": name, "origin": f"http://{name}", "sec-fetch-site": "same-origin"}
            answer = house.desk().request(method, path, headers=headers)
            tries.append((f"{name} {method} {path}", answer.status_code != 421))
    return tally(tries)


def foreign_writes(house: House, _: Chance) -> Tally:
    """Other pages that write here through the browser of the desk or of a paired phone."""
    phone = house.phone()
    ways: list[dict[str, str]] = [
        {}, {"origin": "null"}, {"origin": "http://evil.example"}, {"origin": f"{DESK}0"},
        {"origin": DESK.replace("http", "https")}, {"origin": "http://127.0.0.1:1"},
        {"origin": f"http://evil.example/{DESK}"}, {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"}, {"sec-fetch-site": "none"},
        {"origin": "http://evil.example", "sec-fetch-site": "same-origin"},
        {"referer": f"{DESK}/log"}, {"x-http-method-override": "POST"},
    ]  # fmt: skip
    tries = []
    for method, path in addresses(house):
        if method in ("GET", "HEAD"):
            continue
        for headers in ways:
            for client in (house.desk(), phone):
                answer = client.request(method, path, headers=headers)
                tries.append((f"{method} {path} {headers}", answer.status_code != 403))
    return tally(tries)


def foreign_reads(house: House, _: Chance) -> Tally:
    """Other pages that take something out: pictures, scripts, frames."""
    tries = []
    for method, path in addresses(house):
        if method != "GET" or path.endswith("/progress"):
            continue
        for site in ("cross-site", "same-site"):
            headers = {"sec-fetch-site": site, "sec-fetch-mode": "no-cors"}
            taken = house.desk().get(path, headers=headers)
            tries.append((f"{site} {path}", taken.status_code != 403))
        own = house.desk().get(path).headers
        safe = (
            own.get("cross-origin-resource-policy") == "same-origin"
            and "frame-ancestors 'none'" in own.get("content-security-policy", "")
            and "access-control-allow-origin" not in own
        )
        tries.append((f"framed {path}", not safe))
    return tally(tries)


def passing_for_the_desk(house: House, _: Chance) -> Tally:
    """Phones that would be the desk: by headers, by name, by what only the desk may do."""
    says = ["x-forwarded-for", "forwarded", "x-real-ip", "x-client-ip", "x-forwarded-host",
            "x-original-url", "x-rewrite-url", "via", "true-client-ip"]  # fmt: skip
    tries = []
    for name in says:
        for host in (f"127.0.0.1:{PORT}", f"localhost:{PORT}", f"{LAN}:{PORT}"):
            value = "/plates" if "url" in name else "127.0.0.1"
            answer = house.stranger().get("/plates", headers={name: value, "host": host})
            tries.append((f"{name} {host}", answer.status_code != 401))
    phone = house.phone()
    for method, path in [("POST", "/desk/code"), ("POST", "/desk/devices/1/revoke"),
                         ("GET", "/desk/openapi.json"), ("POST", "/desk//code"),
                         ("POST", "/desk/./code"), ("POST", "/DESK/code"),
                         ("POST", "/desk/code/"), ("POST", "/%64esk/code")]:  # fmt: skip
        answer = phone.request(method, path, headers={"origin": PHONE})
        tries.append((f"{method} {path}", answer.status_code not in (403, 404, 405)))
    seen = phone.get("/desk").text
    tries.append(("where the logbook lies", str(house.folder) in seen))
    return tally(tries)


MARK = "here-lies-a-secret"
UPWARDS = ["../", "..%2f", "%2e%2e/", "%2e%2e%2f", "..\\", "..%5c", "....//", "..;/", "%252e%252e/",
           "..%c0%af", "..%00/", "/", "//", "file:///", "~/"]  # fmt: skip


def paths(house: House, chance: Chance) -> Tally:
    """Addresses that lead out of the folders that are served."""
    secret = house.folder / "secret.jpg"
    secret.write_text(MARK)
    before = ["/static/", "/photos/", "/plates/", "/plates/0042/polyps/", "/plates/0042/sheets/",
              "/plates/0042/charts/", "/people/", "/pair/", "/static/correct/"]  # fmt: skip
    ends = ("secret.jpg", "etc/passwd", "desk/devices.json", "logbook.sqlite", str(secret))
    asked = [
        start + up * times + end
        for start in before
        for up in UPWARDS
        for times in (1, 4, 9)
        for end in ends
    ]
    desk, tries = house.desk(), []
    for path in chance.some(asked, 10 * chance.n):
        answer = desk.get(path)
        bad = any(one in answer.text for one in (MARK, "root:", "token_hash", "SQLite format"))
        tries.append((path, bad or answer.status_code == 500))
    return tally(tries)


def upload_names(house: House, chance: Chance) -> Tally:
    """Names of photos that would lie elsewhere, or pass for something else."""
    ends = ["etc/passwd", "x.jpg", "x.html", "x.svg", "con.jpg", "x.jpg\0.html", ".htaccess"]
    names = [up * times + end for up in UPWARDS for times in (0, 1, 5) for end in ends]
    names += ["".join(chr(chance.rng.randrange(1, 0x3000)) for _ in range(30))
              for _ in range(chance.n)]  # fmt: skip
    tries = []
    for name in names:
        safe = safe_name(name)
        bad = bool(set(safe) & set('/\\<>"&\0\n')) or safe.startswith(".") or ".." in safe[:3]
        bad |= not safe.lower().endswith((".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp",
                                          ".heic", ".heif", ".jpe"))  # fmt: skip
        tries.append((name, bad or len(safe.encode()) > 200))
    desk, own = house.desk(), {"origin": DESK, **JSON}
    outside = {one for one in house.folder.rglob("*") if "desk" not in one.parts}
    for name in names[:: max(1, len(names) // 12)]:
        rgb = np.full((80, 80, 3), chance.rng.randrange(256), np.uint8)
        data = encoded(rgb, "JPEG", comment=secrets.token_bytes(8))
        answer = upload(desk, data, name, own)
        tries.append((name, answer.status_code != 200))
    now = {one for one in house.folder.rglob("*") if "desk" not in one.parts}
    tries.append(("nothing lies outside", bool({one.name for one in now - outside} - SQLITE)))
    return tally(tries)


SQLITE = {"logbook.sqlite-wal", "logbook.sqlite-shm"}


def upload(client: Any, data: bytes, name: str, own: dict[str, str]) -> Any:
    """Send a photo as the page does."""
    digest = hashlib.sha256(data).hexdigest()
    said = {"sha256": digest, "name": name, "size": len(data)}
    begun = client.post("/photos/begin", content=json.dumps(said), headers=own)
    if begun.status_code != 200:
        return begun
    query = {"offset": "0", "size": str(len(data)), "name": name}
    return client.put(f"/photos/{digest}", params=query, content=data, headers=own)


def _png(*chunks: tuple[bytes, bytes]) -> bytes:
    laid = (struct.pack(">I", len(body)) + name + body
            + struct.pack(">I", zlib.crc32(name + body)) for name, body in chunks)  # fmt: skip
    return b"\x89PNG\r\n\x1a\n" + b"".join(laid)


def bombs() -> dict[str, bytes]:
    """Small files that would take much memory or time once they are opened."""
    plain = encoded(corners_picture(), "PNG")
    progressive = encoded(corners_picture(), "JPEG", progressive=True)
    last = progressive.rindex(b"\xff\xda")
    head = struct.pack(">IIBBBBB", 200, 200, 8, 2, 0, 0, 0)
    zeros = zlib.compress(bytes(50_000_000), 9)
    frames = b"".join(
        struct.pack("<HI", 0, 8 + 6 * (n + 1)) for n in range(200_000)
    )  # directories without end
    return {
        "pixels, PNG": huge_png(60_000, 60_000),
        "pixels, TIFF": _tiff_of(70_000, 70_000),
        "tiles, TIFF": _tiff_of(100, 100, tile=90_000),
        "pixels in bytes, PNG": _png((b"IHDR", head), (b"IDAT", zeros), (b"IEND", b"")),
        "note, PNG": plain[:33] + _png((b"zTXt", b"a\0\0" + zeros))[8:] + plain[33:],
        "profile, PNG": plain[:33] + _png((b"iCCP", b"a\0\0" + zeros))[8:] + plain[33:],
        "passes, JPEG": progressive[:-2] + progressive[last:-2] * 50 * MAX_SCANS
        + progressive[-2:],
        "frames, TIFF": b"II*\0" + struct.pack("<I", 8) + frames,
        "frames, PNG": animated("PNG"),
        "frames, WebP": animated("WEBP"),
        "archive": b"PK\x03\x04" + zeros,
    }  # fmt: skip


def _tiff_of(width: int, height: int, tile: int = 0) -> bytes:
    tags = [(256, 4, width), (257, 4, height), (258, 3, 8), (259, 3, 8), (262, 3, 1),
            (273, 4, 8), (277, 3, 1), (278, 4, height), (279, 4, 50)]  # fmt: skip
    if tile:
        tags = [one for one in tags if one[0] not in (273, 278, 279)]
        tags += [(322, 4, tile), (323, 4, tile), (324, 4, 8), (325, 4, 50)]
    laid = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in tags)
    body = zlib.compress(bytes(1000)).ljust(60, b"\0")
    at = 8 + len(body)
    return (b"II*\0" + struct.pack("<I", at) + body + struct.pack("<H", len(tags)) + laid
            + bytes(4))  # fmt: skip


BOMB_BYTES = 120_000_000
"""A bomb that is refused in time takes less memory than this while it is looked at."""


def upload_bombs(house: House, chance: Chance) -> Tally:
    """Photos that are small on the way and huge, slow or endless once opened."""
    own = {"origin": DESK, **JSON}
    tries = []
    for name, data in bombs().items():
        tracemalloc.start()
        started = datetime.now(UTC)
        answer = upload(house.desk(), data, "a.jpg", own)
        with suppress(PhotoError):
            decode(data, "a.jpg")
        took, (_, peak) = datetime.now(UTC) - started, tracemalloc.get_traced_memory()
        tracemalloc.stop()
        # What Pillow holds in C is bounded by the pixels that are decoded, and they by the header.
        slow = took > timedelta(seconds=10) or peak > BOMB_BYTES
        tries.append((name, answer.status_code >= 500 or slow))
    wrong = {"sha256": "0" * 64, "name": "a.jpg"}
    sizes: tuple[object, ...] = (0, -1, 10**9, 10**30, "1e9", True, None, [], float("inf"))
    for size in sizes:
        said = json.dumps({**wrong, "size": size})
        answer = house.desk().post("/photos/begin", content=said, headers=own)
        tries.append((f"size {size}", answer.status_code not in (400, 413, 422)))
    for body in ("[" * 200_000, '{"sha256":' * 5000, "9" * 100_000, '"' * 50, b"\xff" * 100):
        answer = house.desk().post("/photos/begin", content=body, headers=own)
        tries.append((f"body {body[:10]!r}", answer.status_code != 400))
    return tally(tries)


MARKUP = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'><svg onload=alert(1)>",
    "</title><iframe src=javascript:alert(1)>",
    "]]><script>alert(1)</script>",
    "{{ 7*7 }}<b>",
    "--><object data=x>",
    "<a href=javascript:alert(1)>x</a>",
]
RAW = ["<script>alert", "<img src=x", "<svg onload", "<iframe", "<object data", "<a href=java",
       "49<b>"]  # fmt: skip


def markup(house: House, chance: Chance) -> Tally:
    """Markup in every name and note that is kept, on every page and in every file that shows it."""
    desk, own, said = house.desk(), {"origin": DESK}, chance.some(MARKUP, max(2, chance.n // 10))
    for number, words in enumerate(said):
        plate = words[:60]
        say_of_plate(house.book, plate, line=words, note=words)
        at = datetime(2024, 3, 2 + number, tzinfo=UTC)
        line = LogEntry(plate="0042", at=at, kind="cut", note=words, donor=words, dip=words,
                        individual="P01", pieces=2)  # fmt: skip
        note(house.book, line)
        note(house.book, replace(line, plate=plate, individual=words[:20]))
        photo = stored_photos(house.book, "0042")[number % 4].sha256
        wish = {"kind": "add-mouth", "label": 1, "place_px": [130, 120]}
        correct_photos(house.book, [wish], author=words[:80], photo=photo)
    person = {"cookie": f"polypvision_person={quote(MARKUP[0])}"}
    shown = [(path, desk.get(path, headers=person).text)
             for method, path in addresses(house)
             if method == "GET" and not path.endswith(("/progress", "/backup"))]  # fmt: skip
    for words in said:
        key = plate_key(words[:60])
        for path in (f"/plates/{key}", f"/plates/{key}/expected", f"/plates/{key}/card"):
            shown.append((path, desk.get(path).text))
        for name in ("plate", "individual", "kind", "done"):
            shown.append((name, desk.get("/log", params={name: words}).text))
        for path, name in (
            ("/today", "done"),
            ("/cards/print", "codes"),
            ("/plates/0042", "photo"),
        ):
            shown.append((f"{path} {name}", desk.get(path, params={name: words}).text))
        wrong = desk.post("/log", data={"plate": "1", "kind": "note", "at": words}, headers=own)
        shown.append(("a date that is none", wrong.text))
    out = house.folder / "pages"
    if chance.n >= 20:
        write_reports(house.book, None, out, on=datetime(2024, 5, 1, tzinfo=UTC).date())
    for file in [*out.rglob("*.html"), *out.rglob("*.svg")]:
        shown.append((file.name, file.read_text()))
    return tally([(path, any(one in text for one in RAW)) for path, text in shown
                  if not path.endswith((".json", "/reading", "/who"))])  # fmt: skip


FETCHING = ["<img src='{}' width='9' height='9'/>", '<img src="file:///etc/passwd"/>',
            "<para><img src='{}'/></para>", "&lt;img src='{}'/&gt;",
            "]]><img src='{}'/>"]  # fmt: skip


def fetching(house: House, _: Chance) -> Tally:
    """Notes with which a printed report would fetch a file or an address (CVE-2020-28463)."""
    asked: list[str] = []

    def watched(read: Callable[..., Any]) -> Callable[..., Any]:
        def reads(name: Any, *rest: Any, **more: Any) -> Any:
            asked.append(str(name)[:200])
            return read(name, *rest, **more)

        return reads

    said = [form.format("http://127.0.0.1:9/x.png") for form in FETCHING]
    for number, words in enumerate(said):
        at = datetime(2024, 3, 2 + number, tzinfo=UTC)
        note(house.book, LogEntry(plate="0042", at=at, kind="cut", note=words, donor=words,
                                  dip=words, pieces=2))  # fmt: skip
    say_of_plate(house.book, "0042", line=" ".join(said), note=" ".join(said))
    out, on = house.folder / "report", datetime(2024, 5, 1, tzinfo=UTC).date()
    with (
        patch("reportlab.lib.utils.open_for_read", watched(utils.open_for_read)),
        patch("reportlab.lib.utils.rlUrlRead", watched(utils.rlUrlRead)),
    ):
        write_reports(house.book, None, out, on=on, pdf=out / "report.pdf")
    wrong = [one for one in asked if "127.0.0.1" in one or "passwd" in one]
    tries = [(words, bool(wrong)) for words in said]
    tries.append(("the report is there, and reads were watched", not asked))
    return tally(tries)


EXIF_WORDS = {0x010E: "ImageDescription", 0x010F: "Make", 0x0110: "Model", 0x0131: "Software",
              0x013B: "Artist", 0x8298: "Copyright", 0x013C: "HostComputer"}  # fmt: skip
EXIF_INNER = {0x9286: "UserComment", 0xA420: "ImageUniqueID", 0xA430: "CameraOwnerName",
              0xA433: "LensMake", 0xA434: "LensModel", 0x9003: "DateTimeOriginal"}  # fmt: skip


def exif_markup(house: House, chance: Chance) -> Tally:
    """Markup in the Exif fields of photos that are sent in and read."""
    desk, own = house.desk(), {"origin": DESK, **JSON}
    tries = []
    for words in MARKUP[: 2 if chance.n < 100 else len(MARKUP)]:
        made = Image.Exif()
        made.load(exif("2024:03:30 12:00:00"))
        for tag in EXIF_WORDS:
            made[tag] = words
        for tag in EXIF_INNER:
            made.get_ifd(0x8769)[tag] = words
        if words is not MARKUP[0]:
            made.get_ifd(0x8769)[0x9003] = "2024:03:30 12:00:00"
        data = encoded(card_photo(41), "JPEG", exif=made.tobytes(), comment=words.encode())
        digest = hashlib.sha256(data).hexdigest()
        upload(desk, data, f"{words}.jpg", own)
        desk.get(f"/photos/{digest}/progress")
        for path in (f"/photos/{digest}/answer", f"/photos/{digest}/scale", "/plates/0041",
                     f"/photos/{digest}/correct", "/today", "/plates"):  # fmt: skip
            text = desk.get(path).text
            tries.append((f"{path} {words}", any(one in text for one in RAW)))
        picture = desk.get(f"/photos/{digest}/scaled/400.jpg")
        tries.append((f"picture {words}", b"alert(1)" in picture.content))
    return tally(tries)


FORMULAS = ["=1+1", "+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", '=HYPERLINK("x")', "＝1"]


def formulas(house: House, chance: Chance) -> Tally:
    """Names and notes that a spreadsheet would work out when it opens an exported table."""
    tries = []
    for words in FORMULAS:
        plain = without_formulas(pd.DataFrame({"a": [words], "n": [-1.5]}))
        text = plain.to_csv(index=False, lineterminator="\r\n")
        cell = pd.read_csv(StringIO(text), dtype=str).iloc[0]
        tries.append((words, not str(cell["a"]).startswith("'") or cell["n"] != "-1.5"))
        note(house.book, LogEntry(plate=words.strip() or "x", at=datetime(2024, 3, 2, tzinfo=UTC),
                                  kind="note", note=words, donor=words, dip=words))  # fmt: skip
    written, _ = export_plates(house.book, None, house.folder / "tables", formats=("csv",))
    for path in written:
        frame = pd.read_csv(path, dtype=str, keep_default_na=False)
        words_in = frame.to_numpy().ravel()
        bad = [one for one in words_in if str(one).startswith(tuple("=+@\t\r＝"))]
        bad += [one for one in words_in if str(one).startswith("-") and not _number(str(one))]
        tries.append((path.name, bool(bad)))
    return tally(tries)


def _number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


PLACE = b"GPS-PLACE-17.5S"


def places(house: House, chance: Chance) -> Tally:
    """Pictures that leave must not tell where a photo was taken, nor by whose camera."""
    tags = Image.Exif()
    tags.load(exif("2024:03:31 12:00:00"))
    tags[0x8825] = {1: "S", 2: (17.0, 30.0, 0.0), 29: PLACE.decode()}
    tags[0x010F], tags[0x013B] = "CAMERA-OF-ADA", "ADA"
    xmp = b"<x:xmpmeta><exif:GPSLatitude>" + PLACE + b"</exif:GPSLatitude></x:xmpmeta>"
    data = encoded(card_photo(42), "JPEG", exif=tags.tobytes(), xmp=xmp, comment=PLACE)
    digest = hashlib.sha256(data).hexdigest()
    desk, own = house.desk(), {"origin": DESK, **JSON}
    upload(desk, data, "a.jpg", own)
    desk.get(f"/photos/{digest}/progress")
    paths = [path for method, path in addresses(house) if path.endswith(".jpg")]
    paths += [f"/photos/{digest}/scaled/{width}.jpg" for width in (400, 800, 1600, 2400)]
    paths += [f"/photos/{digest}/pieces/0-0.jpg"]
    got = [(path, desk.get(path)) for path in paths]
    left = [(path, answer.content) for path, answer in got if answer.status_code == 200]
    written, _ = export_plates(house.book, None, house.folder / "out", formats=(), pictures=True)
    pages = house.folder / "out-pages"
    write_reports(house.book, None, pages, on=datetime(2024, 5, 1, tzinfo=UTC).date())
    files = [*written, *pages.rglob("*.jpg"), *pages.rglob("*.png")]
    left += [(path.name, path.read_bytes()) for path in files]
    return tally([(name, tells_place(picture)) for name, picture in left])


def tells_place(picture: bytes) -> bool:
    found = Image.open(BytesIO(picture))
    known = {"Software"}
    tags = {EXIF_WORDS.get(tag, str(tag)) for tag in found.getexif()} - known - {"34665"}
    return bool(tags) or any(one in picture for one in (PLACE, b"CAMERA-OF-ADA", b"xmpmeta"))


SECRET = "secret-of-/home/keeper"


def faults(house: House, chance: Chance) -> Tally:
    """A fault behind every page: nothing of it may be told, and the headers stay."""

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError(SECRET)

    inside = ["overview", "plate_sheet", "today_page", "strip", "expected", "recorded_photo"]
    tries = []
    for name in inside:
        with patch(f"polypvision.web.app.{name}", broken):
            pages = [path for method, path in addresses(house)
                     if method == "GET" and not path.endswith("/progress")]  # fmt: skip
            for path in chance.some(pages, max(1, chance.n // 4)):
                for headers in ({}, JSON):
                    answer = house.desk().get(path, headers=headers)
                    tells = SECRET in answer.text or "Traceback" in answer.text
                    safe = "content-security-policy" in answer.headers
                    tries.append((f"{name} {path}", tells or not safe))
    for path in ("/nosuch", "/plates/nosuch", "/photos/" + "0" * 64 + "/answer", "/static/nosuch"):
        answer = house.phone().get(path)
        tells = str(house.folder) in answer.text or "polypvision/" in answer.text
        tries.append((path, tells or "server" in answer.headers))
    return tally(tries)


def logs(house: House, _: Chance) -> Tally:
    """No code, token or cookie may stand in a line of any log."""
    lines: list[str] = []

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            lines.append(record.getMessage())

    keep, root = Keep(), logging.getLogger()
    before = root.level
    root.addHandler(keep)
    root.setLevel(logging.DEBUG)
    try:
        page = house.desk().post("/desk/code", headers={"origin": DESK})
        code = page.text.partition("/pair#")[2].partition('"')[0].partition("<")[0]
        phone = house.stranger()
        phone.post("/pair", data={"code": code}, headers={"origin": PHONE})
        token = phone.cookies.get(COOKIE) or "none"
        house.stranger().get("/plates", headers={"cookie": f"{COOKIE}={token}x"})
        phone.get("/plates/nosuch")
        phone.post("/log", data={"plate": "1", "kind": "cut"}, headers={"origin": PHONE})
    finally:
        root.removeHandler(keep)
        root.setLevel(before)
    said = "\n".join(lines)
    return tally([
        ("a code was given", len(code) < 20),
        ("a token was given", len(token) < 40),
        ("the code", code in said),
        ("the token", token in said),
        ("its name", f"{COOKIE}=" in said),
    ])  # fmt: skip


@contextmanager
def umask(mask: int) -> Iterator[None]:
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


def modes(_: House, __: Chance) -> Tally:
    """Logbook, copies, devices and photos that others at the computer could read."""
    from web_house import open_house

    tries = []
    for mask in (0o000, 0o002, 0o022, 0o027, 0o077):
        with tempfile.TemporaryDirectory() as name, umask(mask):
            own = Path(name) / "own"
            with patch.dict(os.environ, {"XDG_DATA_HOME": str(own)}):
                os.environ.pop("POLYPVISION_LOGBOOK", None)
                with open_logbook(create=True) as book:
                    back_up(book, own / "copy.sqlite")
            inner = Path(name) / "house"
            inner.mkdir()
            with open_house(inner) as house:
                house.phone()
                upload(house.desk(), encoded(corners_picture(), "JPEG"), "a.jpg",
                       {"origin": DESK, **JSON})  # fmt: skip
                files = [*own.rglob("*"), *inner.glob("logbook*"), inner / "desk",
                         inner / "desk" / "devices.json",
                         *(inner / "desk").rglob("*.jpg")]  # fmt: skip
                for path in files:
                    reach = _others_reach(path, Path(name))
                    tries.append((f"{mask:03o} {path.relative_to(name)}", reach))
    return tally(tries)


def _others_reach(path: Path, top: Path) -> bool:
    """Whether group or others may open it, with the folders above it."""
    if not path.stat().st_mode & 0o077:
        return False
    above = [one for one in path.parents if top in one.parents]
    return all(one.stat().st_mode & 0o011 for one in above)


ATTACKS: dict[str, Attack] = {
    "pages without pairing": without_pairing,
    "forged and revoked tokens": forged_tokens,
    "codes and devices after their time": old_tokens,
    "guessed pairing codes": guessed_codes,
    "DNS rebinding": foreign_names,
    "writing from another page": foreign_writes,
    "reading or framing from another page": foreign_reads,
    "passing for the desk": passing_for_the_desk,
    "path tricks in addresses": paths,
    "path tricks in file names": upload_names,
    "bombs and endless numbers": upload_bombs,
    "markup in names and notes": markup,
    "markup in Exif fields": exif_markup,
    "files fetched by a printed report": fetching,
    "formulas in exported tables": formulas,
    "places in pictures that leave": places,
    "faults that tell": faults,
    "secrets in log lines": logs,
    "files that others may read": modes,
}
"""Every kind of attack by its name in the table."""
AT_THE_DOOR = ("pages without pairing", "DNS rebinding", "writing from another page",
               "reading or framing from another page", "passing for the desk")  # fmt: skip
"""Those that the guard alone keeps out."""
