import re
from dataclasses import replace
from datetime import timedelta
from io import BytesIO
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.lines import Line2D
from matplotlib.text import Text
from PIL import Image
from plate_series import series
from time_builders import grid, make_polyp, make_reading

from polypvision.growth import growth_of
from polypvision.healing import wound_courses
from polypvision.reports import growth_chart, png, svg, wound_chart
from polypvision.reports.drawing import INK, inline_svg
from polypvision.reports.looks import LOOKS, state_of
from polypvision.track import PlateTracks, link_readings

SVG = "{http://www.w3.org/2000/svg}"


def _texts(markup: str) -> list[str]:
    return [
        "".join(node.itertext()).strip()
        for node in ElementTree.fromstring(markup).iter(f"{SVG}text")
    ]


def _heights(line: Line2D) -> list[float]:
    return [float(y) for y in np.asarray(line.get_ydata(), dtype=np.float64)]


def _both(tracks: PlateTracks) -> list[str]:
    courses = wound_courses(tracks)
    charts = growth_chart(tracks, growth_of(tracks, courses), courses), wound_chart(tracks, courses)
    return [inline_svg(chart, name=f"c{n}", description="") for n, chart in enumerate(charts)]


def test_the_growth_chart_names_every_polyp_and_counts_them() -> None:
    case = series()
    chart = growth_chart(case.tracks, case.growth, case.courses, case.log)
    texts = _texts(inline_svg(chart, name="g", description=""))
    for words in ("P01", "P05 stalled", "P10 two mouths", "P07 divided", "P04 lost", "cut"):
        assert words in texts
    assert texts.count("12") >= 4
    assert "4 Mar" in texts
    assert "2031" in texts


def test_the_wound_chart_shows_the_wounded_only() -> None:
    case = series()
    texts = _texts(inline_svg(wound_chart(case.tracks, case.courses), name="w", description=""))
    assert [one for one in texts if one.startswith("P")] == ["P05 stalled", "P03", "P02", "P01"]


def test_a_wound_of_a_lost_polyp_ends_where_it_was_last_seen() -> None:
    left, right = make_polyp(1, 40, 50, wound_mm2=40), make_polyp(2, 80, 50, wound_mm2=30)
    readings = [make_reading(0, [left, right]), make_reading(7, [left, right])]
    tracks = link_readings([*readings, make_reading(14, [right])])
    texts = _texts(_both(tracks)[1])
    assert "P01 lost" in texts
    assert "P02" in texts


def test_a_cut_long_after_the_photos_leaves_them_their_room() -> None:
    case = series()
    last = case.tracks.photos[-1].taken_at
    for days, n in ((5, 1), (900, 0), (-900, 0)):
        cut = replace(case.log[0], at=last + timedelta(days=days))
        plain = wound_chart(case.tracks, case.courses).axes[0]
        drawn = wound_chart(case.tracks, case.courses, [cut]).axes[0]
        assert len(drawn.lines) == len(plain.lines) + n
        if not n:
            assert drawn.get_xlim() == plain.get_xlim()


def test_cuts_of_one_day_are_one_line() -> None:
    case = series()
    cuts = [replace(case.log[0], at=case.log[0].at + timedelta(minutes=m)) for m in (0, 20, 50)]
    once = wound_chart(case.tracks, case.courses, cuts[:1]).axes[0]
    assert len(wound_chart(case.tracks, case.courses, cuts).axes[0].lines) == len(once.lines)


def test_values_drawn_are_those_of_the_courses() -> None:
    case = series()
    lines = [_heights(line) for line in wound_chart(case.tracks, case.courses).axes[0].lines]
    drawn = [heights for heights in lines if len(heights) == 8]
    wounded = [course for course in case.courses if course.status != "no wound"]
    assert len(drawn) == len(wounded)
    for heights, course in zip(drawn, wounded, strict=True):
        assert heights == pytest.approx([point.closure_percent for point in course.points])
    top, _, low = growth_chart(case.tracks, case.growth, case.courses).axes
    assert _heights(top.lines[0]) == pytest.approx(case.growth.individuals[0].diameter_mm)
    assert _heights(low.lines[0]) == pytest.approx([one.area_mm2 for one in case.growth.photos])


