"""A day with a phone at the tray and a browser at the desk, in a real browser, where Chromium and
playwright are there."""

import json
import sqlite3
from collections.abc import Iterator
from hashlib import sha256
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
import web_browser
import web_house
from photo_makers import card_photo, encoded, exif
from PIL import Image
from web_browser import CHROMIUM, NAME

from polypvision.plates.log import log_of
from polypvision.plates.show import stored_photos
from polypvision.store.logbook import open_logbook
from polypvision.web.uploads import Uploads

house = web_house.house
served = web_browser.served

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
SAMPLES = Path(__file__).parents[2] / "sample_images"
PLATE = "0031"


@pytest.fixture
def browser() -> Iterator[Any]:
    """A browser that finds the computer by its network name, too."""
    with playwright.sync_playwright() as play:
        found = play.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", f"--host-resolver-rules=MAP {NAME} 127.0.0.1"],
        )
        yield found
        found.close()


def watched(context: Any) -> Any:
    """A page that keeps what its scripts complain of."""
    page = context.new_page()
    page.troubles = []
    page.on("pageerror", lambda error: page.troubles.append(str(error)))
    page.on(
        "console",
        lambda said: (
            page.troubles.append(said.text)
            # That header needs https, which a local network lacks; the browser says so.
            if said.type == "error" and "Cross-Origin-Opener-Policy" not in said.text
            else None
        ),
    )
    page.set_default_timeout(120_000)
    return page


@pytest.fixture
def phone(browser: Any) -> Any:
    """A page of the size of a small phone."""
    return watched(
        browser.new_context(
            viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True,
            accept_downloads=True, user_agent="Mozilla/5.0 (Linux; Android 15) Mobile",
        )
    )  # fmt: skip


def paired(phone: Any, served: tuple[int, Any]) -> str:
    """Pair the phone as its owner does, by the link of the square code; return the address."""
    port, devices = served
    base = f"http://{NAME}:{port}"
    phone.goto(f"{base}/pair#{devices.new_code()}")
    phone.wait_for_url(f"{base}/photos")
    return base


def sample_photos() -> list[tuple[dict[str, Any], bytes]]:
    """The first three photos of an invented plate, the second as a phone's HEIC."""
    files = []
    for number, path in enumerate(sorted((SAMPLES / PLATE).glob("*.jpg"))[:3]):
        data, kind, name = path.read_bytes(), "image/jpeg", path.name
        if number == 1:
            with Image.open(path) as picture:
                tags = picture.getexif().tobytes()
                data = encoded(picture, "HEIF", quality=95, exif=tags)
            kind, name = "image/heic", path.with_suffix(".heic").name
        files.append(({"name": name, "mimeType": kind, "buffer": data}, data))
    return files


def true_counts() -> list[int]:
    """How many polyps are really on them; the plates are drawn, so it is exact."""
    truth = json.loads((SAMPLES / "truth" / "truth.json").read_text())
    of_plate = sorted((one["photo"], len(one["polyps"])) for one in truth if PLATE in one["photo"])
    return [count for _, count in of_plate[:3]]


