"""The drawn card, read back: markers by OpenCV, sizes from the files, the bar from its pixels."""

import re
from io import BytesIO
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from polypvision.card.code import CARD_NAMES, CardName, marker_ids
from polypvision.card.dictionary import DICTIONARY
from polypvision.card.draw import (
    card_pixels,
    draw_pdf,
    draw_png,
    draw_svg,
    sheets,
    single_page,
)
from polypvision.card.layout import card_layout

PX_PER_MM = 300 / 25.4
"""300 dots per inch."""


def png(code: int, name: CardName, dpi: float = 300.0) -> NDArray[np.uint8]:
    data = draw_png(single_page(code, name), dpi=dpi)
    return np.asarray(Image.open(BytesIO(data)).convert("L"))


def detect(grey: NDArray[np.uint8]) -> dict[int, NDArray[np.float64]]:
    """Marker number to its corners (4, 2), clockwise from the top left."""
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector: Any = cv2.aruco.ArucoDetector(DICTIONARY, settings)
    corners, ids, _ = detector.detectMarkers(grey)
    return {
        int(number): np.asarray(four, dtype=np.float64).reshape(4, 2)
        for number, four in zip(np.ravel(ids), corners, strict=True)
    }


def run_edges(line: NDArray[np.uint8]) -> tuple[float, float]:
    """Outer edges of the first and last dark stroke of a line of pixels, in pixel fractions."""
    ink = 1.0 - line / 255.0
    dark = np.flatnonzero(ink > 0.5)
    first, last = int(dark[0]), int(dark[-1])
    # A half-inked pixel outside a full one belongs to the stroke by its share.
    left = first - (ink[first - 1] if ink[first] > 0.99 else ink[first] - 1)
    right = last + 1 + (ink[last + 1] if ink[last] > 0.99 else ink[last] - 1)
    return float(left), float(right)


@pytest.mark.parametrize("name", CARD_NAMES, ids=str)
class TestEveryCard:
    @pytest.mark.parametrize("code", [1, 4242, 9999])
    def test_opencv_reads_every_marker_in_its_place(self, name: CardName, code: int) -> None:
        found = detect(png(code, name))
        expected = marker_ids(code, name)
        assert sorted(found) == sorted(expected)
        for number, box in zip(expected, card_layout(name.kind).markers, strict=True):
            # Pixel centres are integers, so an edge at x mm lies at x px_per_mm - 0.5.
            corners = box.corners_xy * PX_PER_MM - 0.5
            assert np.abs(found[number] - corners).max() < 0.75

    def test_bar_is_as_long_as_stated(self, name: CardName) -> None:
        layout = card_layout(name.kind)
        page = png(7, name, dpi=600)
        per_mm = 600 / 25.4
        # A line through the end strokes, above all ticks and the baseline.
        y = (layout.bar.y + 0.06 * layout.bar.height) * per_mm
        x0 = int((layout.bar.x - 2) * per_mm)
        x1 = int((layout.bar.x + layout.bar.width + 2) * per_mm)
        left, right = run_edges(page[round(y), x0:x1])
        # Half a pixel, as pixels are what is measured.
        assert right - left == pytest.approx(layout.bar_mm * per_mm, abs=0.5)

    def test_patches_have_their_codes(self, name: CardName) -> None:
        page = png(7, name)
        for patch in card_layout(name.kind).patches:
            box = patch.box.inset(1.0)
            y, x = int(box.y * PX_PER_MM), int(box.x * PX_PER_MM)
            inside = page[y : y + int(box.height * PX_PER_MM), x : x + int(box.width * PX_PER_MM)]
            assert inside.min() == inside.max() == patch.srgb

    def test_same_bytes_twice(self, name: CardName) -> None:
        page = single_page(12, name)
        assert draw_png(page) == draw_png(page)
        assert draw_svg(page) == draw_svg(page)
        assert draw_pdf([page]) == draw_pdf([page])

    def test_png_states_its_resolution(self, name: CardName) -> None:
        image = Image.open(BytesIO(draw_png(single_page(12, name), dpi=254)))
        # PNG stores whole dots per metre.
        assert image.info["dpi"][0] == pytest.approx(254, abs=0.02)
        size = card_layout(name.kind).size_mm
        assert image.size == pytest.approx((10 * size[0], 10 * size[1]), abs=1)


def test_pdf_pages_have_the_papers_true_size() -> None:
    # ISO 216 and ISO/IEC 7810 sizes; a PDF unit is 1/72 inch (ISO 32000-1).
    pages = [single_page(5, CardName(kind)) for kind in ("small", "a5", "a4")]
    boxes = re.findall(rb"/MediaBox \[ ([^\]]*) \]", draw_pdf(pages))
    sizes_mm = np.array([[float(word) for word in box.split()] for box in boxes]) / 72 * 25.4
    expected = np.array([[0, 0, 85.60, 53.98], [0, 0, 148, 210], [0, 0, 210, 297]])
    assert np.abs(sizes_mm - expected).max() < 1e-6


@pytest.mark.parametrize("name", [CardName("small"), CardName("a5")], ids=str)
def test_svg_has_its_true_size(name: CardName) -> None:
    head = draw_svg(single_page(5, name))[:1000].decode()
    found = re.search(r'width="([\d.]+)pt" height="([\d.]+)pt" viewBox="0 0 ([\d.]+)', head)
    assert found is not None
    width, height, box = (float(number) / 72 * 25.4 for number in found.groups())
    assert (width, height) == pytest.approx(card_layout(name.kind).size_mm, abs=1e-5)
    assert box == pytest.approx(width)


def test_a_sheet_holds_cards_apart_and_in_order() -> None:
    cards = [(code, CardName("small")) for code in range(1, 12)]
    pages = sheets(cards)
    assert [place.code for page in pages for place in page.cards] == list(range(1, 12))
    assert {page.size_mm for page in pages} == {(210.0, 297.0)}
    width, height = card_layout("small").size_mm
    for page in pages:
        for place in page.cards:
            assert 0 <= place.x <= 210 - width
            assert 0 <= place.y <= 297 - height
        spots = [(place.x, place.y) for place in page.cards]
        assert len(set(spots)) == len(spots)
        assert all(
            abs(a[0] - b[0]) >= width or abs(a[1] - b[1]) >= height
            for a in spots
            for b in spots
            if a != b
        )


def test_a_sheet_reads_as_its_cards() -> None:
    [page] = sheets([(21, CardName("small")), (22, CardName("small", 1))])
    found = detect(np.asarray(Image.open(BytesIO(draw_png(page))).convert("L")))
    expected = marker_ids(21, CardName("small")) + marker_ids(22, CardName("small", 1))
    assert sorted(found) == sorted(expected)


def test_frames_get_pages_of_their_own_among_small_cards() -> None:
    kinds = [CardName("small"), CardName("a4"), CardName("small"), CardName("a5")]
    pages = sheets([(3, name) for name in kinds])
    assert [page.cards[0].name.kind for page in pages] == ["small", "a4", "small", "a5"]


def test_card_pixels_cover_the_page() -> None:
    pixels = card_pixels(single_page(5, CardName("small")), 8.0)
    assert pixels.dtype == np.uint8
    assert pixels.shape == pytest.approx((53.98 * 8, 85.60 * 8), abs=1.0)
    assert sorted(detect(pixels)) == sorted(marker_ids(5, CardName("small")))
