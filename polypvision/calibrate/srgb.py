"""sRGB transfer (IEC 61966-2-1:1999) by table, since photos are 8-bit."""

import cv2
import numpy as np
from numpy.typing import NDArray

_CODES = np.arange(256) / 255.0
LINEAR_OF_CODE: NDArray[np.float32] = np.where(
    _CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4
).astype(np.float32)


def to_linear(codes: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return 8-bit sRGB codes of any shape as linear light, 0 to 1."""
    if codes.dtype != np.uint8:
        raise ValueError(f"codes must be uint8, got {codes.dtype}")
    return LINEAR_OF_CODE[codes]


_STEPS = (1 << 14) - 1
_LINEAR_OF_STEP = np.linspace(0.0, 1.0, _STEPS + 1)
_CODE_OF_STEP: NDArray[np.uint8] = np.full(1 << 16, 255, np.uint8)
"""For every number of 16 bits, as the library looks up; what is brighter than 1 is 255."""
_CODE_OF_STEP[: _STEPS + 1] = np.round(
    255.0
    * np.where(
        _LINEAR_OF_STEP <= 0.0031308,
        12.92 * _LINEAR_OF_STEP,
        1.055 * np.maximum(_LINEAR_OF_STEP, 1e-12) ** (1 / 2.4) - 0.055,
    )
)


def to_codes(linear: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Return linear light (clipped to 0..1) as 8-bit sRGB codes, within one code of the formula."""
    steps = np.clip(linear, 0.0, 1.0)
    steps *= _STEPS
    steps += 0.5
    return np.asarray(_CODE_OF_STEP.take(steps.astype(np.uint16)), np.uint8)


def multiplied(codes: NDArray[np.uint8], gains: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return a picture (H, W, 3) in 8-bit sRGB codes with its linear light multiplied by gains."""
    linear = cv2.LUT(codes, LINEAR_OF_CODE)
    steps = cv2.multiply(linear, gains, scale=_STEPS, dtype=cv2.CV_16U)
    return np.asarray(cv2.LUT(steps, _CODE_OF_STEP), np.uint8)