def test_a_day_at_the_tray(
    phone: Any, browser: Any, served: tuple[int, Any], tmp_path: Path
) -> None:
    base = paired(phone, served)
    files = sample_photos()
    phone.set_input_files("#pick", [one for one, _ in files])
    phone.wait_for_selector(".answer .tiles >> nth=2")
    # The latest stands on top.
    shown = [
        int(one.inner_text()) for one in phone.locator(".answer .tiles li:first-child b").all()
    ]
    assert shown == true_counts()[::-1]
    uploads = Uploads(tmp_path / "served")
    assert all(uploads.find(sha256(data).hexdigest()) for _, data in files)

    phone.locator(".answer h2 a").first.click()
    phone.wait_for_url(f"{base}/plates/{PLATE}")
    before = phone.locator(".chart img").first.get_attribute("src")
    phone.get_by_role("link", name="Write something down").click()
    phone.get_by_role("link", name="Cut", exact=True).click()
    assert "cut-resistant gloves" in phone.locator(".care").inner_text()
    phone.get_by_label("Way of cutting").select_option("halves")
    phone.get_by_label("Pieces made").fill("2")
    phone.get_by_label("P01").check()
    phone.get_by_label("P02").check()
    phone.get_by_label("Dip used").fill("by the label")
    phone.get_by_role("button", name="Write it down").click()
    phone.wait_for_selector("text=Cut: written down.")
    phone.goto(f"{base}/plates/{PLATE}")
    assert "through the mouth into two; 2 pieces" in phone.locator("main").inner_text()
    assert phone.locator(".chart img").first.get_attribute("src") != before
    with open_logbook(tmp_path / "logbook.sqlite") as book:
        (entry,) = log_of(book, PLATE)
    assert (entry.kind, entry.method, entry.individual) == ("cut", "halves", "P01 P02")

    phone.goto(f"{base}/today")
    done = phone.get_by_role("button", name="Done", exact=True)
    due = done.count()
    done.first.click()
    phone.wait_for_selector("text=Each comes back")
    assert done.count() == due - 1
    phone.get_by_role("button", name="Not done").click()
    phone.wait_for_selector(f".tasks li >> nth={due - 1}")

    phone.goto(f"{base}/cards")
    phone.get_by_label("Plate numbers").fill("61-62")
    with phone.expect_download() as card:
        phone.get_by_role("button", name="Make a PDF").click()
    assert card.value.suggested_filename == "cards-0061.pdf"
    assert Path(card.value.path()).read_bytes().startswith(b"%PDF")
    phone.goto(f"{base}/desk")
    with phone.expect_download() as backup:
        phone.get_by_role("link", name="Download a copy").click()
    copy = tmp_path / "copy.sqlite"
    copy.write_bytes(Path(backup.value.path()).read_bytes())
    checked = sqlite3.connect(copy)
    assert checked.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    checked.close()
    with open_logbook(copy) as book:
        assert [one.outcome.n_polyps for one in stored_photos(book, PLATE)] == true_counts()  # type: ignore[union-attr]
        assert log_of(book, PLATE) == [entry]
    assert phone.troubles == []

    # At the desk the phone is taken off the list: it is out at once.
    desk = watched(browser.new_context())
    desk.goto(f"http://127.0.0.1:{served[0]}/desk")
    desk.get_by_role("button", name="Take Phone 1 off").click()
    desk.wait_for_selector("text=No phone is paired.")
    phone.goto(f"{base}/plates")
    assert "Pair this device first" in phone.locator("main").inner_text()


def deliver(request: Any) -> None:
    """Send what the browser sends, outside of it, where its names are not known."""
    there = urlsplit(request.url)
    connection = HTTPConnection("127.0.0.1", there.port, timeout=30)
    headers = {**request.all_headers(), "host": there.netloc}
    path = f"{there.path}?{there.query}"
    connection.request(request.method, path, request.post_data_buffer, headers)
    assert connection.getresponse().status == 200
    connection.close()


