"""Medians of a few thousand values: numpy's own takes most of its time beside finding them."""

import numpy as np
from numpy.typing import NDArray


def median(values: NDArray[np.float32]) -> float:
    """Return the median of values (n,), of which there is at least one and none is NaN.

    Examples
    --------
    >>> median(np.array([4, 1, 3], np.float32)), median(np.array([4, 1, 3, 2], np.float32))
    (3.0, 2.5)
    """
    half = len(values) // 2
    sides = values.copy()
    # One place is found in half the time of two.
    sides.partition(half)
    upper = float(sides[half])
    return upper if len(values) % 2 else (float(sides[:half].max()) + upper) / 2
