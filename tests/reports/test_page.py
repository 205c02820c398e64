import re
from collections.abc import Sequence
from dataclasses import fields, is_dataclass, replace
from html.parser import HTMLParser
from importlib import resources
from typing import Any, get_args, get_type_hints

import jinja2
import jinja2.meta
import jinja2.nodes
import numpy as np
import pytest
from plate_series import photo, readings, series
from time_builders import make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.plan import PlateState, plate_state
from polypvision.reports import PlatePage, index_page, plate_link, plate_page, render_page
from polypvision.reports.page import IndexPage
from polypvision.reports.sayings import lost_since_last, number, with_error
from polypvision.track import PlateTracks, link_readings

TEMPLATES = resources.files("polypvision.reports") / "templates"


def _source(name: str) -> str:
    return (TEMPLATES / name).read_text(encoding="utf-8")


def _state(tracks: PlateTracks, log: Sequence[LogEntry] = (), line: str = "") -> PlateState:
    return plate_state(tracks, log, plate=tracks.plate or "", line=line, size_mm=20.0)


def _page(**more: Any) -> PlatePage:
    case = series(**more)
    rgb = photo(case.tracks.photos[-1].reading)
    return plate_page(_state(case.tracks, case.log, line="green hairy mushroom"), rgb=rgb)


