"""How many of many, when each has its own chance."""

from bisect import bisect_left
from math import ceil, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Floats = NDArray[np.float64]

_BLOCK = 128
"""Pieces whose law is worked out number by number, which takes the square of their number."""
_REACH = 5.0
"""How far from its mean a number of n is looked at, in square roots of n: further away it lies with
a chance of less than 2 exp(-50) (Hoeffding W 1963, Journal of the American Statistical Association
58(301), theorem 1; from memory)."""
_LEAST_LENGTH = 512
"""Enough for 2,600 pieces, should there be more of them than were expected."""


class CountTally:
    """The law of the number to which something happens, pieces being added a few at a time.

    Within a world the pieces do not depend on each other. Few pieces are gone through number by
    number. Of many, blocks of pieces are multiplied as Fourier series, which takes little more than
    their number instead of its square; a series is only as long as the number can reasonably
    spread, for numbers that far apart are told from each other by the mean.

    Parameters
    ----------
    expected : int
        About how many pieces will be added.

    References
    ----------
    Hong Y 2013, "On computing the distribution function for the Poisson binomial distribution",
    Computational Statistics & Data Analysis 59, 41-51: the method of the discrete Fourier transform
    (from memory).
    """

    def __init__(self, expected: int) -> None:
        length = max(_LEAST_LENGTH, ceil(2 * _REACH * sqrt(expected)))
        self._length = fft.next_fast_len(length, real=True)
        self._waiting: list[Floats] = []
        self._series: NDArray[np.complex128] | None = None
        self._sum: Floats | float = 0.0
        self.n = 0

    def add(self, chances: Floats) -> None:
        """Add pieces, by the chance (pieces, worlds, days) of each in each world."""
        self.n += len(chances)
        self._sum = self._sum + chances.sum(axis=0)
        self._waiting.append(chances)
        if sum(map(len, self._waiting)) >= 2 * _BLOCK:
            together = np.concatenate(self._waiting)
            while len(together) >= _BLOCK:
                self._multiply(together[:_BLOCK])
                together = together[_BLOCK:]
            self._waiting = [together]

    def _multiply(self, chances: Floats) -> None:
        series = fft.rfft(_number_law(chances), self._length, axis=-1)
        self._series = series if self._series is None else self._series * series

    def law(self) -> Floats:
        """Return the chance (days, pieces + 1) of 0, 1, ... of them, all worlds counting alike.

        Raises
        ------
        ValueError
            If nothing was added, not even no pieces.
        """
        rest = np.concatenate(self._waiting)
        if self._series is None:
            return np.asarray(_number_law(rest).mean(axis=0), dtype=np.float64)
        if len(rest):
            self._multiply(rest)
            self._waiting = [rest[:0]]
        return self._unfolded(fft.irfft(self._series, self._length, axis=-1))

    def _unfolded(self, folded: Floats) -> Floats:
        """Return the law from that of each number's remainder, which its mean tells apart."""
        worlds, days, length = folded.shape
        law = np.zeros((days, self.n + 1))
        first = np.rint(self._sum).astype(int) - length // 2
        for world in range(worlds):
            for day in range(days):
                numbers = first[world, day] + np.arange(length)
                numbers = numbers[(numbers >= 0) & (numbers <= self.n)]
                law[day, numbers] += folded[world, day, numbers % length]
        return np.asarray(np.clip(law / worlds, 0.0, None), dtype=np.float64)


def _number_law(chances: Floats) -> Floats:
    """Return the law (worlds, days, pieces + 1) of the number, one piece after the other."""
    n, worlds, days = chances.shape
    # Numbers come first while it is worked out: then each step goes through long rows in order.
    law = np.zeros((n + 1, worlds, days))
    law[0] = 1.0
    moved = np.empty((n, worlds, days))
    for number, piece in enumerate(chances, 1):
        np.multiply(law[:number], piece, out=moved[:number])
        law[:number] *= 1 - piece
        law[1 : number + 1] += moved[:number]
    return np.ascontiguousarray(law.transpose(1, 2, 0))


def count_law(chances: Floats) -> Floats:
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
    tally = CountTally(len(chances))
    tally.add(chances)
    return tally.law()


def interval(law: Floats, confidence: float = 0.95) -> tuple[int, int]:
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

    def best(width: int) -> tuple[int, float]:
        chance = below[width:] - below[:-width]
        first = int(np.argmax(np.round(chance, 12)))
        return first, float(chance[first])

    # More numbers never have a smaller chance, so the fewest are found by halving.
    width = 1 + bisect_left(
        range(1, len(law)), True, key=lambda one: best(one)[1] >= confidence - 1e-12
    )
    first, _ = best(width)
    return first, first + width - 1
