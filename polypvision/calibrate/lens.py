"""What is known of a photo's lens: from a profile, from its Exif, or only from what is usual.

References
----------
Brown DC 1971, Close-range camera calibration, Photogrammetric Engineering 37(8):855-866 (from
memory), in the notation of OpenCV: k1, k2, p1, p2, k3.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.reading import Points

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
"""Of 35 mm film, whose frame is 36 x 24 mm."""
_EXIF_ERR = 0.04
"""Relative standard uncertainty of a focal length by its 35 mm equivalent: cameras round it to
whole millimetres, count it along the diagonal or the width, and focus near (own estimate)."""
_USUAL_DIAGONALS, _USUAL_ERR = 0.8, 0.25
"""Focal length in diagonals of the picture, and its relative uncertainty, where nothing is known:
24 to 50 mm equivalent are 0.55 to 1.16 diagonals, 37 % either way; as a rectangle that is 0.21."""
_BEND_ERR = 0.004
"""Displacement in the corners, as a part of the radius, that a camera's own correction of its lens
leaves (own estimate: phones correct theirs to about half a percent)."""
_CENTRE_ERR = 0.01
"""Uncertainty of the principal point in diagonals of the picture (own estimate)."""

LensSource = Literal["profile", "exif", "usual"]


@dataclass(frozen=True, kw_only=True)
class Lens:
    """Focal length, principal point and distortion for one upright photo.

    Attributes
    ----------
    focal_px, focal_err : float
        And its standard uncertainty, as a part of it.
    centre_px, centre_err_px : tuple of 2 floats, float
        Principal point.
    distortion : tuple of 5 floats
        k1, k2, p1, p2, k3.
    bend_err : float
        Standard uncertainty of the displacement in the picture's corners, as a part of the radius.
    corner_px : float
        Distance of the corners from the middle of the picture.
    source : {'profile', 'exif', 'usual'}
    name : str
        Of the profile.
    """

    focal_px: float
    focal_err: float
    centre_px: tuple[float, float]
    centre_err_px: float
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    bend_err: float = _BEND_ERR
    corner_px: float
    source: LensSource
    name: str = ""


@dataclass(frozen=True, kw_only=True)
class FittedLens:
    """A lens as photos of a board show it, in their pixels as stored.

    Attributes
    ----------
    focal_px, focal_err : float
        Standard uncertainty as a part of it.
    centre_px, centre_err_px : tuple of 2 floats, float
    distortion : tuple of 5 floats
        k1, k2, p1, p2, k3.
    bend_err : float
        Standard uncertainty of the displacement in the corners, as a part of the radius.
    rms_px : float
        Root mean square distance of the corners from where the lens puts them.
    coverage : float
        Part of the picture in which corners were seen, 0 to 1.
    """

    focal_px: float
    focal_err: float
    centre_px: tuple[float, float]
    centre_err_px: float
    distortion: tuple[float, float, float, float, float]
    bend_err: float
    rms_px: float
    coverage: float


def usual_lens(width_px: int, height_px: int) -> Lens:
    """Return what is known of a lens of which nothing is known."""
    diagonal = math.hypot(width_px, height_px)
    return Lens(
        focal_px=_USUAL_DIAGONALS * diagonal,
        focal_err=_USUAL_ERR,
        centre_px=((width_px - 1) / 2, (height_px - 1) / 2),
        centre_err_px=_CENTRE_ERR * diagonal,
        corner_px=diagonal / 2,
        source="usual",
    )


def exif_lens(width_px: int, height_px: int, focal_35mm: float) -> Lens:
    """Return the lens of a whole, unzoomed photo by its focal length in 35 mm film.

    Parameters
    ----------
    width_px, height_px : int
    focal_35mm : float
        Exif tag 0xA405, FocalLengthIn35mmFilm, mm; above 0.

    Examples
    --------
    >>> round(exif_lens(4000, 3000, 26).focal_px)
    3005
    """
    diagonal = math.hypot(width_px, height_px)
    return replace(
        usual_lens(width_px, height_px),
        focal_px=focal_35mm / FULL_FRAME_DIAGONAL_MM * diagonal,
        focal_err=_EXIF_ERR,
        source="exif",
    )


def cropped_lens(width_px: int, height_px: int) -> Lens:
    """Return what is known of the lens of a cropped photo: its middle may be anywhere in it."""
    usual = usual_lens(width_px, height_px)
    return replace(usual, focal_err=2 * _USUAL_ERR, centre_err_px=0.3 * usual.corner_px)


def distorted(
    ideal_px: Points,
    centre_px: tuple[float, float],
    distortion: tuple[float, ...],
    focal_px: float,
) -> Points:
    """Return where the lens puts points (n, 2) that an ideal one would put at ``ideal_px``."""
    k1, k2, p1, p2, k3 = distortion
    x, y = ((ideal_px - centre_px) / focal_px).T
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    bent = np.column_stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        ]
    )
    return np.asarray(bent * focal_px + centre_px, np.float64)


def straightened(
    photo_px: Points,
    centre_px: tuple[float, float],
    distortion: tuple[float, ...],
    focal_px: float,
) -> Points:
    """Return where an ideal lens would put points (n, 2) of the photo: `distorted` backwards."""
    if not any(distortion) or not len(photo_px):
        return np.asarray(photo_px, np.float64)
    camera = np.array([[focal_px, 0, centre_px[0]], [0, focal_px, centre_px[1]], [0, 0, 1.0]])
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-10)
    points = np.asarray(photo_px, np.float64).reshape(-1, 1, 2)
    straight = cv2.undistortPoints(
        points, camera, np.array(distortion), None, None, camera, criteria
    )
    return np.asarray(straight, np.float64).reshape(-1, 2)


def upright_lens(lens: Lens, orientation: int, stored_px: tuple[int, int]) -> Lens:
    """Return a lens, known for photos as the sensor stores them, for one that was turned upright.

    Parameters
    ----------
    lens : Lens
    orientation : int
        Exif orientation, 1 to 8.
    stored_px : tuple of 2 ints
        Width and height as stored.
    """
    matrix, shift = stored_to_upright(orientation, stored_px)
    centre = matrix @ np.array(lens.centre_px) + shift
    # (p2, p1) turns like an arrow: the displacement is 2 (p.x) x + p r^2.
    k1, k2, p1, p2, k3 = lens.distortion
    turned = matrix @ np.array([p2, p1])
    return replace(
        lens,
        centre_px=(float(centre[0]), float(centre[1])),
        distortion=(k1, k2, float(turned[1]), float(turned[0]), k3),
    )


def stored_to_upright(
    orientation: int, stored_px: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return matrix (2, 2) and shift (2,) from pixels as stored to pixels of the upright photo.

    Source: Exif (CIPA DC-008), table of the tag Orientation, from memory.
    """
    width, height = stored_px[0] - 1.0, stored_px[1] - 1.0
    turns: dict[int, tuple[list[list[float]], list[float]]] = {
        2: ([[-1, 0], [0, 1]], [width, 0]),
        3: ([[-1, 0], [0, -1]], [width, height]),
        4: ([[1, 0], [0, -1]], [0, height]),
        5: ([[0, 1], [1, 0]], [0, 0]),
        6: ([[0, -1], [1, 0]], [height, 0]),
        7: ([[0, -1], [-1, 0]], [height, width]),
        8: ([[0, 1], [-1, 0]], [0, width]),
    }
    matrix, shift = turns.get(orientation, ([[1, 0], [0, 1]], [0, 0]))
    return np.array(matrix, np.float64), np.array(shift, np.float64)
