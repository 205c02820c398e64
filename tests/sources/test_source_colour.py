"""Colour against the standards' formulas and published pairs."""

import numpy as np
import pytest
from skimage import color

from polypvision.calibrate.srgb import LINEAR_OF_CODE, to_codes, to_linear
from polypvision.card.layout import GREY


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
