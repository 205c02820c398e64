"""Lens profiles against lenses that drew the photos, and OpenCV's published chessboards."""

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from board_shots import SIZE, shots

from polypvision.calibrate.board import (
    BoardView,
    calibrate_lens,
    check_lens,
    find_board,
    fine_corners,
)
from polypvision.calibrate.lens import distorted
from polypvision.card.board import BOARD, charuco_board
from polypvision.card.code import CARD_NAMES, CODE_MAX, marker_ids, marker_place
from polypvision.card.draw import board_page, card_pixels
from polypvision.errors import LensError

FOCAL, K1 = 1150.0, -0.06


@pytest.fixture(scope="module")
def views() -> list[BoardView]:
    found = [find_board(rgb) for rgb in shots(14, focal_px=FOCAL, k1=K1, seed=1)]
    return [view for view in found if view is not None]


def test_no_card_uses_a_marker_of_the_board() -> None:
    own = {number for _, number in BOARD.markers}
    assert len(own) == 31
    assert max(own) < 1000  # DICT_6X6_1000
    assert all(marker_place(number) is None for number in own)
    for code in (1, 2345, CODE_MAX):
        assert not any(own & set(marker_ids(code, name)) for name in CARD_NAMES)


def test_the_drawing_is_what_the_library_draws() -> None:
    # OpenCV's own picture of the board, 10 pixels per mm; ours has the sheet's margin round it.
    side = BOARD.square_mm * 10
    theirs = charuco_board().generateImage(
        (int(BOARD.columns * side), int(BOARD.rows * side)), None, 0, 1
    )
    ours = card_pixels(board_page(), 10.0)
    x, y = (int(value * 10) for value in BOARD.first)
    part = ours[y : y + theirs.shape[0], x : x + theirs.shape[1]]
    # Anti-aliased edges differ; nothing else may.
    assert np.mean(np.abs(part.astype(int) - theirs) > 100) < 0.01
    assert (ours[: y - 2] == 255).all()


def test_the_lens_that_drew_the_photos_is_found(views: list[BoardView]) -> None:
    assert len(views) >= 12
    fit = calibrate_lens(views, SIZE)
    check_lens(fit, SIZE)
    assert fit.focal_px == pytest.approx(FOCAL, rel=3 * fit.focal_err)
    assert fit.focal_err < 0.004
    assert fit.centre_px == pytest.approx(((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2), abs=3.0)
    assert fit.rms_px < 0.25
    assert fit.coverage > 0.9
    # Where the lens puts a point, to half a pixel in the corner, whatever k1 and k2 share.
    corner = np.array([[40.0, 40.0], [1160.0, 860.0], [600.0, 30.0]])
    true = distorted(corner, ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2), (K1, 0, 0, 0, 0), FOCAL)
    scaled = (corner - (SIZE[0] / 2, SIZE[1] / 2)) * fit.focal_px / FOCAL
    found = distorted(scaled + fit.centre_px, fit.centre_px, fit.distortion, fit.focal_px)
    np.testing.assert_allclose(found, true, atol=3.0)
    radius = math.hypot(*SIZE) / 2
    bend = (found - true) / radius
    assert np.abs(bend).max() < 0.004


def test_a_photo_that_moved_is_left_out(views: list[BoardView]) -> None:
    rng = np.random.default_rng(0)
    moved = BoardView(
        board_mm=views[0].board_mm,
        photo_px=views[0].photo_px + rng.normal(0, 4, views[0].photo_px.shape),
    )
    fit = calibrate_lens([moved, *views[1:]], SIZE)
    assert np.isnan(fit.photo_rms_px[0])
    assert np.isfinite(fit.photo_rms_px[1:]).all()
    assert fit.rms_px < 0.25


def test_too_few_photos_are_said(views: list[BoardView]) -> None:
    with pytest.raises(LensError, match="5 photos, and 6 are needed"):
        calibrate_lens(views[:5], SIZE)


