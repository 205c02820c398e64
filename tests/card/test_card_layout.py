"""Everything on a card lies on it and apart; sizes are the standards'."""

from itertools import combinations

import pytest

from polypvision.card.layout import CARD_KINDS, Box, CardKind, CardLayout, card_layout


@pytest.mark.parametrize(
    ("kind", "size"),
    [
        # ISO/IEC 7810:2019, ID-1: 85.60 mm x 53.98 mm.
        ("small", (85.60, 53.98)),
        # ISO 216:2007: A5 148 mm x 210 mm, A4 210 mm x 297 mm.
        ("a5", (148.0, 210.0)),
        ("a4", (210.0, 297.0)),
    ],
)
def test_sizes_are_the_standards(kind: CardKind, size: tuple[float, float]) -> None:
    assert card_layout(kind).size_mm == size


def test_id1_derived_figures() -> None:
    # Exact from 85.60 x 53.98: diagonal, aspect.
    width, height = card_layout("small").size_mm
    assert (width**2 + height**2) ** 0.5 == pytest.approx(101.1988, abs=5e-5)
    assert width / height == pytest.approx(1.585773, abs=5e-7)


def apart(one: Box, other: Box, gap: float) -> bool:
    slack = 1e-9
    return (
        one.x + one.width + gap <= other.x + slack
        or other.x + other.width + gap <= one.x + slack
        or one.y + one.height + gap <= other.y + slack
        or other.y + other.height + gap <= one.y + slack
    )


def things(layout: CardLayout) -> list[Box]:
    boxes = [*layout.markers, layout.bar, *layout.texts.values()]
    boxes += [patch.box for patch in layout.patches]
    return boxes if layout.window is None else [*boxes, layout.window]


@pytest.mark.parametrize("kind", CARD_KINDS)
class TestLayout:
    def test_all_lies_on_the_card(self, kind: CardKind) -> None:
        layout = card_layout(kind)
        for box in things(layout):
            assert box.x >= 0
            assert box.y >= 0
            assert box.x + box.width <= layout.size_mm[0]
            assert box.y + box.height <= layout.size_mm[1]

    def test_markers_keep_their_white_margin(self, kind: CardKind) -> None:
        layout = card_layout(kind)
        # A marker's own modules are a tenth to an eighth of it; the margin must be one at least.
        assert layout.quiet_mm >= layout.markers[0].width / 8
        others = [box for box in things(layout) if box not in layout.markers]
        for marker in layout.markers:
            assert all(apart(marker, box, layout.quiet_mm) for box in others)
        for one, other in combinations(layout.markers, 2):
            assert apart(one, other, 2 * layout.quiet_mm)

    def test_nothing_else_overlaps(self, kind: CardKind) -> None:
        for one, other in combinations(things(card_layout(kind)), 2):
            assert apart(one, other, 0.0)

    def test_patches_are_white_grey_and_black(self, kind: CardKind) -> None:
        codes = [patch.srgb for patch in card_layout(kind).patches]
        # L* = 50 is linear ((50 + 16)/116)^3 = 0.184187 (CIE); the nearest 8-bit sRGB code is 119.
        assert codes[:3] == [255, 119, 0]
        assert set(codes) == {255, 119, 0}

    def test_markers_surround_the_plate(self, kind: CardKind) -> None:
        layout = card_layout(kind)
        inner = layout.window or Box(
            x=layout.size_mm[0] / 2, y=layout.size_mm[1] / 2, width=0.0, height=0.0
        )
        assert any(box.y + box.height <= inner.y for box in layout.markers)
        assert any(box.y >= inner.y + inner.height for box in layout.markers)
        assert any(box.x + box.width <= inner.x for box in layout.markers)
        assert any(box.x >= inner.x + inner.width for box in layout.markers)


def test_unknown_kind() -> None:
    with pytest.raises(ValueError, match="no card of kind 'a3'; choose from small, a5, a4"):
        card_layout("a3")
