"""A photo of which no more is decoded than a view shows gives the same plate as all of it."""

import cv2
import numpy as np
import pytest
from card_shots import card_photo
from numpy.typing import NDArray

from polypvision.calibrate.photo import view_from_card, view_of_photo
from polypvision.calibrate.picture import Photo, Picture, photo_of
from polypvision.calibrate.view import VIEW_PX_PER_MM, PlateView, apply_homography
from polypvision.card.layout import CardKind, card_layout
from polypvision.errors import CardMissing


class Decoder:
    """A photo's decoder that remembers what it was asked for."""

    def __init__(self, rgb: NDArray[np.uint8]) -> None:
        self.rgb = rgb
        self.asked: list[int] = []

    def __call__(self, reduction: int) -> Picture:
        self.asked.append(reduction)
        height, width = (side // reduction for side in self.rgb.shape[:2])
        small = cv2.resize(self.rgb, (width, height), interpolation=cv2.INTER_AREA)
        return Picture(rgb=np.asarray(small, np.uint8), reduction=reduction)

    def photo(self) -> Photo:
        return Photo((self.rgb.shape[1], self.rgb.shape[0]), self)


def large(kind: CardKind, px_per_mm: float) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    rgb, truth = card_photo(kind, tilt=15, roll=30, px_per_mm=px_per_mm, picture=(3840, 2880))
    return np.asarray(rgb, np.uint8), truth


def apart_px(one: PlateView, other: NDArray[np.float64], kind: CardKind) -> float:
    """How far two ways from the card to the photo are apart, at the markers' corners."""
    points = np.concatenate([box.corners_xy for box in card_layout(kind).markers])
    there, here = (apply_homography(way, points) for way in (one.plate_to_photo, other))
    return float(np.linalg.norm(there - here, axis=1).max())


@pytest.mark.parametrize("reduction", [1, 2, 4, 8])
def test_a_reduced_pixel_stands_for_the_middle_of_its_square(reduction: int) -> None:
    picture = Picture(rgb=np.zeros((24, 32, 3), np.uint8), reduction=reduction)
    assert picture.size_px == (32 * reduction, 24 * reduction)
    square = np.stack(np.meshgrid(*2 * [np.arange(reduction)]), axis=-1).reshape(-1, 2)
    first = square.mean(axis=0, keepdims=True)
    np.testing.assert_allclose(picture.own_px(first), [[0, 0]], atol=1e-12)
    np.testing.assert_allclose(picture.photo_px(np.zeros((1, 2))), first)
    places = np.array([[3.0, 5.0], [17.5, 2.25]])
    np.testing.assert_allclose(apply_homography(picture.from_photo, places), picture.own_px(places))


def test_a_near_card_is_read_at_half_the_size_decoded_once() -> None:
    rgb, truth = large("a5", 13.0)
    decoder = Decoder(rgb)
    view = view_of_photo(decoder.photo())
    assert decoder.asked == [2]
    whole = view_from_card(rgb)
    assert view.flags == whole.flags
    # Half a pixel of the whole photo is what the corners of a sharp card are sure to.
    assert apart_px(view, truth, "a5") < 0.5
    assert abs(view.scale.mm_per_px / whole.scale.mm_per_px - 1) < 0.2 * PRINT_ERR
    assert view.rgb.shape == whole.rgb.shape
    off = view.rgb.astype(int) - whole.rgb
    # Within the dark window all is even, noise apart.
    assert abs(float(off[view.valid].mean())) < 1.0


PRINT_ERR = 0.005
"""Relative uncertainty of the scale of a card whose bar nobody measured (`calibrate/photo.py`)."""


def test_a_card_farther_away_is_looked_at_in_full() -> None:
    rgb, truth = large("small", 8.0)
    assert 8.0 / 2 < VIEW_PX_PER_MM < 8.0
    decoder = Decoder(rgb)
    view = view_of_photo(decoder.photo())
    assert decoder.asked == [2, 1]
    assert apart_px(view, truth, "small") < 0.5
    np.testing.assert_array_equal(view.rgb, view_from_card(rgb).rgb)


def test_a_photo_without_a_card_is_refused_for_all_its_pixels() -> None:
    decoder = Decoder(np.full((2880, 3840, 3), 90, np.uint8))
    with pytest.raises(CardMissing):
        view_of_photo(decoder.photo())
    assert decoder.asked == [2, 1]


@pytest.mark.parametrize(
    ("mm_per_px", "asked"), [(0.2, 1), (0.1, 1), (0.08, 2), (0.04, 4), (0.01, 8)]
)
def test_a_given_scale_decodes_as_coarsely_as_the_view(mm_per_px: float, asked: int) -> None:
    decoder = Decoder(np.zeros((64, 64, 3), np.uint8))
    photo = decoder.photo()
    first = photo.at_scale(mm_per_px)
    assert decoder.asked == [asked]
    assert 1 / (mm_per_px * first.reduction) >= VIEW_PX_PER_MM or asked == 1
    # Whatever is there already and fine enough is used again.
    assert photo.at_scale(mm_per_px / 2) is first


def test_pixels_that_are_there_are_a_photo() -> None:
    rgb = np.zeros((40, 60, 3), np.uint8)
    photo = photo_of(rgb)
    assert photo.size_px == (60, 40)
    assert photo.survey().rgb is rgb
    assert photo.at_scale(0.001).reduction == 1
