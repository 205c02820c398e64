"""The pages in a real browser, where Chromium and playwright are there."""

import shutil
import socket
import threading
import time
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import uvicorn
import web_house
from photo_makers import card_photo, encoded, exif
from web_house import House

from polypvision.store.logbook import open_logbook
from polypvision.web.app import make_app
from polypvision.web.guard import Door
from polypvision.web.uploads import Uploads

house = web_house.house

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
NAME = "tray.test"


@pytest.fixture
def served(house: House, tmp_path: Path) -> Iterator[tuple[int, Any]]:
    """The pages behind a real socket: port, and devices."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        with open_logbook(tmp_path / "logbook.sqlite") as book:
            app, devices = make_app(book, tmp_path / "served", Door(port=port, names=(NAME,)))
            server = uvicorn.Server(
                uvicorn.Config(app, log_level="error", proxy_headers=False, lifespan="on")
            )
            thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
            thread.start()
            deadline = time.monotonic() + 30
            while not server.started and time.monotonic() < deadline:
                time.sleep(0.05)
            yield port, devices
            server.should_exit = True
            thread.join(30)


@pytest.fixture
def phone(served: tuple[int, Any]) -> Iterator[Any]:
    """A page of the size of a small phone that reaches the computer by its network name."""
    with playwright.sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", f"--host-resolver-rules=MAP {NAME} 127.0.0.1"],
        )
        page = browser.new_page(viewport={"width": 360, "height": 740})
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
        yield page
        browser.close()


def test_a_phone_is_paired_sends_photos_and_looks_at_plates(
    phone: Any, served: tuple[int, Any], tmp_path: Path
) -> None:
    port, devices = served
    base = f"http://{NAME}:{port}"
    phone.goto(f"{base}/pair#{devices.new_code()}")
    phone.wait_for_url(f"{base}/photos")
    rng = np.random.default_rng(0)
    # Longer than one piece, and of no round length.
    plain = encoded(rng.integers(0, 255, (900, 1111, 3)).astype(np.uint8), "PNG")
    assert len(plain) > 2_000_000
    card = encoded(card_photo(41), "JPEG", exif=exif("2024:03:30 12:00:00"))
    files = [("2024-04-01.png", "image/png", plain), ("card.jpg", "image/jpeg", card)]
    phone.set_input_files(
        "#pick", [{"name": n, "mimeType": kind, "buffer": data} for n, kind, data in files]
    )
    phone.wait_for_selector(".answer >> text=Plate 0041")
    phone.wait_for_selector("text=No card was found")
    # The browser's hash is Python's: both came in under it.
    uploads = Uploads(tmp_path / "served")
    assert all(uploads.find(sha256(data).hexdigest()) for _, _, data in files)

    phone.goto(f"{base}/plates/0042")
    slide = phone.locator(".slide input")
    slide.fill("0")
    phone.wait_for_selector(".sheet figcaption >> text=1 Mar 2024")
    phone.locator("table.polyps a").first.click()
    phone.wait_for_selector("#strip .crops img")
    assert phone.locator("#strip .crops li").count() == 4
    assert phone.locator(".polyp.chosen").count() == 1
    for path in ("/photos", "/plates", "/plates/0042", "/today", "/log", "/cards", "/desk"):
        phone.goto(base + path)
        wide = phone.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert wide <= 0, f"{path} is wider than a phone"
    assert phone.troubles == []