def test_the_same_chart_gives_the_same_bytes() -> None:
    case = series()
    for draw in (png, svg):
        first = draw(growth_chart(case.tracks, case.growth, case.courses, case.log))
        assert draw(growth_chart(case.tracks, case.growth, case.courses, case.log)) == first
    figure = wound_chart(case.tracks, case.courses)
    assert svg(figure) == svg(figure)
    assert png(figure) == png(figure)


def test_png_is_white_and_svg_is_whole() -> None:
    case = series()
    figure = wound_chart(case.tracks, case.courses)
    image = Image.open(BytesIO(png(figure, dpi=100))).convert("RGB")
    assert image.getpixel((1, 1)) == (255, 255, 255)
    assert image.width == 360
    text = svg(figure).decode()
    assert ElementTree.fromstring(text).tag == f"{SVG}svg"
    assert not re.search(r"<dc:date>|Matplotlib v", text)


def test_an_inline_chart_takes_the_ink_of_its_page() -> None:
    case = series()
    text = inline_svg(
        growth_chart(case.tracks, case.growth), name="g", description='Growth of "0042" & more'
    )
    assert INK not in text
    assert "currentColor" in text
    root = ElementTree.fromstring(text)
    assert root.get("aria-label") == 'Growth of "0042" & more'
    assert root.get("width") is None
    assert root.get("viewBox")
    assert not re.search(r"<g id=", text)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_few_photos_and_few_polyps(n: int) -> None:
    polyps = [make_polyp(k + 1, 40 + 40 * k, 50, wound_mm2=20 * k) for k in range(n)]
    for photos in range(3):
        tracks = link_readings([make_reading(7 * day, polyps) for day in range(photos)])
        for text in _both(tracks):
            assert text.startswith("<svg")


def test_a_plate_without_a_wound_says_so() -> None:
    tracks = link_readings([make_reading(0, [make_polyp(1, 50, 50)])])
    assert "no wound was seen" in _texts(_both(tracks)[1])


def test_three_hundred_polyps_name_those_that_stand_out_and_some() -> None:
    places = grid(20, 15, 20.0)
    readings = [
        make_reading(
            day,
            [
                make_polyp(
                    n + 1,
                    x,
                    y,
                    10 + n / 60,
                    flags=("two-mouths",) if n == 77 else (),
                    n_mouths=2 if n == 77 else 1,
                )
                for n, (x, y) in enumerate(places)
            ],
        )
        for day in (0, 7)
    ]
    names = [one for one in _texts(_both(link_readings(readings))[0]) if one.startswith("P")]
    assert "P78 two mouths" in names
    assert 3 <= len(names) <= 24


def test_names_at_the_ends_do_not_overlap() -> None:
    # Sixteen polyps of nearly the same size.
    polyps = [make_polyp(n + 1, x, y, 20 + n / 50) for n, (x, y) in enumerate(grid(4, 4, 40.0))]
    tracks = link_readings([make_reading(0, polyps), make_reading(9, polyps)])
    figure = growth_chart(tracks, growth_of(tracks))
    png(figure, dpi=int(figure.dpi))
    boxes = [Text.get_window_extent(text) for text in figure.axes[0].texts]
    boxes.sort(key=lambda box: box.y0)
    assert len(boxes) == 16
    for below, above in pairwise(boxes):
        assert above.y0 >= below.y1 - 1
    assert max(box.x1 for box in boxes) <= figure.bbox.x1


def _luminance(code: str) -> float:
    channels = [int(code[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return float(np.dot((0.2126, 0.7152, 0.0722), linear))


def test_every_line_stands_out_on_light_and_dark_and_differs_by_more_than_colour() -> None:
    # W3C, Web Content Accessibility Guidelines 2.1, success criterion 1.4.11: 3 to 1.
    for look in LOOKS.values():
        for page in ("#ffffff", "#fbfaf7", "#15181c"):
            high, low = sorted((_luminance(look.line), _luminance(page)), reverse=True)
            assert (high + 0.05) / (low + 0.05) >= 3
    assert len({look.marker for look in LOOKS.values()}) == len(LOOKS)


def test_the_most_urgent_state_is_shown() -> None:
    case = series()
    by_name = {course.name: course for course in case.courses}
    states = {one.name: state_of(one, by_name) for one in case.tracks.individuals}
    assert states["P05"] == "stalled"
    assert states["P10"] == "two mouths"
    assert states["P01"] == states["P14"] == "calm"
