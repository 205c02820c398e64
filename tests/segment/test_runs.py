"""Runs of labels against SciPy's pieces."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from scipy.ndimage import label as library_label

from polypvision.segment.runs import Runs

LABELS = arrays(
    np.int32, st.tuples(st.integers(1, 9), st.integers(1, 9)), elements=st.integers(0, 3)
)


@settings(deadline=None)
@given(LABELS)
def test_pieces_are_those_of_the_library_in_the_order_of_their_first_pixels(
    labels: NDArray[np.int32],
) -> None:
    runs = Runs.of(labels)
    np.testing.assert_array_equal(runs.picture(runs.label), labels)
    pieces = np.where(labels > 0, runs.picture(runs.connected()), -1)
    found = 0
    for one in range(1, 4):
        # By sides alone, as scipy.ndimage.label does unless told otherwise.
        parts, n_parts = library_label(labels == one)
        found += n_parts
        for part in range(1, n_parts + 1):
            assert len(np.unique(pieces[parts == part])) == 1
    seen, first = np.unique(pieces[pieces >= 0], return_index=True)
    assert len(seen) == found
    assert (np.diff(first) > 0).all()


@settings(deadline=None)
@given(LABELS)
def test_neighbours_in_a_row_are_those_that_are_seen_one_by_one(labels: NDArray[np.int32]) -> None:
    height, width = labels.shape
    expected = [
        row * width + column
        for row in range(height)
        for column in range(width - 1)
        if 0 < labels[row, column] != labels[row, column + 1] > 0
    ]
    assert Runs.of(labels).last_beside_another().tolist() == expected
