"""The card found and solved, against cameras whose homography is known exactly."""

import cv2
import numpy as np
import pytest
from card_shots import camera, card_photo, develop, paper, place

from polypvision.calibrate.photo import view_at_scale, view_from_card
from polypvision.calibrate.view import VIEW_PX_PER_MM, apply_homography
from polypvision.card.layout import ID1_MM, CardKind, card_layout
from polypvision.errors import (
    BarDoubtful,
    CardIncomplete,
    CardMirrored,
    CardMissing,
    CardsOfTwoPlates,
    PhotoBlurred,
    PhotoDark,
    PhotoOverexposed,
)


@pytest.mark.parametrize(
    ("kind", "px_per_mm"), [("small", 13.0), ("small", 7.0), ("a5", 6.0), ("a4", 4.5)]
)
@pytest.mark.parametrize(("tilt", "roll"), [(0, 0), (20, 77), (45, 200), (30, 310)])
def test_scale_and_plane_are_found_at_any_roll_and_tilt_to_45_degrees(
    kind: CardKind, px_per_mm: float, tilt: float, roll: float
) -> None:
    photo, truth = card_photo(kind, tilt=tilt, roll=roll, px_per_mm=px_per_mm)
    view = view_from_card(photo)
    assert view.plate == "1234"
    corners = card_layout(kind).markers
    points = np.concatenate([box.corners_xy for box in corners])
    off = apply_homography(view.plate_to_photo, points) - apply_homography(truth, points)
    # A third of a pixel: an edge fit over 24 profiles is far better than one corner's pixel.
    assert np.abs(off).max() < 0.33
    middle = points.mean(axis=0)
    near = middle + np.array([[0.0, 0], [1, 0], [0, 1]])
    true = apply_homography(truth, near)
    area = abs(np.cross(np.append(true[1] - true[0], 0), np.append(true[2] - true[0], 0))[2])
    found = apply_homography(view.plate_to_photo, near)
    got = abs(np.cross(np.append(found[1] - found[0], 0), np.append(found[2] - found[0], 0))[2])
    assert got == pytest.approx(area, rel=0.004)
    assert view.scale.reprojection_px < 0.5
    assert view.scale.source == "card"


@pytest.mark.parametrize("light", [(0.03, 0.12, 0.9), (0.003, 0.02, 0.9), (0.1, 0.5, 0.8)])
def test_card_is_found_under_blue_light(light: tuple[float, float, float]) -> None:
    photo, truth = card_photo("a5", tilt=20, roll=10, px_per_mm=6, light=light)
    view = view_from_card(photo)
    window = card_layout("a5").window
    assert window is not None
    points = window.corners_xy
    off = apply_homography(view.plate_to_photo, points) - apply_homography(truth, points)
    assert np.abs(off).max() < 0.5


@pytest.mark.parametrize(
    ("kind", "px_per_mm", "hidden"),
    [("small", 9.0, (0, 4)), ("a5", 6.0, (1, 5, 9)), ("a4", 4.5, (0, 1, 5, 8))],
)
def test_a_third_of_the_markers_may_be_hidden(
    kind: CardKind, px_per_mm: float, hidden: tuple[int, ...]
) -> None:
    photo, truth = card_photo(kind, tilt=30, roll=100, px_per_mm=px_per_mm, hidden=hidden)
    view = view_from_card(photo)
    assert view.plate == "1234"
    assert "few-markers" in view.flags
    points = np.array([[0.0, 0.0], list(card_layout(kind).size_mm)])
    off = apply_homography(view.plate_to_photo, points) - apply_homography(truth, points)
    assert np.abs(off).max() < 1.0


def test_neutral_patches_come_out_neutral_under_coloured_uneven_light() -> None:
    photo, truth = card_photo("a5", px_per_mm=6, light=(0.25, 0.5, 0.9), gradient=0.5)
    # The grey ground in the window, linear 0.1 everywhere, must come out even and neutral:
    # paper is 0.85, so sRGB code of 0.1 after balance to the same paper level.
    view = view_from_card(photo)
    inside = view.rgb[40:-40, 40:-40].reshape(-1, 3)
    medians = np.median(inside, axis=0)
    assert np.ptp(medians) <= 3
    left = np.median(view.rgb[:, 40:120])
    right = np.median(view.rgb[:, -120:-40])
    assert abs(float(left) - float(right)) <= 4
    # IEC 61966-2-1: linear 0.1 is code 89.
    assert abs(float(medians.mean()) - 89) <= 4
    assert truth.shape == (3, 3)


def test_measured_bar_sets_the_true_scale() -> None:
    photo, _ = card_photo("a5", px_per_mm=6)
    nominal = view_from_card(photo)
    measured = view_from_card(photo, bar_mm=97.4)
    ratio = measured.scale.mm_per_px / nominal.scale.mm_per_px
    assert ratio == pytest.approx(0.974, abs=1e-4)
    assert "print-scale-unknown" in nominal.flags
    assert "print-scale-unknown" not in measured.flags
    assert measured.scale.mm_per_px_err < nominal.scale.mm_per_px_err


def test_a_bar_that_cannot_be_this_card_s_is_refused() -> None:
    photo, _ = card_photo("a5", px_per_mm=6)
    with pytest.raises(BarDoubtful, match="100 mm"):
        view_from_card(photo, bar_mm=75.0)


