"""Lessons of plates: labels neither too large nor too small, plates and close-ups by turns."""

from itertools import islice

import numpy as np
import pytest

from polypvision.train.lessons import _fill, random_lessons


@pytest.mark.parametrize("radius", [9.3, 40.0, 77.7])
def test_filled_outlines_have_the_area_of_the_outline(radius: float) -> None:
    angles = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    areas = []
    for shift in np.linspace(0, 1, 9, endpoint=False):
        image = np.zeros((200, 200), np.uint8)
        centre = np.array([100 + shift, 99.3 + 0.7 * shift])
        _fill(image, centre + radius * np.stack([np.cos(angles), np.sin(angles)], 1), 3)
        areas.append(np.count_nonzero(image == 3))
    # A twentieth of a pixel in the radius; taking border pixels in would be half a pixel.
    assert np.sqrt(np.mean(areas) / np.pi) == pytest.approx(radius, abs=0.05)


def test_outlines_partly_or_wholly_outside_are_cut() -> None:
    image = np.zeros((50, 50), np.uint8)
    square = np.array([[-10.0, -10.0], [9.5, -10.0], [9.5, 9.5], [-10.0, 9.5]])
    _fill(image, square, 1)
    assert np.count_nonzero(image) == 100
    _fill(image, square + 500, 2)
    assert not (image == 2).any()


def test_a_plate_then_close_ups_the_same_for_the_same_seed() -> None:
    plate, close_up = islice(random_lessons(4), 2)
    assert (plate.owner == 255).any() or not np.array_equal(plate.gains, np.ones(3))
    assert np.array_equal(close_up.gains, np.ones(3))
    again = next(iter(random_lessons(4)))
    np.testing.assert_array_equal(again.rgb, plate.rgb)
    np.testing.assert_array_equal(again.owner, plate.owner)
