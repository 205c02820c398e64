"""How surely the outlines of polyps and wounds are placed.

The reader network's own doubt tells: where it is sure of its outline, the probability steps from
ground to polyp within a pixel; blur, low contrast and veiled margins widen the band between. The
figures were fitted to 618 polyps on 37 rendered plates that no lesson and no check shows (seeds
900000 to 900037): the error of an outline, as a shift common to all of it, against the width of the
band and the sharpness of the card's edges. Large errors are commoner than a normal distribution has
them, so the figures lie between those that two thirds and 95 % of the errors ask for.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

UNSURE = (0.12, 0.88)
"""Probabilities between which the network is unsure; about the 10-90 % width of its edge."""
_PER_BAND = 0.195
"""Uncertainty of an outline per width of the band."""
_PER_BLUR = 0.155
"""Per mm, with the square of the edge width: outlines of blurred polyps run outwards, which is not
corrected."""
_LEAST_MM = 0.015
"""A tenth of a view pixel: no outline is surer."""
_REACH_PX = 6
_WOUND_PER_BAND = 1.2
"""Error of a wound's area by that of the band: most large ones are wounds overlooked in part."""


def band_width_mm(
    tissue: NDArray[np.float32], mask: NDArray[np.bool_], px_per_mm: float, perimeter_mm: float
) -> float:
    """Return the mean width of the band along a polyp's outline in which the network is unsure.

    Parameters
    ----------
    tissue : ndarray (h, w) of float32
        Probability of being part of a polyp, in the polyp's window.
    mask : ndarray (h, w) of bool
    px_per_mm, perimeter_mm : float
    """
    side = 2 * _REACH_PX + 1
    count = cv2.boxFilter(
        mask.view(np.uint8),
        cv2.CV_16U,
        (side, side),
        normalize=False,
        borderType=cv2.BORDER_REPLICATE,
    )
    near = (count > 0) & (count < side * side)
    unsure = (tissue > UNSURE[0]) & (tissue < UNSURE[1]) & near
    return float(np.count_nonzero(unsure) / px_per_mm**2 / max(perimeter_mm, 1e-9))


def outline_err_mm(band_mm: float, edge_width_mm: float) -> float:
    """Return the standard uncertainty of where an outline runs, common to all of it.

    Parameters
    ----------
    band_mm : float
        As `band_width_mm` gives it.
    edge_width_mm : float
        10-90 % width of the card's edges; NaN without a card counts as sharp.
    """
    blur = 0.0 if np.isnan(edge_width_mm) else _PER_BLUR * edge_width_mm**2
    return float(np.sqrt(_LEAST_MM**2 + (_PER_BAND * band_mm) ** 2 + blur**2))


def wound_border_err_mm2(
    exposed: NDArray[np.float32], mask: NDArray[np.bool_], px_per_mm: float
) -> float:
    """Return the standard uncertainty that a wound's border gives to its area.

    Parameters
    ----------
    exposed : ndarray (h, w) of float32
        Probability of exposed tissue, in the polyp's window.
    mask : ndarray (h, w) of bool
        The polyp.
    px_per_mm : float
    """
    unsure = (exposed > UNSURE[0]) & (exposed < UNSURE[1]) & mask
    return float(_WOUND_PER_BAND * np.count_nonzero(unsure) / px_per_mm**2)