def test_a_connection_that_drops_is_waited_out_and_nothing_is_doubled(
    phone: Any, served: tuple[int, Any], tmp_path: Path
) -> None:
    paired(phone, served)
    rng = np.random.default_rng(0)
    # Longer than two pieces, and of no round length.
    noise = encoded(rng.integers(0, 255, (900, 1111, 3)).astype(np.uint8), "PNG")
    assert len(noise) > 2_000_000
    drops = iter(["before", "after", "before", "busy"])
    offsets: list[str] = []

    def dropping(route: Any) -> None:
        offsets.append(route.request.url.partition("offset=")[2].partition("&")[0])
        # The third is let through, and what comes after these.
        how = next(drops, "") if len(offsets) != 3 else ""
        if how == "after":
            deliver(route.request)  # It came in, but its answer is lost.
        if how == "busy":  # As `web.pieces` says it.
            said = {"words": "Many photos come in just now."}
            route.fulfill(status=503, headers={"retry-after": "1"}, json=said)
        elif how:
            route.abort("connectionreset")
        else:
            route.continue_()

    phone.route(lambda url: "offset=" in url, dropping)
    phone.set_input_files(
        "#pick", [{"name": "2024-04-01.png", "mimeType": "image/png", "buffer": noise}]
    )
    phone.wait_for_selector(".net >> text=No connection")
    phone.wait_for_selector(".net >> text=Many photos come in just now")
    phone.wait_for_selector("text=No card was found")
    assert phone.locator(".net").inner_text() == ""
    assert len(offsets) > len(set(offsets)) >= 3
    kept = list((tmp_path / "served" / "photos").rglob("*.png"))
    assert [one.read_bytes() for one in kept] == [noise]
    assert not list((tmp_path / "served" / "parts").iterdir())

    # The same once more, under another name: known, and neither sent nor kept again.
    n_sent = len(offsets)
    phone.set_input_files(
        "#pick", [{"name": "again.png", "mimeType": "image/png", "buffer": noise}]
    )
    phone.wait_for_selector(".answer >> nth=1")
    assert len(offsets) == n_sent
    assert len(list((tmp_path / "served" / "photos").rglob("*.png"))) == 1


def test_a_page_that_was_closed_goes_on_where_it_stopped(
    phone: Any, served: tuple[int, Any], tmp_path: Path
) -> None:
    base = paired(phone, served)
    noise = np.random.default_rng(1).integers(0, 255, (900, 1111, 3)).astype(np.uint8)
    file = {
        "name": "2024-04-01.png",
        "mimeType": "image/png",
        "buffer": encoded(noise, "PNG"),
    }
    sent: list[int] = []

    def first_only(route: Any) -> None:
        sent.append(int(route.request.url.partition("offset=")[2].partition("&")[0]))
        route.continue_() if len(sent) == 1 else route.abort("internetdisconnected")

    phone.route(lambda url: "offset=" in url, first_only)
    phone.set_input_files("#pick", [file])
    phone.wait_for_selector(".net >> text=No connection")
    phone.unroute_all(behavior="ignoreErrors")
    phone.goto(f"{base}/photos")
    offsets: list[int] = []

    def noted(route: Any) -> None:
        offsets.append(int(route.request.url.partition("offset=")[2].partition("&")[0]))
        route.continue_()

    phone.route(lambda url: "offset=" in url, noted)
    phone.set_input_files("#pick", [file])
    phone.wait_for_selector("text=No card was found")
    assert offsets[0] > 0
    (kept,) = (tmp_path / "served" / "photos").rglob("*.png")
    assert kept.read_bytes() == file["buffer"]


def test_a_photo_of_50_megapixels_opens_on_a_phone(
    phone: Any, served: tuple[int, Any], tmp_path: Path
) -> None:
    base = paired(phone, served)
    large = Image.fromarray(card_photo(41)).resize((8192, 6144), Image.Resampling.BICUBIC)
    data = encoded(large, "JPEG", quality=85, exif=exif("2024:03:30 12:00:00"))
    phone.set_input_files(
        "#pick", [{"name": "large.jpg", "mimeType": "image/jpeg", "buffer": data}]
    )
    phone.wait_for_selector(".answer >> text=Plate 0041")
    got: list[int] = []
    phone.on(
        "response",
        lambda one: got.append(len(one.body())) if "/scaled/" in one.url else None,
    )
    phone.goto(f"{base}/plates/0041")
    picture = phone.locator(".sheet img")
    picture.scroll_into_view_if_needed()
    wide = picture.evaluate("async one => { await one.decode(); return one.naturalWidth; }")
    assert 360 <= wide <= 1600
    assert len(got) == 1
    assert got[0] < 1_000_000
    assert phone.troubles == []
