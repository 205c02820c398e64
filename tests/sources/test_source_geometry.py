"""Scale and plane against a worked example, a construction without algebra, and a real photo."""

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from polypvision.calibrate.markers import find_markers
from polypvision.calibrate.plane import CardCorners, fit_plane, mm_per_px, tilt_deg
from polypvision.calibrate.view import apply_homography
from polypvision.card.code import CARD_NAMES, FIELD
from polypvision.card.layout import card_layout
from polypvision.reading import Points

# Worked example: an ID-1 card (ISO/IEC 7810, 85.60 x 53.98 mm) seen in perspective.
CARD_MM = np.array([[0.0, 0.0], [85.6, 0.0], [85.6, 53.98], [0.0, 53.98]])
PHOTO_PX = np.array([[100.0, 120.0], [950.0, 160.0], [900.0, 700.0], [140.0, 640.0]])


def crossing(corners: Points) -> Points:
    """Where the diagonals of a quadrilateral cross: two lines, no homography."""
    a, b, c, d = corners
    along, across = c - a, d - b
    offset = b - a
    share = (offset[0] * across[1] - offset[1] * across[0]) / (
        along[0] * across[1] - along[1] * across[0]
    )
    crossed: Points = a + share * along
    return crossed


def square_to_quad(corners: Points) -> NDArray[np.float64]:
    """Unit square to quadrilateral in closed form.

    Heckbert P 1989, Fundamentals of Texture Mapping and Image Warping, MSc thesis, UC Berkeley
    (from memory).
    """
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = corners
    sx, sy = x0 - x1 + x2 - x3, y0 - y1 + y2 - y3
    dx1, dx2, dy1, dy2 = x1 - x2, x3 - x2, y1 - y2, y3 - y2
    bottom = dx1 * dy2 - dx2 * dy1
    g = (sx * dy2 - dx2 * sy) / bottom
    h = (dx1 * sy - sx * dy1) / bottom
    return np.array(
        [
            [x1 - x0 + g * x1, x3 - x0 + h * x3, x0],
            [y1 - y0 + g * y1, y3 - y0 + h * y3, y0],
            [g, h, 1.0],
        ]
    )


class TestWorkedExample:
    def fit(self) -> NDArray[np.float64]:
        return fit_plane([CardCorners(card_mm=CARD_MM, photo_px=PHOTO_PX)]).plate_to_photo

    def test_matrix(self) -> None:
        # Also given by OpenCV's getPerspectiveTransform, scikit-image and Heckbert to 1e-7.
        expected = [
            [9.37687939, 1.03964396, 100.0],
            [0.374148282, 10.9983576, 120.0],
            [-5.82134024e-4, 2.13306260e-3, 1.0],
        ]
        assert self.fit() == pytest.approx(np.array(expected), rel=1e-6)

    def test_closed_form(self) -> None:
        closed = square_to_quad(PHOTO_PX) @ np.diag([1 / 85.6, 1 / 53.98, 1.0])
        assert self.fit() == pytest.approx(closed, rel=1e-7)

    def test_card_centre_is_where_the_diagonals_cross(self) -> None:
        centre = apply_homography(self.fit(), np.array([[42.8, 26.99]]))[0]
        assert centre == pytest.approx([512.6493, 419.1708], abs=5e-5)
        assert centre == pytest.approx(crossing(PHOTO_PX), abs=1e-6)

    def test_nine_more_points_by_crossing_diagonals_of_parts(self) -> None:
        # Every quarter card, eighth card, ... has its middle where its own diagonals cross.
        homography = self.fit()
        for x in (0.0, 21.4, 42.8, 64.2):
            for y in (0.0, 26.99):
                part = np.array([[x, y], [x + 21.4, y], [x + 21.4, y + 26.99], [x, y + 26.99]])
                middle = apply_homography(homography, part.mean(axis=0)[None])[0]
                assert middle == pytest.approx(
                    crossing(apply_homography(homography, part)), abs=1e-8
                )


def test_scale_of_a_flat_card_is_exact() -> None:
    # 300 dots per inch are 300/25.4 = 11.81102 px/mm; the inch is 25.4 mm exactly.
    flat = CARD_MM * 300 / 25.4
    fit = fit_plane([CardCorners(card_mm=CARD_MM, photo_px=flat)])
    value = mm_per_px(fit.plate_to_photo, np.array([42.8, 26.99]))
    assert 1 / value == pytest.approx(11.81102, abs=5e-6)
    assert tilt_deg(fit.plate_to_photo, np.array([42.8, 26.99])) == pytest.approx(0, abs=1e-3)


