"""Colour against the standards' formulas and published pairs."""

from typing import ClassVar

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage import color

from polypvision.calibrate.photo import view_from_card
from polypvision.calibrate.srgb import LINEAR_OF_CODE, multiplied, to_codes, to_linear
from polypvision.card.code import CardName
from polypvision.card.draw import card_pixels, single_page
from polypvision.card.layout import GREY, card_layout


class TestTransfer:
    """IEC 61966-2-1:1999: c/12.92 up to 0.04045, else ((c + 0.055)/1.055)^2.4."""

    @pytest.mark.parametrize(
        ("code", "linear"),
        [
            (0, 0.0),
            (10, 0.003035269835),
            (11, 0.003346535764),
            (64, 0.051269458),
            (118, 0.181164244),
            (119, 0.184474995),
            (128, 0.215860500),
            (186, 0.491020850),
            (188, 0.502886458),
            (200, 0.577580440),
            (255, 1.0),
        ],
    )
    def test_codes_to_light(self, code: int, linear: float) -> None:
        # Stored in 32 bits: seven digits.
        assert to_linear(np.array([code], np.uint8))[0] == pytest.approx(linear, rel=1e-7, abs=1e-9)

    def test_light_to_codes(self) -> None:
        # By the formula 0.18 is 117.6458 and 0.5 is 187.5160.
        assert to_codes(np.array([0.0, 0.18, 0.5, 1.0])).tolist() == [0, 118, 188, 255]

    def test_there_and_back(self) -> None:
        every = np.arange(256, dtype=np.uint8)
        assert (to_codes(to_linear(every)) == every).all()

    def test_beyond_the_ends_is_clipped(self) -> None:
        assert to_codes(np.array([-0.5, 7.0])).tolist() == [0, 255]

    @pytest.mark.parametrize("gain", [0.1, 0.8, 1.0, 1.7, 12.0])
    def test_light_is_multiplied(self, gain: float) -> None:
        every = np.arange(256, dtype=np.uint8).reshape(16, 16, 1).repeat(3, axis=2)
        gains = np.full(every.shape, gain, np.float32)
        codes = multiplied(every, gains)
        c = every / 255
        light = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) * gain
        back = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        assert np.abs(codes - 255 * np.minimum(back, 1)).max() < 0.6


def test_the_grey_patch_is_half_way_in_lightness() -> None:
    # CIE: L* = 50 is Y = ((50 + 16)/116)^3 = 0.184187; the nearest 8-bit code is 119.
    target = ((50 + 16) / 116) ** 3
    assert target == pytest.approx(0.184187, abs=5e-7)
    assert int(np.abs(LINEAR_OF_CODE - target).argmin()) == GREY == 119
    patch = np.full((1, 1, 3), GREY, dtype=np.uint8)
    assert color.rgb2lab(patch)[0, 0, 0] == pytest.approx(50.034, abs=5e-4)


def test_lab_of_red() -> None:
    # The two common libraries differ by 0.021 through rounded constants (white point), so 0.03.
    red = color.rgb2lab(np.array([[[255, 0, 0]]], dtype=np.uint8))[0, 0]
    assert red == pytest.approx([53.2329, 80.1112, 67.2237], abs=0.03)


# Sharma G, Wu W, Dalal EN 2005, The CIEDE2000 color-difference formula, Color Res Appl
# 30(1):21-30, Table 1: all 34 pairs, L a b of the one, of the other, and the difference.
SHARMA = """
50 2.6772 -79.7751 | 50 0 -82.7485 | 2.0425
50 3.1571 -77.2803 | 50 0 -82.7485 | 2.8615
50 2.8361 -74.0200 | 50 0 -82.7485 | 3.4412
50 -1.3802 -84.2814 | 50 0 -82.7485 | 1.0000
50 -1.1848 -84.8006 | 50 0 -82.7485 | 1.0000
50 -0.9009 -85.5211 | 50 0 -82.7485 | 1.0000
50 0 0 | 50 -1 2 | 2.3669
50 -1 2 | 50 0 0 | 2.3669
50 2.49 -0.001 | 50 -2.49 0.0009 | 7.1792
50 2.49 -0.001 | 50 -2.49 0.0010 | 7.1792
50 2.49 -0.001 | 50 -2.49 0.0011 | 7.2195
50 2.49 -0.001 | 50 -2.49 0.0012 | 7.2195
50 -0.001 2.49 | 50 0.0009 -2.49 | 4.8045
50 -0.001 2.49 | 50 0.0010 -2.49 | 4.8045
50 -0.001 2.49 | 50 0.0011 -2.49 | 4.7461
50 2.5 0 | 50 0 -2.5 | 4.3065
50 2.5 0 | 73 25 -18 | 27.1492
50 2.5 0 | 61 -5 29 | 22.8977
50 2.5 0 | 56 -27 -3 | 31.9030
50 2.5 0 | 58 24 15 | 19.4535
50 2.5 0 | 50 3.1736 0.5854 | 1.0000
50 2.5 0 | 50 3.2972 0 | 1.0000
50 2.5 0 | 50 1.8634 0.5757 | 1.0000
50 2.5 0 | 50 3.2592 0.3350 | 1.0000
60.2574 -34.0099 36.2677 | 60.4626 -34.1751 39.4387 | 1.2644
63.0109 -31.0961 -5.8663 | 62.8187 -29.7946 -4.0864 | 1.2630
61.2901 3.7196 -5.3901 | 61.4292 2.2480 -4.9620 | 1.8731
35.0831 -44.1164 3.7933 | 35.0232 -40.0716 1.5901 | 1.8645
22.7233 20.0904 -46.6940 | 23.0331 14.9730 -42.5619 | 2.0373
36.4612 47.8580 18.3852 | 36.2715 50.5065 21.2231 | 1.4146
90.8027 -2.0831 1.4410 | 91.1528 -1.6435 0.0447 | 1.4441
90.9257 -0.5406 -0.9208 | 88.6381 -0.8985 -0.7239 | 1.5381
6.7747 -0.2908 -2.4247 | 5.8714 -0.0985 -2.2286 | 0.6377
2.0776 0.0795 -1.1350 | 0.9033 -0.0636 -0.5514 | 0.9082
"""


