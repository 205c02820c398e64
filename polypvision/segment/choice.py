"""Which of the regions that two looks tell apart can stand beside one another."""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from polypvision.segment.windows import Window

Region = tuple[Window, NDArray[np.bool_]]
"""Rows and columns of the view, and which pixels in them."""

_CLASH = 0.15
"""Regions of which one covers more than this part of the other are not both polyps."""


def _shared(one: Region, other: Region) -> int:
    """Return how many pixels two regions have in common."""
    common = [
        slice(max(a.start, b.start), min(a.stop, b.stop))
        for a, b in zip(one[0], other[0], strict=True)
    ]
    if any(part.start >= part.stop for part in common):
        return 0
    first, second = (
        mask[
            tuple(
                slice(part.start - own.start, part.stop - own.start)
                for part, own in zip(common, window, strict=True)
            )
        ].view(np.uint8)
        for window, mask in (one, other)
    )
    return cv2.countNonZero(cv2.bitwise_and(first, second))


def clashes(near: Sequence[Region], wide: Sequence[Region]) -> NDArray[np.int64]:
    """Return which regions of two looks (m, 2) cannot both be polyps, as they share too much.

    Those of one look share nothing.
    """
    areas = [[np.count_nonzero(mask) for _, mask in look] for look in (near, wide)]
    found = [
        (row, column)
        for row, one in enumerate(near)
        for column, other in enumerate(wide)
        if _shared(one, other) > _CLASH * min(areas[0][row], areas[1][column])
    ]
    return np.array(found, np.int64).reshape(-1, 2)


def best_together(
    near: NDArray[np.float64], wide: NDArray[np.float64], clashing: NDArray[np.int64]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Choose of two looks' regions those whose gains add up to the most, none that clash.

    Parameters
    ----------
    near, wide : ndarray (n,), (k,) of float64
        What each is worth; those worth nothing are left out.
    clashing : ndarray (m, 2) of int
        Rows of a near and a wide one that exclude each other.

    Returns
    -------
    near, wide : ndarray (n,), (k,) of bool

    Notes
    -----
    Clashes join regions of different looks only, so the best whole numbers are a corner of the
    linear programme (Schrijver A 2003, Combinatorial Optimization, chapter 18, from memory).
    """
    worth = np.concatenate([near, wide])
    chosen = worth > 0
    pairs = clashing + np.array([0, len(near)])
    pairs = pairs[chosen[pairs].all(axis=1)]
    if len(pairs):
        # Loaded here: most photos are of plates, which are looked at once.
        from scipy.optimize import linprog

        rows = np.repeat(np.arange(len(pairs)), 2)
        limits = csr_array(
            (np.ones(len(rows)), (rows, pairs.ravel())), shape=(len(pairs), len(worth))
        )
        most = linprog(-worth, A_ub=limits, b_ub=np.ones(len(pairs)), bounds=(0, 1))
        chosen &= most.x > 0.5
    return chosen[: len(near)], chosen[len(near) :]
