"""How many of many, when each has its own chance."""

import numpy as np
from numpy.typing import NDArray


def count_law(chances: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the law of the number to which something happens.

    Parameters
    ----------
    chances : ndarray (pieces, worlds, days) of float64
        Chance of each piece in each world; within a world the pieces do not depend on each other.

    Returns
    -------
    ndarray (days, pieces + 1) of float64
        Chance of 0, 1, ... of them, all worlds counting alike. Between worlds the number varies by
        more than the chances alone would make it, and that is meant: all pieces share a room.

    Examples
    --------
    >>> count_law(np.array([[[0.5]], [[0.5]]])).tolist()
    [[0.25, 0.5, 0.25]]
    """
    n, worlds, days = chances.shape
    law = np.zeros((worlds, days, n + 1))
    law[:, :, 0] = 1.0
    for piece in chances:
        yes = piece[:, :, None]
        law[:, :, 1:] = law[:, :, 1:] * (1 - yes) + law[:, :, :-1] * yes
        law[:, :, 0] *= 1 - piece
    return np.asarray(law.mean(axis=0), dtype=np.float64)


def interval(law: NDArray[np.float64], confidence: float = 0.95) -> tuple[int, int]:
    """Return the smallest and greatest number that the law leaves likely.

    Parameters
    ----------
    law : ndarray (n + 1,) of float64
        Chance of 0, 1, ... n.
    confidence : float
        At most half of the rest lies below, and at most half above; numbers being whole, usually
        less.
    """
    tail = (1 - confidence) / 2
    below = np.cumsum(law)
    low = int(np.argmax(below > tail + 1e-12))
    high = int(np.argmax(below >= 1 - tail - 1e-12))
    return low, max(low, high)
