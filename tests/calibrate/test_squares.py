"""Markers read from squares, against OpenCV's own reading of the same squares."""

import cv2
import numpy as np
import pytest
from card_shots import card_photo
from numpy.typing import NDArray

from polypvision.calibrate.squares import read_squares
from polypvision.card.code import CardName, MarkerPlace, marker_ids, marker_place
from polypvision.card.dictionary import DICTIONARY
from polypvision.card.layout import CardKind


def grey_card(kind: CardKind, roll: float, noise: float) -> NDArray[np.uint8]:
    photo, _ = card_photo(kind, tilt=25, roll=roll, px_per_mm=5.0, noise=noise)
    return np.asarray(photo.max(axis=2), np.uint8)


@pytest.mark.parametrize(("kind", "roll"), [("small", 0), ("small", 100), ("a5", 190), ("a4", 280)])
def test_squares_are_named_and_turned_as_the_library_does(kind: CardKind, roll: float) -> None:
    grey = grey_card(kind, roll, 0.02)
    corners, ids, others = cv2.aruco.ArucoDetector(DICTIONARY).detectMarkers(grey)
    expected: dict[MarkerPlace, NDArray[np.float64]] = {}
    squares = [np.asarray(quad, np.float64).reshape(4, 2) for quad in others]
    for number, (quad, marker_id) in enumerate(zip(corners, np.ravel(ids), strict=True)):
        place = marker_place(int(marker_id))
        assert place is not None
        square = np.asarray(quad, np.float64).reshape(4, 2)
        expected[place] = square
        # A square is found from any of its corners.
        squares.append(np.roll(square, number, axis=0))
    found = dict(read_squares(grey, squares))
    # It may read one more than the library does, but none that is not printed there.
    assert expected.keys() <= found.keys()
    printed = {marker_place(one) for one in marker_ids(1234, CardName(kind))}
    assert found.keys() <= printed
    for place, square in expected.items():
        np.testing.assert_array_equal(found[place], square)


def test_squares_that_are_no_markers_are_none() -> None:
    rng = np.random.default_rng(5)
    grey = rng.integers(0, 256, (400, 400)).astype(np.uint8)
    grey[100:200, 100:200] = 0
    square = np.array([[0.0, 0.0], [99.0, 0.0], [99.0, 99.0], [0.0, 99.0]])
    squares = [square + shift for shift in rng.uniform(0, 300, (200, 1, 2))]
    assert not dict(read_squares(grey, [square + 100.0, *squares]))
    assert not dict(read_squares(grey, []))


def test_two_wrong_bits_are_forgiven_and_five_are_not() -> None:
    """Any two markers of the dictionary are at least 9 bits apart (OpenCV, from memory)."""
    for wrong, found in ((0, 1), (2, 1), (5, 0)):
        bits = cv2.aruco.Dictionary.getBitsFromByteList(DICTIONARY.bytesList[7:8], 6)
        modules = np.pad(np.asarray(bits, np.uint8), 1) * 255
        for index in range(wrong):
            modules[1 + index, 1 + index] ^= 255
        grey = np.pad(np.kron(modules, np.ones((10, 10), np.uint8)), 20, constant_values=255)
        square = np.array([[19.5, 19.5], [99.5, 19.5], [99.5, 99.5], [19.5, 99.5]])
        assert len(dict(read_squares(grey, [square]))) == found
