"""Where a map is highest: its smoothing, and its peaks a given way apart."""

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.segment.windows import corner_xy, mask_box


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
    plateaus = np.asarray(cv2.connectedComponents(top.view(np.uint8))[1])
    where = where[np.unique(plateaus.take(where), return_index=True)[1]]
    places = np.column_stack(divmod(where, field.shape[1]))
    order = np.lexsort((places[:, 1], places[:, 0], -field[places[:, 0], places[:, 1]]))
    kept = np.zeros((0, 2), np.int64)
    for place in places[order]:
        if not (np.abs(kept - place).max(axis=1) <= apart_px).any():
            kept = np.vstack([kept, place])
    return np.asarray(kept + corner_xy(box)[::-1], np.int64)
