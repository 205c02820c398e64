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
    """Return the smallest and greatest number of the likely ones.

    Parameters
    ----------
    law : ndarray (n + 1,) of float64
        Chance of 0, 1, ... n.
    confidence : float
        The numbers from the one to the other have at least this chance together. Numbers being
        whole, they nearly always have more; of all that do, the fewest are given, and of as few
        the likeliest.

    Examples
    --------
    >>> interval(np.array([0.0, 0.01, 0.04, 0.30, 0.65]))
    (3, 4)
    """
    below = np.concatenate([[0.0], np.cumsum(law)])
    for width in range(1, len(law) + 1):
        chance = below[width:] - below[:-width]
        best = int(np.argmax(np.round(chance, 12)))
        if chance[best] >= confidence - 1e-12:
            return best, best + width - 1
    return 0, len(law) - 1