def test_view_has_fixed_scale_and_puts_plate_points_where_they_are() -> None:
    photo, truth = card_photo("a5", tilt=25, roll=40, px_per_mm=6)
    view = view_from_card(photo)
    window = card_layout("a5").window
    assert window is not None
    assert view.px_per_mm == VIEW_PX_PER_MM >= 5
    assert view.rgb.shape[:2] == (
        round(window.height * VIEW_PX_PER_MM),
        round(window.width * VIEW_PX_PER_MM),
    )
    place_mm = np.array([[60.0, 100.0]])
    back = view.to_mm(view.from_mm(place_mm))
    np.testing.assert_allclose(back, place_mm, atol=1e-9)
    np.testing.assert_allclose(view.to_photo(place_mm), apply_homography(truth, place_mm), atol=0.5)


def _two_small(codes: tuple[int, int], copies: tuple[int, int]) -> np.ndarray:
    picture = (1800, 1400)
    scene = np.full((picture[1], picture[0]), 0.12, np.float32)
    first = camera(ID1_MM, tilt=15, roll=5, px_per_mm=7, picture=picture)
    move = np.array([[0.0, -1, 60], [1, 0, -100], [0, 0, 1.0]])
    back = np.array([[1.0, 0, -10], [0, 1, 45], [0, 0, 1]])
    place(scene, paper("small", codes[0], copy=copies[0]), first @ back)
    place(scene, paper("small", codes[1], copy=copies[1]), first @ back @ move)
    return develop(scene)


def test_two_cards_of_one_plate_are_used_together() -> None:
    view = view_from_card(_two_small((77, 77), (0, 1)))
    assert view.plate == "0077"
    assert "few-markers" not in view.flags
    assert view.scale.reprojection_px < 0.4
    # Both cards are taken out of the measured area.
    height, width = view.valid.shape
    covered = (~view.valid).sum() / VIEW_PX_PER_MM**2
    assert covered > 1.9 * ID1_MM[0] * ID1_MM[1]
    assert height * width > covered


def test_cards_of_two_plates_are_an_error_in_words() -> None:
    with pytest.raises(CardsOfTwoPlates, match=r"0077 and 0078|0078 and 0077"):
        view_from_card(_two_small((77, 78), (0, 0)))


def test_mirrored_photo_is_an_error_in_words() -> None:
    photo, _ = card_photo("a5", px_per_mm=6)
    with pytest.raises(CardMirrored, match="mirror"):
        view_from_card(np.ascontiguousarray(photo[:, ::-1]))


def test_half_a_card_says_how_many_markers_were_found() -> None:
    photo, _ = card_photo("small", px_per_mm=9, hidden=(0, 3, 4))
    with pytest.raises(CardIncomplete, match=r"3 of the card's 6 .* need 4"):
        view_from_card(photo)


def test_missing_card_offers_the_way_without() -> None:
    rng = np.random.default_rng(1)
    photo = rng.integers(60, 120, (900, 1200, 3), dtype=np.uint8)
    with pytest.raises(CardMissing, match="--mm-per-px"):
        view_from_card(photo)


@pytest.mark.parametrize("blur_px", [9.0, 15.0])
def test_heavy_blur_is_an_error_in_words(blur_px: float) -> None:
    photo, _ = card_photo("a5", px_per_mm=5.5, blur_px=blur_px, picture=(1400, 1200), noise=0.002)
    with pytest.raises(PhotoBlurred, match=r"[Ff]ocus"):
        view_from_card(photo)


def test_soft_photo_is_flagged() -> None:
    photo, _ = card_photo("a5", px_per_mm=6, blur_px=2.5)
    assert "soft" in view_from_card(photo).flags


@pytest.mark.parametrize("gain", [3, 6])
def test_overexposed_photo_is_an_error_in_words(gain: int) -> None:
    photo, _ = card_photo("a5", px_per_mm=6)
    bright = np.clip(photo.astype(int) * gain, 0, 255).astype(np.uint8)
    with pytest.raises(PhotoOverexposed, match="exposure"):
        view_from_card(bright)


def test_black_photo_of_a_card_is_refused() -> None:
    photo, _ = card_photo("a5", px_per_mm=6, noise=0.0)
    dark = (photo // 21).astype(np.uint8)
    with pytest.raises((PhotoDark, CardMissing, CardIncomplete)):
        view_from_card(dark)


def test_given_scale_keeps_the_photo_whole() -> None:
    rng = np.random.default_rng(2)
    photo = cv2.resize(rng.integers(0, 255, (60, 80, 3), dtype=np.uint8), (800, 600))
    view = view_at_scale(np.asarray(photo, np.uint8), 0.1)
    assert view.rgb.shape[:2] == (60 * VIEW_PX_PER_MM, 80 * VIEW_PX_PER_MM)
    assert view.scale.source == "given"
    assert np.isnan(view.scale.mm_per_px_err)
    np.testing.assert_allclose(view.to_photo(np.array([[8.0, 6.0]])), [[80.0, 60.0]])


def test_same_photo_gives_the_same_bytes_twice() -> None:
    photo, _ = card_photo("small", px_per_mm=9, tilt=20, roll=30)
    first, second = view_from_card(photo), view_from_card(photo)
    assert first.rgb.tobytes() == second.rgb.tobytes()
    assert first.plate_to_photo.tobytes() == second.plate_to_photo.tobytes()
