"""What a network in whole numbers takes and says: pixels as they are, and codes of 8 bits.

It halves its view once more than its answer: each of its last pixels tells of 2 x 2 of the view.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.beside import in_strips

CODE_REACH = (8.0, 8.0, 8.0, 8.0, 3.0, 3.0)
"""How far the codes of each map reach: log-odds beyond 8 are as good as sure, and no polyp is
wider than 2 x 3 units of its way to the middle."""
CODE_STEP, CODE_ZERO = np.float32(1 / 127), np.uint8(128)
"""A step of the codes, as a part of their reach, and the code that means zero."""
TIMES = 2
"""How many times smaller than the view the network's answer is."""
CODE_ORDER = np.arange(len(CODE_REACH) * TIMES**2).reshape(-1, TIMES, TIMES).swapaxes(0, 1).ravel()
"""Channels map by map, each its 2 x 2 pixels row by row, brought into the order of `code_planes`:
row by row, in each row map by map, so that pixels that are neighbours in a row stay so."""
_STRIP = 128
PIXEL_BYTES = 4
"""Of the pixels that it takes: processors multiply four at a time."""


def code_pixels(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return pixels (H, W, 3) as it takes them: (1, H, W, 4), the fourth without a meaning."""
    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2RGBA), np.uint8)[None]


def code_planes(codes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the codes of each map, (6, H, W), of what it says, (H / 2, W / 2, 24)."""
    height, width, channels = codes.shape
    # Two neighbours of a row are moved together, as one number of 16 bits.
    pairs = codes.view(np.uint16).reshape(height, width, TIMES, channels // TIMES**2)
    planes = np.empty((pairs.shape[3], height, TIMES, width), np.uint16)

    def move(rows: slice) -> None:
        planes[:, rows] = pairs[rows].transpose(3, 0, 2, 1)

    in_strips(height, _STRIP, move)
    return planes.view(np.uint8).reshape(-1, height * TIMES, width * TIMES)


def code_values(channel: int) -> NDArray[np.float32]:
    """Return what each of the 256 codes of a map stands for."""
    steps = np.arange(256, dtype=np.float32) - np.float32(CODE_ZERO)
    return steps * (CODE_STEP * np.float32(CODE_REACH[channel]))
