"""Which markers the squares of a picture are: all of them compared with all markers at once."""

from collections.abc import Iterator, Sequence
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.card.code import MarkerPlace, marker_place
from polypvision.card.dictionary import DICTIONARY
from polypvision.reading import Points

_BITS = DICTIONARY.markerSize
_MODULES = _BITS + 2
_PER_MODULE = 3
"""Samples along a module's side; they keep clear of its edges."""
# As the library has them (OpenCV, aruco::DetectorParameters, from memory).
_BORDER_ERRORS = int(0.35 * _BITS**2)
_BIT_ERRORS = int(0.6 * DICTIONARY.maxCorrectionBits)


_POWERS = np.uint64(1) << np.arange(_BITS**2, dtype=np.uint64)


def _words(bits: NDArray[np.bool_]) -> NDArray[np.uint64]:
    """Return the bits (n, side, side) of markers as one number each."""
    return np.asarray((bits.reshape(-1, len(_POWERS)) * _POWERS).sum(axis=1), np.uint64)


@cache
def _dictionary_words() -> NDArray[np.uint64]:
    """Return every marker in four turns as one number each: (4 n,)."""
    plain = [
        cv2.aruco.Dictionary.getBitsFromByteList(DICTIONARY.bytesList[n : n + 1], _BITS)
        for n in range(len(DICTIONARY.bytesList))
    ]
    bits = np.asarray(plain, np.bool_)
    return np.concatenate([_words(np.rot90(bits, turn, axes=(1, 2))) for turn in range(4)])


def _sample_places() -> Points:
    """Return the places (samples, 2) of all modules' samples in a square of side 1."""
    inside = (np.arange(_PER_MODULE) + 1) / (_PER_MODULE + 1)
    ticks = (np.arange(_MODULES)[:, None] + inside).ravel() / _MODULES
    return np.stack(np.meshgrid(ticks, ticks), axis=-1).reshape(-1, 2)


_UNIT = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
_PLACES = np.column_stack([_sample_places(), np.ones((_MODULES * _PER_MODULE) ** 2)])


def _modules(grey: NDArray[np.uint8], squares: Sequence[Points]) -> NDArray[np.bool_]:
    """Return which modules (n, modules, modules) of each square are white."""
    homographies = np.stack(
        [cv2.getPerspectiveTransform(_UNIT, quad.astype(np.float32)) for quad in squares]
    )
    places = _PLACES @ homographies.transpose(0, 2, 1)
    places = (places[..., :2] / places[..., 2:]).astype(np.float32)
    seen = np.asarray(cv2.remap(grey, places[..., 0], places[..., 1], cv2.INTER_LINEAR), np.uint8)
    levels = [cv2.threshold(one, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[0] for one in seen]
    white = seen > np.array(levels)[:, None]
    split = white.reshape(len(squares), _MODULES, _PER_MODULE, _MODULES, _PER_MODULE)
    return np.asarray(split.mean(axis=(2, 4)) > 0.5, np.bool_)


def read_squares(
    grey: NDArray[np.uint8], squares: Sequence[Points]
) -> Iterator[tuple[MarkerPlace, Points]]:
    """Yield those squares that are markers of our cards.

    Parameters
    ----------
    grey : ndarray (H, W) of uint8
    squares : sequence of ndarray (4, 2)
        Corners in pixels of ``grey``, clockwise.

    Yields
    ------
    place : MarkerPlace
    corners : ndarray (4, 2)
        Top left, then clockwise, as printed.
    """
    if not squares:
        return
    modules = _modules(grey, squares)
    inner = modules[:, 1:-1, 1:-1]
    border_errors = modules.sum(axis=(1, 2)) - inner.sum(axis=(1, 2))
    bordered = np.flatnonzero(border_errors <= _BORDER_ERRORS)
    for number, word in zip(bordered, _words(inner[bordered]), strict=True):
        bit_errors = np.bitwise_count(_dictionary_words() ^ word)
        best = int(bit_errors.argmin())
        turn, marker_id = divmod(best, len(DICTIONARY.bytesList))
        place = marker_place(marker_id)
        if place is not None and bit_errors[best] <= _BIT_ERRORS:
            yield place, np.roll(squares[int(number)], turn, axis=0)