@pytest.mark.parametrize(("height", "distance"), [(5, 400), (10, 400), (15, 300), (20, 600)])
def test_a_card_above_the_polyps_reads_them_small_by_height_over_distance(
    height: float, distance: float
) -> None:
    # Exact, by similar triangles: measured/true = (Z - h)/Z, so -1.25, -2.5, -5, -3.33 percent.
    focal = 3000.0
    card_px = CARD_MM * focal / (distance - height)
    fit = fit_plane([CardCorners(card_mm=CARD_MM, photo_px=card_px)])
    polyp_px = np.array([[0.0, 0.0], [30.0, 0.0]]) * focal / distance
    to_plate = np.asarray(np.linalg.inv(fit.plate_to_photo), dtype=np.float64)
    ends = apply_homography(to_plate, polyp_px)
    assert np.linalg.norm(ends[1] - ends[0]) / 30 - 1 == pytest.approx(-height / distance, rel=1e-9)


class TestRealBoardPhoto:
    """A real photo of a printed 5 x 7 ChArUco board, from Debian's opencv-doc (BSD-3).

    Squares 40 mm, markers 20 mm, dictionary DICT_6X6_250, whose markers are the first 250 of
    DICT_6X6_1000, so the search for our cards finds them too.
    """

    PHOTO = Path("/usr/share/doc/opencv-doc/opencv4/html/choriginal.jpg")

    @pytest.fixture
    def rgb(self) -> NDArray[np.uint8]:
        if not self.PHOTO.exists():
            pytest.skip("Debian's opencv-doc is not installed, so its board photo is not here")
        picture = cv2.imread(str(self.PHOTO))
        assert picture is not None
        return np.ascontiguousarray(picture[..., ::-1], dtype=np.uint8)

    def board(self) -> Any:
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
        return cv2.aruco.CharucoBoard((5, 7), 40.0, 20.0, dictionary)

    def chess_corners(self, rgb: NDArray[np.uint8]) -> CardCorners:
        board = self.board()
        found, ids, _, markers = cv2.aruco.CharucoDetector(board).detectBoard(rgb)
        assert (len(ids), len(markers)) == (24, 17)
        places = board.getChessboardCorners()[np.ravel(ids)][:, :2]
        return CardCorners(
            card_mm=places.astype(np.float64), photo_px=found.reshape(-1, 2).astype(np.float64)
        )

    def test_24_corners_lie_in_a_plane_to_a_fifth_of_a_pixel(self, rgb: NDArray[np.uint8]) -> None:
        # 17 markers, 24 corners; 0.22 px by OpenCV's own homography.
        fit = fit_plane([self.chess_corners(rgb)])
        assert fit.reprojection_px == pytest.approx(0.22, abs=0.005)
        assert fit.outliers == 0

    def test_our_marker_corners_predict_them(self, rgb: NDArray[np.uint8]) -> None:
        slots = [
            (name, place)
            for name in CARD_NAMES
            for place in range(len(card_layout(name.kind).markers))
        ]
        markers = {
            slots.index((m.place.card, m.place.place)) * FIELD + m.place.symbol: m.corners_xy
            for m in find_markers(rgb)
        }
        assert sorted(markers) == list(range(17))
        squares = self.board().getObjPoints()
        ours = CardCorners(
            card_mm=np.concatenate([squares[k][:, :2] for k in sorted(markers)]).astype(float),
            photo_px=np.concatenate([markers[k] for k in sorted(markers)]),
        )
        fit = fit_plane([ours])
        # The markers are 20 px small and the lens is not corrected: half a pixel.
        assert fit.reprojection_px < 0.5
        chess = self.chess_corners(rgb)
        off = apply_homography(fit.plate_to_photo, chess.card_mm) - chess.photo_px
        assert np.sqrt((off**2).sum(axis=1).mean()) < 0.5

    def test_six_single_markers(self) -> None:
        photo = self.PHOTO.with_name("singlemarkersoriginal.jpg")
        if not photo.exists():
            pytest.skip("Debian's opencv-doc is not installed, so its marker photo is not here")
        picture = cv2.imread(str(photo))
        assert picture is not None
        # OpenCV's tutorial on marker detection names six: 23, 40, 62, 98, 124, 203.
        assert len(find_markers(np.ascontiguousarray(picture[..., ::-1], dtype=np.uint8))) == 6
