"""Windows, hulls and medians, against SciPy's, scikit-image's and numpy's."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from scipy.ndimage import find_objects
from skimage.morphology import convex_hull_image

from polypvision.segment.medians import median
from polypvision.segment.runs import label_boxes
from polypvision.segment.windows import (
    corner_xy,
    hull_xy,
    mask_box,
    some_inside,
    spanned,
    widened,
    within,
)

LABELS = arrays(
    np.int32, st.tuples(st.integers(1, 9), st.integers(1, 9)), elements=st.integers(0, 4)
)


@settings(deadline=None)
@given(LABELS)
def test_boxes_are_those_of_the_library(labels: NDArray[np.int32]) -> None:
    expected = find_objects(labels)
    found = label_boxes(labels)
    assert len(found) == len(expected)
    for box, other in zip(found, expected, strict=True):
        if other is None:
            assert labels[box].size == 0
        else:
            assert box == other


def test_a_label_that_ends_a_row_and_begins_the_next_is_seen_in_both() -> None:
    labels = np.zeros((4, 6), np.int32)
    labels[1, 5] = labels[2, 0] = 1
    assert label_boxes(labels) == [(slice(1, 3), slice(0, 6))]


def test_the_box_of_a_mask_and_of_nothing() -> None:
    mask = np.zeros((10, 12), np.bool_)
    assert mask[mask_box(mask)].size == 0
    mask[3:5, 7:11] = True
    box = mask_box(mask)
    assert box == (slice(3, 5), slice(7, 11))
    assert corner_xy(box).tolist() == [7, 3]
    assert widened(box, 2, mask.shape) == (slice(1, 7), slice(5, 12))
    assert within((slice(100, 110), slice(200, 212)), box) == (slice(103, 105), slice(207, 211))
    assert spanned(box, (slice(4, 9), slice(0, 8))) == (slice(3, 9), slice(0, 11))


@settings(deadline=None)
@given(arrays(np.bool_, (9, 11)).filter(lambda mask: bool(mask.any())))
def test_all_pixels_lie_in_the_hull_and_its_corners_are_pixels(mask: NDArray[np.bool_]) -> None:
    corners = hull_xy(mask)
    assert mask[corners[:, 1], corners[:, 0]].all()
    only = np.zeros_like(mask)
    only[corners[:, 1], corners[:, 0]] = True
    np.testing.assert_array_equal(
        convex_hull_image(only, offset_coordinates=True),
        convex_hull_image(mask, offset_coordinates=True),
    )


@pytest.mark.parametrize("side", [10, 50, 99, 100, 230])
def test_about_enough_pixels_are_left_and_all_are_inside(side: int) -> None:
    picture = np.zeros((300, 400), np.bool_)
    window = slice(20, 20 + side), slice(35, 35 + side)
    picture[window] = True
    some = some_inside(window, picture[window], 400, 2500)
    assert picture.ravel()[some].all()
    assert len(np.unique(some)) == len(some)
    # The step is rounded to a whole one: 1.5 becomes 1 or 2, and twice that each way.
    assert min(side**2, 2500 / (2 / 1.5) ** 2) <= len(some) <= 1.5**2 * 2500


@given(arrays(np.float32, st.integers(1, 40), elements=st.floats(-1e3, 1e3, width=32)))
def test_medians_are_numpy_s(values: NDArray[np.float32]) -> None:
    before = values.copy()
    assert median(values) == pytest.approx(float(np.median(values)), rel=1e-6, abs=1e-6)
    np.testing.assert_array_equal(values, before)