def test_the_yardstick_of_colour_difference() -> None:
    rows = [
        [np.array(part.split(), dtype=np.float64) for part in line.split("|")]
        for line in SHARMA.strip().splitlines()
    ]
    assert len(rows) == 34
    one, other = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
    published = np.array([row[2][0] for row in rows])
    # The table is rounded to four places.
    assert np.abs(color.deltaE_ciede2000(one, other) - published).max() < 5e-5
    assert np.abs(color.deltaE_ciede2000(other, one) - published).max() < 5e-5


class TestBalance:
    """A card on a plate all of one green, in three lights. The neutral patches must win.

    The mean of such a picture is green, so balancing by it (grey world: Buchsbaum G 1980,
    J Franklin Inst 310:1-26, from memory) takes colour away from the green.
    """

    GREEN = (70, 140, 60)
    LIGHTS: ClassVar[dict[str, tuple[float, float, float]]] = {
        "neutral": (0.9, 0.9, 0.9),
        "blue": (0.25, 0.45, 1.0),
        "warm": (1.0, 0.7, 0.4),
    }

    def photo(self, light: tuple[float, float, float]) -> NDArray[np.uint8]:
        card = card_pixels(single_page(12, CardName("small")), 10.0)
        scene = np.empty((card.shape[0] + 500, card.shape[1] + 300, 3), dtype=np.uint8)
        scene[:] = self.GREEN
        scene[100 : 100 + card.shape[0], 150 : 150 + card.shape[1]] = card[..., None]
        return to_codes(to_linear(scene) * np.array(light, dtype=np.float32))

    def seen(self, light: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Lab of the card's grey patch and of the plate."""
        view = view_from_card(self.photo(self.LIGHTS[light]))
        grey = next(patch for patch in card_layout("small").patches if patch.srgb == GREY)
        places = np.array([grey.box.corners_xy.mean(axis=0), [40.0, 70.0]])
        columns, rows = np.round(view.from_mm(places)).astype(int).T
        lab = color.rgb2lab(
            np.stack(
                [
                    np.median(view.rgb[r - 8 : r + 9, c - 8 : c + 9].reshape(-1, 3), axis=0)
                    for r, c in zip(rows, columns, strict=True)
                ]
            )
            / 255
        )
        return lab[0], lab[1]

    @pytest.mark.parametrize("light", LIGHTS)
    def test_grey_becomes_neutral(self, light: str) -> None:
        grey, _ = self.seen(light)
        # Two units of CIEDE2000 from the same lightness without any colour.
        assert color.deltaE_ciede2000(grey, np.array([grey[0], 0.0, 0.0])) < 2

    @pytest.mark.parametrize("light", ["blue", "warm"])
    def test_green_stays_the_same_green(self, light: str) -> None:
        _, green = self.seen(light)
        _, expected = self.seen("neutral")
        assert color.deltaE_ciede2000(green, expected) < 3
        assert np.hypot(green[1], green[2]) > 30

    def test_grey_world_would_have_lost_it(self) -> None:
        linear = to_linear(self.photo(self.LIGHTS["blue"])).astype(np.float64)
        means = linear.reshape(-1, 3).mean(axis=0)
        balanced = linear[-20, 50] * means[1] / means
        lab = color.rgb2lab(to_codes(balanced)[None, None] / 255)[0, 0]
        _, expected = self.seen("neutral")
        assert color.deltaE_ciede2000(lab, expected) > 6