def test_only_the_middle_of_the_picture_is_said(views: list[BoardView]) -> None:
    centre = [
        BoardView(board_mm=v.board_mm[keep], photo_px=v.photo_px[keep])
        for v in views
        if (keep := (np.abs(v.photo_px - np.array(SIZE) / 2) < (280, 200)).all(axis=1)).sum() > 8
    ]
    with pytest.raises(LensError, match=r"only \d+ % of the picture|only \d+% of the picture"):
        check_lens(calibrate_lens(centre, SIZE), SIZE)


def test_a_board_seen_only_straight_on_is_said() -> None:
    found = [find_board(rgb) for rgb in shots(8, tilt=0.0, seed=4)]
    fit = calibrate_lens([view for view in found if view is not None], SIZE)
    with pytest.raises(LensError, match=r"tilted by at most|miss by|only"):
        check_lens(fit, SIZE)


def test_a_curled_board_is_said(views: list[BoardView]) -> None:
    curled = [
        BoardView(
            board_mm=v.board_mm,
            photo_px=v.photo_px
            + 0.004 * (v.board_mm[:, :1] - 90) ** 2 * np.array([[math.cos(n), math.sin(n)]]),
        )
        for n, v in enumerate(views)
    ]
    with pytest.raises(LensError, match="miss by"):
        check_lens(calibrate_lens(curled, SIZE), SIZE)


class TestPublishedChessboards:
    """The 13 pictures left*.jpg of Debian's opencv-doc (BSD-3), 9 x 6 inner corners, 640 x 480.

    Published beside them, in left_intrinsics.yml: 13 frames, aspect ratio fixed, focal length
    535.916, centre 342.283, 235.571, average reprojection error 0.39259.
    """

    FOLDER = Path("/usr/share/doc/opencv-doc/examples/data")

    def views(self, window_px: int) -> list[BoardView]:
        names = [self.FOLDER / f"left{n:02d}.jpg" for n in (*range(1, 10), 11, 12, 13, 14)]
        if not names[0].exists():
            pytest.skip("Debian's opencv-doc is not installed, so its chessboards are not here")
        x, y = np.meshgrid(np.arange(9), np.arange(6))
        board = np.array(np.column_stack([x.ravel(), y.ravel(), np.zeros(54)]) * 25, np.float64)
        found = []
        for name in names:
            grey = np.asarray(cv2.imread(str(name), cv2.IMREAD_GRAYSCALE), np.uint8)
            seen, corners = cv2.findChessboardCorners(grey, (9, 6))
            assert seen, name
            rough = np.asarray(corners, np.float64).reshape(-1, 2)
            found.append(BoardView(board_mm=board, photo_px=fine_corners(grey, rough, window_px)))
        return found

    def test_the_published_way(self) -> None:
        views = self.views(11)
        start = np.array([[640.0, 0, 319.5], [0, 640.0, 239.5], [0, 0, 1]])
        error, inner, *_ = cv2.calibrateCamera(
            [v.board_mm.astype(np.float32) for v in views],
            [v.photo_px.astype(np.float32) for v in views],
            (640, 480),
            start,
            np.zeros(5),
            flags=cv2.CALIB_FIX_ASPECT_RATIO,
        )
        assert error == pytest.approx(0.39259, abs=0.02)
        assert inner[0, 0] == pytest.approx(535.916, abs=0.5)

    def test_our_way(self) -> None:
        # A smaller window for the corners halves the error (0.196 px) and moves the focal length
        # to 533.0, half a percent from the published one, which rests on the worse corners.
        fit = calibrate_lens(self.views(5), (640, 480))
        assert fit.rms_px < 0.21
        assert np.isfinite(fit.photo_rms_px).all()
        assert fit.focal_px == pytest.approx(535.916, rel=2 * fit.focal_err)
        assert fit.centre_px == pytest.approx((342.283, 235.571), abs=2.0)
        check_lens(fit, (640, 480))
