"""Readings put right in a real browser: by keys, by touch, by two people, over a bad line."""

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
import shapely
import web_browser
import web_house
from web_browser import CHROMIUM, NAME
from web_house import House

from polypvision.corrections.geometry import circle
from polypvision.plates.correct import photo_as_it_holds
from polypvision.plates.show import stored_photos

house = web_house.house
served = web_browser.served

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
DESK_SIZE = {"viewport": {"width": 1440, "height": 900}}
PHONE_SIZE = {"viewport": {"width": 360, "height": 740}, "has_touch": True, "is_mobile": True}
SettledPage = Callable[..., Any]


@pytest.fixture
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as play:
        made = play.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", f"--host-resolver-rules=MAP {NAME} 127.0.0.1"],
        )
        yield made
        made.close()


@pytest.fixture
def opened(browser: Any, served: tuple[int, Any], house: House) -> SettledPage:
    """Open the latest photo's page for a person, at the desk or on a phone."""
    port, devices = served
    sha256 = stored_photos(house.book, "0042")[-1].sha256

    def open_page(name: str, *, phone: bool = False) -> Any:
        page = browser.new_context(**(PHONE_SIZE if phone else DESK_SIZE)).new_page()
        page.set_default_timeout(60_000)
        page.troubles = []
        page.on("pageerror", lambda error: page.troubles.append(str(error)))
        base = f"http://{NAME if phone else '127.0.0.1'}:{port}"
        if phone:
            page.goto(f"{base}/pair#{devices.new_code()}")
            page.wait_for_url(f"{base}/photos")
        page.goto(f"{base}/photos/{sha256}/correct")
        page.locator("input[name=name]").fill(name)
        page.keyboard.press("Enter")
        settle(page)
        return page

    return open_page


def settle(page: Any) -> None:
    page.wait_for_selector(".board[aria-busy=false] .polyp")


def sums(page: Any) -> list[str]:
    settle(page)
    return [page.inner_text(f"[data-sum={one}]") for one in ("polyps", "mouths", "two", "wound")]


def on_screen(page: Any, x: float, y: float) -> tuple[float, float]:
    """Where a pixel of the photo is in the window, once the photo is in sight."""
    found = page.evaluate(
        """([x, y]) => {
          const svg = document.querySelector(".board svg");
          svg.scrollIntoView({ block: "center", behavior: "instant" });
          const [seen, box] = [svg.viewBox.baseVal, svg.getBoundingClientRect()];
          return [box.left + (x - seen.x) * box.width / seen.width,
                  box.top + (y - seen.y) * box.height / seen.height];
        }""",
        [x, y],
    )
    return found[0], found[1]


def say_done(page: Any, words: str) -> None:
    page.wait_for_selector(f".said >> text={words}")
    settle(page)


def touch_line(page: Any, points: list[tuple[float, float]]) -> None:
    """Draw with one finger along places of the photo."""
    session = page.context.new_cdp_session(page)
    places = [on_screen(page, *point) for point in points]
    kinds = ["touchStart", *["touchMove"] * (len(places) - 1)]
    for kind, (x, y) in zip(kinds, places, strict=True):
        finger = {"x": x, "y": y, "id": 0}
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [finger]})
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def charts(page: Any) -> str:
    """The drawings of growth and wounds, whether they lie in the page or beside it."""
    page.wait_for_selector(".chart")
    return str(
        page.evaluate(
            """async () => {
              const all = (what) => [...document.querySelectorAll(what)];
              const drawn = all(".chart svg").map((one) => one.outerHTML);
              for (const one of all(".chart img")) {
                drawn.push(await (await fetch(one.src)).text());
              }
              return drawn.join();
            }"""
        )
    )


