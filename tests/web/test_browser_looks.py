"""How the pages look and are used in a real browser: for everybody, by day and by night, at every
size, by mouse, finger and keyboard."""

from hashlib import sha256
from typing import Any

import numpy as np
import pytest
import test_browser
import web_browser
import web_house
from photo_makers import encoded, exif
from web_browser import CHROMIUM
from web_house import House

from polypvision.plates.correct import correct_photos
from polypvision.plates.done import tick_off
from polypvision.plates.dues import today
from polypvision.plates.show import stored_photos
from polypvision.store.logbook import open_logbook

house = web_house.house
served = web_browser.served
browser = test_browser.browser
phone = test_browser.phone

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
axe = pytest.importorskip(
    "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")

SIZES = {"phone": (360, 740), "desk": (1440, 900), "large": (3840, 2160)}
PLATE = "/plates/0042"


@pytest.fixture
def lived_in(house: House, served: tuple[int, Any]) -> str:
    """The desk's address, after people have used it: corrections, a task done, a photo without a
    card."""
    from datetime import datetime

    correct_photos(
        house.book, [{"photo": "photo 14.jpg", "kind": "delete", "label": 2}], author="Ada"
    )
    on = datetime.now().date()
    tasks, _ = today(house.book, on)
    tick_off(house.book, tasks, tasks[0].key, author="Ada")
    return f"http://127.0.0.1:{served[0]}"


def pages(house: House) -> dict[str, str]:
    """Every page by what it is called."""
    with open_logbook(house.folder / "logbook.sqlite") as book:
        first, *_, last = (one.sha256 for one in stored_photos(book, "0042"))
    return {
        "plates": "/plates",
        "plate": PLATE,
        "two dates": f"{PLATE}?photo={last}&beside={first}",
        "one polyp": f"{PLATE}/polyps/P01",
        "to come": f"{PLATE}/expected",
        "photos": "/photos",
        "scale": f"/photos/{last}/scale",
        "correct": f"/photos/{last}/correct",
        "today": "/today",
        "log": "/log",
        **{f"log {kind}": f"/log?plate=0042&kind={kind}" for kind in ("cut", "dip", "sale")},
        "cards": "/cards",
        "cards refused": "/cards/print?kind=small&codes=x",
        "desk": "/desk",
        "people": "/people",
        "pair": "/pair",
        "trouble": "/nosuch",
    }


@pytest.mark.parametrize(
    ("size", "scheme"), [("phone", "light"), ("phone", "dark"), ("desk", "dark")]
)
def test_no_page_shuts_anybody_out(
    browser: Any, house: House, lived_in: str, size: str, scheme: str
) -> None:
    """Of axe-core's rules, WCAG 2.2 A and AA among them, none of serious impact is broken."""
    wide, high = SIZES[size]
    page = browser.new_page(viewport={"width": wide, "height": high}, color_scheme=scheme)
    broken = {}
    for name, path in pages(house).items():
        page.goto(lived_in + path)
        serious = [
            (one["id"], [node["target"] for node in one["nodes"]])
            for one in axe.Axe().run(page).response["violations"]
            if one["impact"] in ("serious", "critical")
        ]
        if serious:
            broken[name] = serious
    assert broken == {}


def test_axe_finds_what_is_wrong(browser: Any, lived_in: str) -> None:
    page = browser.new_page()
    page.goto(f"{lived_in}/plates")
    page.evaluate(
        "document.querySelector('h1').insertAdjacentHTML('afterend', '<button></button>')"
    )
    found = axe.Axe().run(page).response["violations"]
    assert "button-name" in {one["id"] for one in found}


@pytest.mark.parametrize("size", SIZES)
def test_no_page_is_wider_than_its_window(
    browser: Any, house: House, lived_in: str, size: str
) -> None:
    wide, high = SIZES[size]
    page = browser.new_page(viewport={"width": wide, "height": high})
    over = {}
    for name, path in pages(house).items():
        page.goto(lived_in + path)
        more = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        if more > 0:
            over[name] = more
    assert over == {}


def test_what_is_written_can_be_read_on_a_large_screen(browser: Any, lived_in: str) -> None:
    page = browser.new_page(viewport={"width": 3840, "height": 2160})
    page.goto(lived_in + PLATE)
    size = page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)")
    assert size >= 24


