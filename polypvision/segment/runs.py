"""A picture of labels as runs: stretches of one label along a row, of which there are few."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from polypvision.segment.windows import Window


@dataclass(frozen=True, kw_only=True, eq=False)
class Runs:
    """The k runs of labels (H, W), by rows, each from its first pixel as far as the label reaches.

    Attributes
    ----------
    first, length : ndarray (k,) of int64
        Number of the first pixel, rows counted one after the other; number of pixels.
    label : ndarray (k,) of int32
        0 is ground.
    shape : tuple of 2 ints
        H and W.
    """

    first: NDArray[np.int64]
    length: NDArray[np.int64]
    label: NDArray[np.int32]
    shape: tuple[int, int]

    @classmethod
    def of(cls, labels: NDArray[np.int32]) -> "Runs":
        """Return the runs of labels (H, W)."""
        flat = labels.ravel()
        turns = np.ones(flat.size, np.bool_)
        np.not_equal(flat[1:], flat[:-1], out=turns[1:])
        turns[:: labels.shape[1]] = True
        first = np.flatnonzero(turns)
        return cls(
            first=first,
            length=np.diff(first, append=flat.size),
            label=flat[first],
            shape=(labels.shape[0], labels.shape[1]),
        )

    def boxes(self) -> list[Window]:
        """Return the smallest window of every label 1 to n; an empty one of a missing label."""
        height, width = self.shape
        row, column = np.divmod(self.first, width)
        n = int(self.label.max(initial=0))
        top, left = np.full(n + 1, height), np.full(n + 1, width)
        bottom, right = np.zeros((2, n + 1), np.int64)
        np.minimum.at(top, self.label, row)
        np.maximum.at(bottom, self.label, row + 1)
        np.minimum.at(left, self.label, column)
        np.maximum.at(right, self.label, column + self.length)
        return [
            (slice(a, max(a, b)), slice(c, max(c, d)))
            for a, b, c, d in np.column_stack([top, bottom, left, right])[1:].tolist()
        ]

    def last_beside_another(self) -> NDArray[np.int64]:
        """Return the numbers of pixels to whose right another label is, neither being ground."""
        both = (self.label[:-1] > 0) & (self.label[1:] > 0)
        next_ones = self.first[1:][both]
        return np.asarray(next_ones[next_ones % self.shape[1] > 0] - 1, np.int64)

    def connected(self) -> NDArray[np.int32]:
        """Return which connected piece (k,) of one label each run belongs to, from 0 on.

        Pieces hang together by sides, and are numbered by their first runs.
        """
        end = self.first + self.length
        above = np.flatnonzero((self.label > 0) & (self.first // self.shape[1] < self.shape[0] - 1))
        # All runs of the next row that begin before this one ends and end after it begins.
        low = np.searchsorted(end, self.first[above] + self.shape[1], side="right")
        high = np.searchsorted(self.first, end[above] + self.shape[1], side="left")
        count = high - low
        upper = np.repeat(above, count)
        lower = np.arange(len(upper)) + np.repeat(low - np.cumsum(count) + count, count)
        same = self.label[upper] == self.label[lower]
        n = len(self.first)
        ends = np.searchsorted(upper[same], np.arange(n + 1))
        edges = csr_array((np.ones(int(ends[-1])), lower[same], ends), shape=(n, n))
        return np.asarray(connected_components(edges, directed=False)[1], np.int32)

    def picture(self, values: NDArray[np.int32]) -> NDArray[np.int32]:
        """Return a picture (H, W) in which each run has a value (k,)."""
        return np.repeat(values, self.length).reshape(self.shape)


def label_boxes(labels: NDArray[np.int32]) -> list[Window]:
    """Return the smallest window of every label 1 to n of labels (H, W), in order."""
    return Runs.of(labels).boxes()