def test_a_missed_mouth_and_a_merged_pair_by_keys_alone(opened: SettledPage, house: House) -> None:
    page = opened("Ada")
    plate = page.context.new_page()
    plate.goto(page.url.partition("/photos")[0] + "/plates/0042")
    before = charts(plate)
    for _ in range(30):
        if page.evaluate("document.activeElement.classList.contains('board')"):
            break
        page.keyboard.press("Tab")
    else:
        raise AssertionError("the photo cannot be reached by the Tab key")

    def press(*keys: str) -> None:
        for key in keys:
            page.keyboard.press(key)

    press("n", "m", *["Shift+ArrowRight"] * 2, "Enter")
    say_done(page, "3 mouths")
    assert sums(page) == ["2", "3 was 2", "1 was 0", "0.0"]
    # What was one outline round two discs is parted: the pen goes down above and is lifted below.
    press("l", "n", "s", *["Shift+ArrowUp"] * 6, " ", *["Shift+ArrowDown"] * 12, " ")
    say_done(page, "3 polyps")
    assert sums(page)[0] == "3 was 2"
    press("Control+z")
    say_done(page, "2 polyps")
    press("Control+y")
    say_done(page, "3 polyps")
    press("w", "n", "Enter")
    page.wait_for_selector("[data-sum=wound] small")
    assert page.locator(".history li:not(.withdrawn)").count() == 3
    press("a")
    assert page.locator(".machine").get_attribute("visibility") == "visible"
    plate.reload()
    assert charts(plate) != before
    assert page.troubles == []
    found = photo_as_it_holds(house.book, stored_photos(house.book, "0042")[-1].sha256)
    assert {one.correction.author for one in found.corrected.standings} == {"Ada"}


def test_by_touch_on_a_phone(opened: SettledPage) -> None:
    page = opened("Bo <b>tray</b>", phone=True)
    page.tap("[data-kind=mouth]")
    page.touchscreen.tap(*on_screen(page, 140, 120))
    say_done(page, "3 mouths")
    page.tap("[data-kind=polyp]")
    page.tap("[data-tool=split]")
    touch_line(page, [(300, 55), (301, 90), (300, 120), (299, 150), (300, 190)])
    say_done(page, "3 polyps")
    # And made one again, which is what a pair read as two needs.
    page.tap("[data-tool=merge]")
    page.touchscreen.tap(*on_screen(page, 275, 120))
    page.touchscreen.tap(*on_screen(page, 325, 120))
    say_done(page, "2 polyps")
    page.tap("[data-tool=drawn]")
    touch_line(page, [(180, 230), (220, 235), (225, 265), (200, 285), (172, 260), (180, 232)])
    say_done(page, "3 polyps")
    page.tap("[data-tool=round]")
    page.touchscreen.tap(*on_screen(page, 60, 250))
    page.touchscreen.tap(*on_screen(page, 80, 250))
    say_done(page, "4 polyps")
    page.tap("[data-do=undo]")
    say_done(page, "3 polyps")
    page.tap("[data-kind=who]")
    page.touchscreen.tap(*on_screen(page, 120, 150))
    page.fill("[data-form=name] input", "Rust 7")
    page.tap("[data-form=name] button")
    page.wait_for_selector("#chosen-h >> text=Rust 7")
    assert page.inner_text(".history .who >> nth=0") == "Bo <b>tray</b>"
    small = page.evaluate(
        """[...document.querySelectorAll(".right button, .right select, .right summary")]
          .map((one) => one.getBoundingClientRect())
          .filter((box) => box.width && (box.width < 44 || box.height < 44)).length"""
    )
    assert small == 0
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    assert page.troubles == []


def test_two_fingers_come_nearer_and_move_nothing(opened: SettledPage) -> None:
    page = opened("Ada", phone=True)
    page.tap("[data-kind=polyp]")
    page.tap("[data-tool=drawn]")
    wide = page.evaluate("document.querySelector('.board svg').viewBox.baseVal.width")
    session = page.context.new_cdp_session(page)
    x, y = on_screen(page, 210, 150)
    for kind, apart in (("touchStart", 20), ("touchMove", 40), ("touchMove", 80)):
        fingers = [{"x": x - apart, "y": y, "id": 0}, {"x": x + apart, "y": y, "id": 1}]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": fingers})
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    now = page.evaluate("document.querySelector('.board svg').viewBox.baseVal.width")
    assert now == pytest.approx(wide / 4, rel=0.05)
    assert page.locator(".trail *").count() == 0
    assert sums(page)[0] == "2"


def test_the_later_of_two_people_is_told(opened: SettledPage) -> None:
    ada, bo = opened("Ada"), opened("Bo", phone=True)
    ada.mouse.click(*on_screen(ada, 120, 150))
    ada.click("[data-kind=polyp]")
    ada.click("[data-do=delete-polyp]")
    say_done(ada, "1 polyp,")
    bo.tap("[data-kind=mouth]")
    bo.touchscreen.tap(*on_screen(bo, 325, 120))
    bo.wait_for_selector(".told >> text=Ada deleted polyp no. 1")
    assert sums(bo)[:2] == ["1 was 2", "2"]
    assert bo.locator(".history li").count() == 2


