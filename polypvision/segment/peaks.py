"""Where a map is highest: its smoothing, and its peaks a given way apart."""

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.segment.windows import mask_box


def smoothed(field: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    """Return a map (H, W) under a Gaussian, cut off at four standard deviations."""
    side = 2 * int(4 * sigma_px + 0.5) + 1
    return np.asarray(
        cv2.GaussianBlur(field, (side, side), sigma_px, borderType=cv2.BORDER_REFLECT), np.float32
    )


def local_peaks(field: NDArray[np.float32], apart_px: int, level: float) -> NDArray[np.int64]:
    """Return rows and columns (n, 2) of peaks above a level, the highest first.

    A peak is the highest place of the square that reaches ``apart_px`` from it; of equal ones so
    near each other the first by rows is taken, also where a whole plateau is highest.

    Parameters
    ----------
    field : ndarray (H, W) of float32
    apart_px : int
        At least 1.
    level : float
    """
    high = field > level
    box = mask_box(high)
    field, high = field[box], high[box]
    if not field.size:
        return np.zeros((0, 2), np.int64)
    square = np.ones((2 * apart_px + 1, 2 * apart_px + 1), np.uint8)
    top = (field >= cv2.dilate(field, square)) & high
    where = np.flatnonzero(top)
    heights = field.take(where)
    order = np.argsort(-heights, kind="stable")
    where, heights = where[order], heights[order]
    # What is highest in its square can only be near another such place that is as high.
    if (heights[1:] == heights[:-1]).any():
        where = _one_of_equals(where, top, apart_px)
    top_row, left = box[0].start, box[1].start
    rows_columns = [divmod(place, field.shape[1]) for place in where.tolist()]
    places = [(row + top_row, column + left) for row, column in rows_columns]
    return np.array(places, np.int64).reshape(-1, 2)


def _one_of_equals(
    where: NDArray[np.int64], top: NDArray[np.bool_], apart_px: int
) -> NDArray[np.int64]:
    """Return the places (n,), the highest first, without those that equal ones near them stand for.

    Parameters
    ----------
    where : ndarray (n,)
        Numbers of the pixels of ``top``, the highest first, equal ones in their order.
    top : ndarray (H, W)
    apart_px : int
    """
    plateaus = np.asarray(cv2.connectedComponents(top.view(np.uint8))[1]).take(where)
    where = where[np.sort(np.unique(plateaus, return_index=True)[1])]
    places = np.column_stack(np.divmod(where, top.shape[1]))
    kept: list[int] = []
    for number, place in enumerate(places):
        if not (np.abs(places[kept] - place).max(axis=1) <= apart_px).any():
            kept.append(number)
    return where[kept]
