"""A lens calibrated from photos of the board, and a judgement whether it can be trusted.

References
----------
Zhang Z 2000, A flexible new technique for camera calibration, IEEE Trans Pattern Anal Mach Intell
22(11):1330-1334 (from memory); as OpenCV's calibrateCamera does it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.lens import FittedLens
from polypvision.card.board import board_corners_mm, charuco_board
from polypvision.errors import LensError
from polypvision.reading import Points
from polypvision.words import counted

LEAST_PHOTOS = 6
"""Zhang needs three views; half a dozen lets a bad one show."""
LEAST_CORNERS = 12
_WINDOW_PX = 5
"""Half the side of the window for sub-pixel corners: larger ones take in neighbouring corners and
were seen to double the error (0.42 against 0.20 px on OpenCV's chessboard pictures)."""
_BAD_PHOTO = 3.0
"""A photo whose residual is so many times the median one was moved or out of focus."""
_RMS_SHARE = 0.0008
"""Residual, as a part of the picture's longer side, beyond which a profile is refused: 3 px of
4000. A curled board, a zoom that changed or motion makes it (own choice)."""
_LEAST_FOCAL_ERR, _LEAST_BEND_ERR = 0.003, 0.0005
"""However well the corners fit: a phone's focal length moves with focus and warmth, and no board is
quite flat (own estimate)."""
_COVER_CELLS = 4
_LEAST_COVER = 0.6
"""Part of 4 x 4 fields of the picture that corners must have been seen in (own choice)."""
_LEAST_TILT_DEG = 15.0
"""Some views must be tilted so far, or focal length and distance cannot be told apart."""


@dataclass(frozen=True, kw_only=True, eq=False)
class BoardView:
    """Corners of a flat board in one photo: on the board (n, 3) in mm and in the photo (n, 2)."""

    board_mm: NDArray[np.float64]
    photo_px: Points


@dataclass(frozen=True, kw_only=True, eq=False)
class LensFit(FittedLens):
    """A lens fitted to photos, and how well each bears it out.

    Attributes
    ----------
    photo_rms_px : tuple of float
        ``rms_px`` of each photo; NaN for one that was left out.
    tilt_deg : float
        Largest tilt of the board against the line of sight.
    """

    photo_rms_px: tuple[float, ...]
    tilt_deg: float


def find_board(rgb: NDArray[np.uint8]) -> BoardView | None:
    """Return the board's corners in a photo; None if fewer than `LEAST_CORNERS` are seen.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
    """
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    found, ids, _, _ = cv2.aruco.CharucoDetector(charuco_board()).detectBoard(grey)
    if ids is None or len(ids) < LEAST_CORNERS:
        return None
    return BoardView(
        board_mm=board_corners_mm()[np.ravel(ids)],
        photo_px=fine_corners(grey, np.asarray(found, np.float64).reshape(-1, 2)),
    )


def fine_corners(grey: NDArray[np.uint8], corners: Points, window_px: int = _WINDOW_PX) -> Points:
    """Return chessboard corners (n, 2) at sub-pixel places."""
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    places = corners.astype(np.float32).reshape(-1, 1, 2).copy()
    cv2.cornerSubPix(grey, places, (window_px, window_px), (-1, -1), criteria)
    return np.asarray(places, np.float64).reshape(-1, 2)


def calibrate_lens(views: Sequence[BoardView], size_px: tuple[int, int]) -> LensFit:
    """Fit a lens to views of a board, all taken with the same lens, zoom and picture size.

    Square pixels are taken for granted; k3 is left at 0, for it and k2 cannot be told apart on
    phones. Photos that fit far worse than the others are left out once.

    Parameters
    ----------
    views : sequence of BoardView
    size_px : tuple of 2 ints
        Width and height of the pictures.

    Raises
    ------
    LensError
        If there are too few views.
    """
    if len(views) < LEAST_PHOTOS:
        raise LensError(
            f"The board was found in {counted(len(views), 'photo')}, and {LEAST_PHOTOS} are "
            "needed. Take 10 to 20 sharp ones of the whole board, from all sides."
        )
    first = _solved(views, size_px)
    worst = _BAD_PHOTO * float(np.median(first.photo_rms_px))
    good = [rms <= worst for rms in first.photo_rms_px]
    if all(good) or sum(good) < LEAST_PHOTOS:
        return first
    kept = _solved([v for v, keep in zip(views, good, strict=True) if keep], size_px)
    left = iter(kept.photo_rms_px)
    marks = tuple(next(left) if keep else math.nan for keep in good)
    return LensFit(**{**vars(kept), "photo_rms_px": marks})


def _solved(views: Sequence[BoardView], size_px: tuple[int, int]) -> LensFit:
    start = np.array(
        [[size_px[0], 0, (size_px[0] - 1) / 2], [0, size_px[0], (size_px[1] - 1) / 2], [0, 0, 1.0]]
    )
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_K3
    rms, inner, bend, turns, _, errs, _, per_view = cv2.calibrateCameraExtended(
        [view.board_mm.astype(np.float32) for view in views],
        [view.photo_px.astype(np.float32) for view in views],
        size_px,
        start,
        np.zeros(5),
        flags=flags,
    )
    k1, k2, p1, p2, k3 = (float(value) for value in np.ravel(bend)[:5])
    # In OpenCV's order: fx, fy, cx, cy, k1, k2 ...; the aspect being fixed, one of fx, fy is 0.
    spread = np.ravel(errs)
    focal = float(inner[0, 0])
    corner = math.hypot(*size_px) / 2 / focal
    tilts = [math.degrees(math.acos(min(abs(cv2.Rodrigues(t)[0][2, 2]), 1.0))) for t in turns]
    return LensFit(
        focal_px=focal,
        focal_err=max(float(max(spread[0], spread[1])) / focal, _LEAST_FOCAL_ERR),
        centre_px=(float(inner[0, 2]), float(inner[1, 2])),
        centre_err_px=float(max(spread[2], spread[3])),
        distortion=(k1, k2, p1, p2, k3),
        bend_err=max(float(spread[4]) * corner**2, _LEAST_BEND_ERR),
        rms_px=float(rms),
        photo_rms_px=tuple(float(value) for value in np.ravel(per_view)),
        coverage=_coverage(views, size_px),
        tilt_deg=max(tilts),
    )


def _coverage(views: Sequence[BoardView], size_px: tuple[int, int]) -> float:
    seen = np.zeros((_COVER_CELLS, _COVER_CELLS), np.bool_)
    for view in views:
        cells = (view.photo_px / size_px * _COVER_CELLS).astype(int).clip(0, _COVER_CELLS - 1)
        seen[cells[:, 1], cells[:, 0]] = True
    return float(seen.mean())


def check_lens(fit: LensFit, size_px: tuple[int, int]) -> None:
    """Refuse a lens that photos do not bear out.

    Raises
    ------
    LensError
        Saying what is the matter with the photos.
    """
    if fit.rms_px > _RMS_SHARE * max(size_px):
        raise LensError(
            f"The corners miss by {fit.rms_px:.1f} px, so no single lens made these photos or the "
            "board is not flat. Glue it on something stiff, keep zoom and focus, hold still, and "
            "take them again."
        )
    if fit.coverage < _LEAST_COVER:
        raise LensError(
            f"The board was seen in only {fit.coverage:.0%} of the picture. Take more photos with "
            "the board in each corner and along each edge."
        )
    if fit.tilt_deg < _LEAST_TILT_DEG:
        raise LensError(
            f"The board was tilted by at most {fit.tilt_deg:.0f} degrees, which does not tell the "
            "focal length. Take some photos from the side, 30 to 45 degrees off."
        )
