"""Windows of a picture: most of what is done for a polyp is done in a small one round it."""

from math import sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

Window = tuple[slice, slice]
"""Rows and columns, for indexing an (H, W, ...) array."""


def mask_box(mask: NDArray[np.bool_]) -> Window:
    """Return the smallest window of a mask (H, W); an empty one of an empty mask."""
    left, top, width, height = cv2.boundingRect(mask.view(np.uint8))
    return slice(top, top + height), slice(left, left + width)


def hull_xy(mask: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Return the pixels x, y (n, 2) at the corners of a mask's convex hull."""
    outlines, _ = cv2.findContours(mask.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return np.asarray(cv2.convexHull(np.concatenate(outlines)), np.int32).reshape(-1, 2)


def some_inside(
    window: Window, mask: NDArray[np.bool_], width: int, about_px: int
) -> NDArray[np.int64]:
    """Return the numbers (n,) of about so many pixels of a mask, or of all, evenly spread.

    What is smooth over a polyp is as well known from every second or third row and column.

    Parameters
    ----------
    window : Window
        Of the mask, in a picture.
    mask : ndarray (h, w) of bool
    width : int
        Of the picture: its pixels are counted by rows.
    about_px : int

    Examples
    --------
    >>> large = np.ones((200, 200), np.bool_)
    >>> some_inside((slice(10, 210), slice(0, 200)), large, 500, 2500)[:2].tolist()
    [5000, 5004]
    """
    step = max(1, round(sqrt(np.count_nonzero(mask) / about_px)))
    rows, columns = np.nonzero(mask[::step, ::step])
    return np.asarray(
        (rows * step + window[0].start) * width + columns * step + window[1].start, np.int64
    )


def widened(window: Window, margin_px: int, shape: tuple[int, ...]) -> Window:
    """Return a window with a margin on each side, cut off where a picture (H, W) ends."""
    rows, columns = (
        slice(max(0, part.start - margin_px), min(size, part.stop + margin_px))
        for part, size in zip(window, shape[:2], strict=True)
    )
    return rows, columns


def within(window: Window, inner: Window) -> Window:
    """Return, in the whole picture, a window that is told in the pixels of another."""
    rows, columns = (
        slice(outer.start + part.start, outer.start + part.stop)
        for outer, part in zip(window, inner, strict=True)
    )
    return rows, columns


def spanned(one: Window, other: Window) -> Window:
    """Return the smallest window that holds two."""
    rows, columns = (
        slice(min(a.start, b.start), max(a.stop, b.stop)) for a, b in zip(one, other, strict=True)
    )
    return rows, columns


def first_pixel(window: Window, mask: NDArray[np.bool_]) -> tuple[int, int]:
    """Return row and column, in the whole picture, of the first pixel by rows of a mask (h, w)."""
    row, column = divmod(int(mask.argmax()), mask.shape[1])
    return window[0].start + row, window[1].start + column


def corner_xy(window: Window) -> NDArray[np.float64]:
    """Return x and y (2,) of a window's first pixel."""
    return np.array([window[1].start, window[0].start], np.float64)