def _words(html: str) -> str:
    """The text of a page as a person reads it, its pictures and style left out."""
    html = re.sub(r"<(style|svg)\b.*?</\1>", " ", html, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def _nested(kind: Any) -> set[Any]:
    """The dataclasses among the fields of a dataclass."""
    return {
        part
        for hint in get_type_hints(kind).values()
        for part in (hint, *get_args(hint))
        if is_dataclass(part)
    }


@pytest.mark.parametrize(("kind", "name"), [(PlatePage, "plate.html"), (IndexPage, "index.html")])
def test_page_and_dataclass_hold_together(kind: type, name: str) -> None:
    environment = jinja2.Environment(autoescape=True)
    trees = [environment.parse(_source(part)) for part in (name, "base.html")]
    used = set().union(*(jinja2.meta.find_undeclared_variables(tree) for tree in trees))
    for tree in trees:
        for node in tree.find_all(jinja2.nodes.FromImport):
            used -= set(node.names)
    assert used == {field.name for field in fields(kind)}
    # The same one level down: a field that nobody shows, or a show that nobody fills.
    macros = environment.parse(_source("parts.html"))
    read = {node.attr for tree in (*trees, macros) for node in tree.find_all(jinja2.nodes.Getattr)}
    inner = _nested(kind)
    declared = {field.name for one in inner for field in fields(one)}
    assert declared <= read
    if kind is PlatePage:
        assert read == declared


def test_the_page_tells_what_was_found() -> None:
    words = _words(render_page(_page()))
    assert "Plate 0042" in words
    assert "8 photos, 4 Mar 2031 to 29 Apr 2031" in words
    assert "Wound not closing P05" in words
    assert "P07 divided into P13 and P14" in words
    assert "P04 was lost; last seen on 15 Apr 2031." in words
    assert "Not found P04" in words
    assert "3 closed, 1 stalled" in words
    assert "through the mouth into two; 2 pieces; from the green one" in words
    assert "The camera looked at the plate from more than 35 degrees" in words


def test_the_tiles_count_and_alert() -> None:
    tiles = {tile.label: tile for tile in _page().tiles}
    assert tiles["living polyps"].value == "12"
    assert tiles["with two mouths"].value == "1"
    assert tiles["open wounds"].value == "1"
    assert (tiles["stalled or worsening"].value, tiles["stalled or worsening"].alert) == ("1", True)
    lost = tiles["lost since the photo before"]
    assert (lost.value, lost.note, lost.alert) == ("1", "P04", True)


def test_the_row_of_a_polyp() -> None:
    rows = {row.name: row for row in _page().polyps}
    assert "P04" not in rows
    assert "P07" not in rows
    stalled = rows["P05"]
    assert stalled.status == "stalled"
    assert stalled.wound == "23.8 ± 0.5"
    assert stalled.closure == "34 ± 1 %"
    assert stalled.flags == "touching, wound"
    assert rows["P01"].closure == "100 ± 1 %"
    assert rows["P13"].parents == "P07"
    assert rows["P13"].growth_note == "needs 3 dates"
    assert rows["P08"].diameter == "27.9 ± 0.2"
    assert rows["P08"].growth == "3.2 ± 0.1 %"
    assert rows["P10"].mouths == "2"
    assert rows["P10"].two_mouths == "95 %"


def test_a_sale_is_not_a_loss() -> None:
    last = readings()[-1]
    entry = LogEntry(plate="0042", at=last.taken_at, kind="sale", individual="P04")  # type: ignore[arg-type]
    tracks = link_readings(readings(), log=[entry])
    assert lost_since_last(tracks) == ()
    assert "P04 was sold" in " ".join(plate_page(_state(tracks, [entry])).gone)


def test_the_page_stands_alone() -> None:
    html = render_page(_page())

    class Links(HTMLParser):
        found: list[str]

        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            for name, value in attrs:
                if name in ("src", "href", "xlink:href", "srcset", "data", "action"):
                    self.found.append(value or "")
            assert tag not in ("script", "link", "iframe", "object")

    parser = Links()
    parser.found = []
    parser.feed(html)
    assert parser.found
    assert all(one.startswith(("data:image/jpeg;base64,", "#")) for one in parser.found)
    assert "url(http" not in html
    assert "@import" not in html
    identities = re.findall(r'\sid="([^"]+)"', html)
    assert len(identities) == len(set(identities))


def test_a_large_noisy_photo_still_makes_a_small_page() -> None:
    case = series()
    latest = case.tracks.photos[-1]
    scaled = tuple(
        replace(
            polyp,
            outline_px=polyp.outline_px * 4,
            x_px=polyp.x_px * 4,
            y_px=polyp.y_px * 4,
        )
        for polyp in latest.reading.polyps
    )
    big = replace(latest, reading=replace(latest.reading, polyps=scaled))
    rgb = np.repeat(np.repeat(photo(latest.reading, noise=40), 4, axis=0), 4, axis=1)
    page = plate_page(_state(replace(case.tracks, photos=(*case.tracks.photos[:-1], big))), rgb=rgb)
    assert len(render_page(page).encode()) <= 1_500_000


def test_what_a_person_wrote_is_text_and_nothing_more() -> None:
    html = render_page(_page(note="<script>alert('x')</script> & \"more\""))
    assert "<script" not in html
    assert "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt; &amp; &#34;more&#34;" in html


def test_the_same_page_gives_the_same_text() -> None:
    assert render_page(_page()) == render_page(_page())


def test_without_the_photo_the_page_says_so() -> None:
    case = series()
    html = render_page(plate_page(_state(case.tracks, case.log)))
    assert "<img" not in html
    assert "could not be opened" in html


def test_pages_of_little() -> None:
    nothing = render_page(plate_page(_state(link_readings([]))))
    assert "no photo yet" in nothing
    assert "Nothing was flagged" in nothing
    empty = make_reading(0, [])
    html = render_page(plate_page(_state(link_readings([empty])), rgb=photo(empty)))
    assert "No polyp is there." in html
    one = make_reading(0, [make_polyp(1, 50, 50)])
    html = render_page(plate_page(_state(link_readings([one])), rgb=photo(one)))
    assert "1 photo, 4 Mar 2031" in html
    assert "No wound was seen" in html


def test_unknown_figures_are_dashes() -> None:
    nan = float("nan")
    assert number(nan) == "–"
    assert with_error(3.14159, nan) == "3.1"
    assert with_error(nan, 1.0) == "–"
    assert number(-2.25, 1) == "−2.2"
    polyp = make_polyp(
        1, 50, 50, wound_mm2=nan, two_mouths_probability=nan, feret_max_mm=nan, diameter_mm_err=nan
    )
    reading = replace(make_reading(0, [polyp]), plate=None)
    html = render_page(plate_page(_state(link_readings([reading]))))
    assert "nan" not in _words(html).lower().replace("finance", "")
    assert "Plate without a name" in html


def test_the_list_of_plates_links_its_pages() -> None:
    case = series()
    links = [
        plate_link(case.tracks, case.courses, href="plate-0042.html", line="green <b>"),
        plate_link(link_readings([]), [], href="empty.html"),
    ]
    html = index_page(links)
    assert '<a href="plate-0042.html">Plate 0042</a>' in html
    assert "green &lt;b&gt;" in html
    assert "no photo yet" in html
    assert "No plate has been recorded yet." in index_page([])


def _luminance(code: str) -> float:
    channels = [int(code[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return float(np.dot((0.2126, 0.7152, 0.0722), linear))


def test_text_contrast_in_light_and_dark() -> None:
    # W3C, Web Content Accessibility Guidelines 2.1, level AA: 4.5 to 1 for text, 3 to 1 for marks.
    css = _source("base.html")
    blocks = re.findall(r":root \{(.*?)\}", css, flags=re.DOTALL)
    assert len(blocks) == 2
    light = dict(re.findall(r"--([a-z-]+): (#[0-9A-Fa-f]{6})", blocks[0]))
    dark = {**light, **dict(re.findall(r"--([a-z-]+): (#[0-9A-Fa-f]{6})", blocks[1]))}

    def ratio(a: str, b: str) -> float:
        high, low = sorted((_luminance(a), _luminance(b)), reverse=True)
        return (high + 0.05) / (low + 0.05)

    for scheme in (light, dark):
        for page in ("page", "sheet"):
            for ink in ("ink", "soft", "link"):
                assert ratio(scheme[ink], scheme[page]) >= 4.5
            for mark in ("two-mouths", "open-wound", "stuck"):
                assert ratio(scheme[mark], scheme[page]) >= 3
        assert ratio(scheme["alert-ink"], scheme["alert-page"]) >= 4.5
