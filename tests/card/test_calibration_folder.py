"""The ready-made cards and their table agree with what the program knows of them."""

import re
from pathlib import Path

import pytest

from polypvision.card.code import CardName
from polypvision.card.draw import board_page, sheets
from polypvision.card.layout import CARD_KINDS, CardKind, card_layout

FOLDER = Path(__file__).parents[2] / "calibration"
TEXT = (FOLDER / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "pages"),
    [
        ("small-cards-0001-0008.pdf", sheets([(c, CardName("small")) for c in range(1, 9)])),
        ("frame-a5-0001.pdf", sheets([(1, CardName("a5"))])),
        ("lens-board.pdf", [board_page()]),
        ("frame-a4-0001.pdf", sheets([(1, CardName("a4"))])),
    ],
)
def test_pdf_is_a_page_of_true_size(name: str, pages: list[object]) -> None:
    boxes = re.findall(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", (FOLDER / name).read_bytes())
    sizes = [tuple(float(side) / 72 * 25.4 for side in box) for box in boxes]
    assert len(sizes) == len(pages) == 1
    # ISO 216.
    expected = (148, 210) if "a5" in name else (210, 297)
    assert sizes[0] == pytest.approx(expected, abs=1e-5)


def test_every_file_is_in_the_table() -> None:
    assert {path.name for path in FOLDER.glob("*.pdf")} == set(re.findall(r"`([\w-]+\.pdf)`", TEXT))


@pytest.mark.parametrize("kind", CARD_KINDS)
def test_dimensions_table(kind: CardKind) -> None:
    layout = card_layout(kind)
    column = 1 + CARD_KINDS.index(kind)

    def cell(row: str) -> str:
        [line] = [line for line in TEXT.splitlines() if line.startswith(f"| {row}")]
        return line.split("|")[1 + column]

    width, height = layout.size_mm
    size = f"{width:.2f} x {height:.2f}" if kind == "small" else f"{width:.0f} x {height:.0f}"
    assert size in cell("size, mm")
    assert f"{len(layout.markers)}, side {layout.markers[0].width:g} mm" in cell("markers")
    assert f"{layout.bar_mm:g} mm" in cell("bar")
    window = layout.window
    assert (f"{window.width:g} x {window.height:g}" if window else "-") in cell("window")