def test_a_lost_connection_loses_no_correction(opened: SettledPage) -> None:
    page = opened("Ada")
    page.route("**/corrections", lambda route: route.abort())
    page.click("[data-kind=mouth]")
    page.mouse.click(*on_screen(page, 325, 120))
    again = page.locator(".told >> text=Send it again")
    again.wait_for()
    assert sums(page)[1] == "2"
    page.unroute("**/corrections")
    again.click()
    say_done(page, "3 mouths")
    assert page.locator(".history li").count() == 1
    page.route("**/corrections", lambda route: route.abort())
    page.click("[data-do=undo]")
    page.locator(".told >> text=Drop it").click()
    page.unroute("**/corrections")
    page.wait_for_selector("[data-do=undo]:not([disabled])")
    settle(page)
    page.click("[data-do=undo]")
    say_done(page, "2 mouths")


@pytest.mark.parametrize("phone", [False, True])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_shuts_nobody_out(opened: SettledPage, phone: bool, scheme: str) -> None:
    """Of axe-core's rules, WCAG 2.2 A and AA among them, none of serious impact is broken."""
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    )
    page = opened("Ada", phone=phone)
    page.emulate_media(color_scheme=scheme)
    page.locator(".every summary").click()
    page.locator(".every tbody button").first.click()
    page.click("[data-kind=polyp]")
    page.click("[data-do=delete-polyp]")
    say_done(page, "1 polyp,")
    page.locator(".every tbody button").first.click()
    for kind in ("look", "mouth", "polyp", "wound", "who"):
        page.click(f"[data-kind={kind}]")
        serious = [
            (one["id"], [node["target"] for node in one["nodes"]])
            for one in axe.Axe().run(page).response["violations"]
            if one["impact"] in ("serious", "critical")
        ]
        assert serious == [], kind


def shaped(page: Any, what: str, *values: Any) -> Any:
    """Call one of the page's own functions on shapes."""
    call = "async ([what, values]) => (await import('/static/correct/shapes.js'))[what](...values)"
    return page.evaluate(call, [what, list(values)])


def test_shapes_against_a_geometry_library(opened: SettledPage) -> None:
    """shapely (GEOS) is the reference; its `simplify` is Douglas and Peucker's, too."""
    page = opened("Ada")
    rng = np.random.default_rng(0)
    line = np.cumsum(rng.normal(0, 3, (200, 2)), axis=0)
    for within in (0.5, 2.0, 8.0):
        ours = shaped(page, "thinned", line.tolist(), within)
        theirs = shapely.LineString(line).simplify(within, preserve_topology=False)
        assert np.allclose(ours, np.asarray(theirs.coords))
    disc = circle(np.array([100.0, 100.0]), 50.0, 200)
    assert shaped(page, "size", disc.tolist()) == pytest.approx(shapely.Polygon(disc).area)
    for place in rng.uniform(30, 170, (40, 2)):
        within_disc = shapely.Polygon(disc).contains(shapely.Point(place))
        assert shaped(page, "inside", place.tolist(), disc.tolist()) == within_disc


@pytest.mark.parametrize("turn", [0.0, 2.0, 4.0])
def test_a_margin_drawn_anew_joins_the_old_one(opened: SettledPage, turn: float) -> None:
    """A bulge and a bite: the outline is that of the union, or of the difference."""
    page = opened("Ada")
    disc = circle(np.array([100.0, 100.0]), 50.0, 40)
    at = np.array([100 + 50 * np.cos(turn), 100 + 50 * np.sin(turn)])
    small = shapely.Point(at).buffer(20)
    whole = shapely.Polygon(disc)
    for outside, expected in ((True, whole.union(small)), (False, whole.difference(small))):
        side = small.exterior.difference(whole) if outside else small.exterior.intersection(whole)
        line = shapely.line_merge(side)
        found = shaped(page, "withMargin", disc.tolist(), shapely.get_coordinates(line).tolist())
        shape = shapely.Polygon(found)
        assert shape.is_valid
        assert shape.symmetric_difference(expected).area < 0.01 * whole.area
    # Drawn once round, and a little past where it began, it is the whole outline.
    past = [*circle(np.array([90.0, 95.0]), 40.0, 60).tolist(), [131.0, 97.0], [127.0, 101.0]]
    found = shapely.Polygon(shaped(page, "withMargin", disc.tolist(), past))
    assert found.is_valid
    assert found.area == pytest.approx(np.pi * 40**2, rel=0.02)