def test_table_and_photo_are_linked_by_mouse_finger_and_keyboard(
    browser: Any, lived_in: str
) -> None:
    desk = test_browser.watched(browser.new_context(viewport={"width": 1440, "height": 900}))
    # What is fetched later may move the rows under a mouse that rests.
    desk.goto(lived_in + PLATE, wait_until="networkidle")
    row = desk.locator("tr[data-polyp=P02]")
    drawn = desk.locator(".polyp[data-polyp=P02]")
    chosen = desk.locator(".polyp.chosen")
    row.hover()
    desk.wait_for_selector(".polyp.chosen[data-polyp=P02]")
    desk.locator(".polyp[data-polyp=P01] text").hover()
    desk.wait_for_selector(".polyp.chosen[data-polyp=P01]")
    assert "chosen" in (desk.locator("tr[data-polyp=P01]").get_attribute("class") or "")
    row.locator("a").focus()
    assert chosen.get_attribute("data-polyp") == "P02"
    desk.mouse.move(0, 0)
    desk.keyboard.press("Enter")
    # Somebody took it off one of the four photos.
    desk.wait_for_selector("#strip .crops li >> nth=2")
    drawn.focus()
    assert "chosen" in (row.get_attribute("class") or "")
    finger = test_browser.watched(
        browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True)
    )
    finger.goto(lived_in + PLATE)
    finger.locator(".polyp[data-polyp=P01] text").tap()
    finger.wait_for_selector("#strip h3 >> text=P01")
    assert finger.locator(".polyp.chosen").get_attribute("data-polyp") == "P01"
    finger.locator("tr[data-polyp=P02] td").first.tap()
    assert finger.locator(".polyp.chosen").get_attribute("data-polyp") == "P02"
    assert desk.troubles == finger.troubles == []


def test_the_slider_goes_through_the_dates(browser: Any, lived_in: str) -> None:
    desk = test_browser.watched(browser.new_context())
    desk.goto(lived_in + PLATE)
    desk.locator(".slide input").fill("0")
    desk.wait_for_selector(".sheet figcaption >> text=1 Mar 2024")
    desk.locator(".slide input").press("End")
    desk.wait_for_selector(".sheet figcaption >> text=29 Mar 2024")
    desk.locator("#expected").scroll_into_view_if_needed()
    desk.wait_for_selector("#expected .expected")
    assert desk.troubles == []


def test_plates_that_are_worked_out_later_fill_in(
    browser: Any, lived_in: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("polypvision.web.app._OVERVIEW_S", -1.0)
    monkeypatch.setattr("polypvision.plates.view.PlateViews.listed", _only_headings)
    desk = test_browser.watched(browser.new_context())
    desk.goto(f"{lived_in}/plates")
    desk.wait_for_selector(".sheetlet .tiles")
    assert desk.locator("[data-later]").count() == 0
    assert desk.troubles == []


def _only_headings(views: Any, *_: Any, **more: Any) -> Any:
    from polypvision.plates.log import some_plates
    from polypvision.plates.view import Listed

    found, n_found = some_plates(views._logbook, "", more["start"], more["most"])
    return Listed(plates=tuple(found), n_found=n_found)


def test_a_photo_without_a_card_is_given_a_scale_by_two_points(
    phone: Any, served: tuple[int, Any], house: House
) -> None:
    test_browser.paired(phone, served)
    rgb = np.random.default_rng(5).integers(60, 90, (600, 800, 3)).astype(np.uint8)
    data = encoded(rgb, "JPEG", exif=exif("2024:03:30 12:00:00"))
    phone.set_input_files("#pick", [{"name": "bare.jpg", "mimeType": "image/jpeg", "buffer": data}])
    phone.get_by_role("link", name="Mark two points").click()
    phone.wait_for_selector(".two-points img")
    points = phone.locator(".point")
    points.nth(0).focus()
    phone.keyboard.press("ArrowLeft")
    phone.locator("input[name=mm]").fill("40")
    phone.locator("input[name=plate]").fill("tray 1")
    phone.get_by_role("button", name="Read it at this scale").click()
    phone.wait_for_selector(".answer >> text=Plate tray 1")
    (stored,) = stored_photos(house.book, "tray 1")
    assert stored.sha256 == sha256(data).hexdigest()
    # About half of 800 px, a little more after one step to the left.
    assert 0.08 < stored.settings["mm_per_px"] < 0.1
    assert phone.troubles == []
