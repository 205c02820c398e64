"""Outlines painted row by row, against scikit-image, which asks every pixel."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.draw import polygon2mask

from polypvision.corrections.geometry import circle, inside_mask

SHAPE = (60, 80)


def star(rng: np.random.Generator, n: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """An outline of n points that may leave the window and is nowhere round."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, n))
    radius = rng.uniform(5, 45, n)
    return np.column_stack([40 + radius * np.cos(angle), 30 + radius * np.sin(angle)])


@given(seed=st.integers(0, 10_000), n=st.integers(3, 60))
def test_the_pixels_are_those_of_scikit_image(seed: int, n: int) -> None:
    outline = star(np.random.default_rng(seed), n)
    expected = polygon2mask(SHAPE, outline[:, ::-1])
    np.testing.assert_array_equal(inside_mask(outline, SHAPE), expected)


@pytest.mark.parametrize("turn", [0, 1])
def test_which_way_round_and_where_it_begins_does_not_matter(turn: int) -> None:
    outline = star(np.random.default_rng(7), 20)
    expected = inside_mask(outline, SHAPE)
    other = np.roll(outline[::-1] if turn else outline, 5, axis=0)
    np.testing.assert_array_equal(inside_mask(other, SHAPE), expected)


def test_area_of_a_circle() -> None:
    """Half a pixel of the margin, times its length, is more than can be lost."""
    mask = inside_mask(circle(np.array([40.3, 29.6]), 25.0, 400), SHAPE)
    assert mask.sum() == pytest.approx(np.pi * 25**2, abs=0.5 * 2 * np.pi * 25)


def test_outside_the_window_nothing_is_painted() -> None:
    for middle in ([-50.0, 30.0], [200.0, 30.0], [40.0, -50.0], [40.0, 200.0]):
        assert not inside_mask(circle(np.array(middle), 20.0), SHAPE).any()
    assert inside_mask(circle(np.array([40.0, 30.0]), 500.0), SHAPE).all()
