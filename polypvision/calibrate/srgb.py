"""sRGB transfer (IEC 61966-2-1:1999) by table, since photos are 8-bit."""

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


_LOOKUP_SIZE = 1 << 14
_LOOKUP_LINEAR = np.linspace(0.0, 1.0, _LOOKUP_SIZE)
_CODE_OF_LINEAR: NDArray[np.uint8] = np.round(
    255.0
    * np.where(
        _LOOKUP_LINEAR <= 0.0031308,
        12.92 * _LOOKUP_LINEAR,
        1.055 * np.maximum(_LOOKUP_LINEAR, 1e-12) ** (1 / 2.4) - 0.055,
    )
).astype(np.uint8)


def to_codes(linear: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Return linear light (clipped to 0..1) as 8-bit sRGB codes, within one code of the formula."""
    steps = np.clip(linear, 0.0, 1.0)
    steps *= _LOOKUP_SIZE - 1
    steps += 0.5
    return np.asarray(_CODE_OF_LINEAR.take(steps.astype(np.uint16)), np.uint8)
