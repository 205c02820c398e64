"""What varies slowly over a view is worked out at some of its pixels, and straight in between."""

import cv2
import numpy as np
from numpy.typing import NDArray

NODE_PX = 16
"""From one node to the next, view pixels."""


def node_px(n: int) -> NDArray[np.float64]:
    """Return where the nodes (k,) of a row or column of ``n`` pixels are; the outer ones beyond it.

    They are in the middle of every 16 pixels, for so a library stretches pictures; and in the
    middle of the 16 before the first.

    Examples
    --------
    >>> node_px(20)
    array([-8.5,  7.5, 23.5])
    """
    return np.asarray(NODE_PX * (np.arange(_count(n)) - 0.5) - 0.5, np.float64)


def _count(n: int) -> int:
    return (n + NODE_PX // 2 - 1) // NODE_PX + 2


def stretched(
    nodes: NDArray[np.float32], first: int, height: int, width: int
) -> NDArray[np.float32]:
    """Return values (height, width, ...) at all pixels, from a row on, by those at the nodes.

    Parameters
    ----------
    nodes : ndarray (rows, columns, ...) of float32
        At `node_px` of the view's height and width.
    first : int
        The row of pixels to begin with, a multiple of `NODE_PX`.
    height, width : int
        Of pixels.
    """
    top = first // NODE_PX
    used = nodes[top : top + _count(height)]
    size = (NODE_PX * used.shape[1], NODE_PX * used.shape[0])
    all_of_it = cv2.resize(used, size, interpolation=cv2.INTER_LINEAR)
    kept = all_of_it[NODE_PX : NODE_PX + height, NODE_PX : NODE_PX + width]
    return np.asarray(kept, np.float32)
