"""The plane of the plate: a robust homography from card corners, with its covariance.

Several cards of one plate are solved together: the first gives the plate's coordinates, each
further one is a rigid sheet in the same plane whose place is found along with the homography.

References
----------
Hartley R, Zisserman A 2004, Multiple View Geometry in Computer Vision, 2nd ed., ch. 4
(normalisation, estimation) and 5 (covariance of the estimate); chapters from memory.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.view import apply_homography
from polypvision.reading import Points

FLOOR_PX = 0.05
"""Corners are never trusted better than this, however well a few of them happen to fit."""
_ALL_FIT_PX = 0.35
"""Where no corner is farther off, none is wrong (own choice: those of good photos are 0.05 to 0.35
off at most), and no corners need be told from others, which takes longer than the fit itself."""
_ROUGHLY = 1e-3
"""Relative change of a fit at which it may end that only tells good corners from bad ones."""


@dataclass(frozen=True, kw_only=True, eq=False)
class CardCorners:
    """Corresponding points of one card: on the card (mm) and in the photo (pixels), (n, 2) each."""

    card_mm: Points
    photo_px: Points


@dataclass(frozen=True, kw_only=True, eq=False)
class PlaneFit:
    """The fitted plane.

    Attributes
    ----------
    plate_to_photo : ndarray (3, 3)
        Homography, mm to photo pixels, last element 1.
    covariance : ndarray (8, 8)
        Of its first eight elements, row by row.
    response : ndarray (8, 2 m)
        How these elements follow the corners in the photo: x1, y1, x2, y2 ...
    photo_px : ndarray (m, 2)
        The corners that fit.
    card_poses : tuple of ndarray (3, 3)
        Rigid motion from each card's own coordinates to the plate's; the first is the identity.
    reprojection_px : float
        Root mean square distance of the used corners from where the fit puts them.
    noise_px : float
        Standard deviation of one coordinate of a corner.
    outliers : int
        Corners left out because they do not fit the plane.
    """

    plate_to_photo: NDArray[np.float64]
    covariance: NDArray[np.float64]
    response: NDArray[np.float64]
    photo_px: Points
    card_poses: tuple[NDArray[np.float64], ...]
    reprojection_px: float
    noise_px: float
    outliers: int


def _normaliser(points: Points) -> NDArray[np.float64]:
    """Similarity (3, 3) that moves points to mean 0 and mean distance sqrt 2."""
    centre = points.mean(axis=0)
    spread = np.linalg.norm(points - centre, axis=1).mean()
    size = np.sqrt(2.0) / max(float(spread), 1e-9)
    return np.array([[size, 0, -size * centre[0]], [0, size, -size * centre[1]], [0, 0, 1.0]])


def rigid(x_mm: float, y_mm: float, angle: float) -> NDArray[np.float64]:
    """Return the rigid motion (3, 3) that turns by an angle (radians), then shifts."""
    cos, sin = np.cos(angle), np.sin(angle)
    return np.array([[cos, -sin, x_mm], [sin, cos, y_mm], [0.0, 0.0, 1.0]])


def rigid_values(pose: NDArray[np.float64]) -> tuple[float, float, float]:
    """Return x, y and angle of a rigid motion (3, 3)."""
    return float(pose[0, 2]), float(pose[1, 2]), float(np.arctan2(pose[1, 0], pose[0, 0]))


def inliers(off_px: Points, n_parameters: int) -> NDArray[np.bool_]:
    """Return which corners (n,) fit, by how far (n, 2) the fit misses them."""
    distance = np.linalg.norm(off_px, axis=1)
    limit = max(3.5 * 1.4826 * float(np.median(distance)), 0.5)
    keep: NDArray[np.bool_] = distance <= limit
    return keep if 2 * keep.sum() >= n_parameters else np.ones(len(distance), dtype=np.bool_)


def _rigid_between(source: Points, target: Points) -> tuple[float, float, float]:
    """Best rigid motion (x, y, angle) from source to target points (Kabsch 1976)."""
    a, b = source - source.mean(axis=0), target - target.mean(axis=0)
    angle = float(np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum()))
    shift = target.mean(axis=0) - rigid(0, 0, angle)[:2, :2] @ source.mean(axis=0)
    return float(shift[0]), float(shift[1]), angle


def _direct(card_mm: Points, photo_px: Points) -> NDArray[np.float64]:
    matrix, _ = cv2.findHomography(card_mm, photo_px, cv2.RANSAC, 4.0)
    if matrix is None or not np.isfinite(matrix).all():
        raise ValueError("the points do not span a plane")
    return np.asarray(matrix / matrix[2, 2], np.float64)


def _slopes(
    norm_mm: NDArray[np.float64], norm_px: NDArray[np.float64], card_mm: Points
) -> Callable[[NDArray[np.float64], NDArray[np.bool_]], NDArray[np.float64]]:
    """Return how the photo places of one card's points follow the normalised homography.

    Most photos show one card, and slopes by formula take a quarter of the time of those by steps.
    """
    ideal = np.column_stack([card_mm, np.ones(len(card_mm))]) @ norm_mm.T

    def slopes(values: NDArray[np.float64], keep: NDArray[np.bool_]) -> NDArray[np.float64]:
        points = ideal[keep]
        moved = points @ np.append(values[:8], 1.0).reshape(3, 3).T
        by_weight = points / moved[:, 2:]
        places = moved[:, :2] / moved[:, 2:]
        found = np.zeros((len(points), 2, 8))
        found[:, 0, 0:3] = found[:, 1, 3:6] = by_weight
        found[:, :, 6:8] = -places[:, :, None] * by_weight[:, None, :2]
        return np.asarray(found.reshape(-1, 8) / norm_px[0, 0], np.float64)

    return slopes


def fit_plane(cards: Sequence[CardCorners]) -> PlaneFit:
    """Fit the homography of the plate's plane to the corners of its cards.

    Parameters
    ----------
    cards : sequence of CardCorners
        At least one, with at least four points each; the first defines the plate's coordinates.

    Returns
    -------
    PlaneFit

    Raises
    ------
    ValueError
        If there are too few points, or they lie on a line.

    Examples
    --------
    >>> mm = np.array([[0.0, 0.0], [85.6, 0.0], [85.6, 53.98], [0.0, 53.98]])
    >>> px = np.array([[100.0, 120.0], [950.0, 160.0], [900.0, 700.0], [140.0, 640.0]])
    >>> fit = fit_plane([CardCorners(card_mm=mm, photo_px=px)])
    >>> apply_homography(fit.plate_to_photo, np.array([[42.8, 26.99]])).round(3)
    array([[512.649, 419.171]])
    """
    if not cards or any(len(card.card_mm) < 4 for card in cards):
        raise ValueError("every card needs at least four points")
    first = _direct(cards[0].card_mm, cards[0].photo_px)
    to_plate = np.asarray(np.linalg.inv(first), np.float64)
    start_poses = [
        _rigid_between(card.card_mm, apply_homography(to_plate, card.photo_px))
        for card in cards[1:]
    ]
    photo = np.concatenate([card.photo_px for card in cards])
    norm_px = _normaliser(photo)
    norm_mm = _normaliser(cards[0].card_mm)
    start = norm_px @ first @ np.linalg.inv(norm_mm)
    start /= start[2, 2]
    # Loaded only for a card: no small library, and a photo with a given scale has no plane to fit.
    from scipy.optimize import least_squares

    parameters = np.concatenate([start.ravel()[:8], np.ravel(start_poses)])

    back_px = np.linalg.inv(norm_px)

    def split(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], list[NDArray[np.float64]]]:
        matrix = back_px @ np.append(values[:8], 1.0).reshape(3, 3) @ norm_mm
        poses = [rigid(*triple) for triple in values[8:].reshape(-1, 3)]
        return matrix / matrix[2, 2], [np.eye(3), *poses]

    def residuals(values: NDArray[np.float64], keep: NDArray[np.bool_]) -> NDArray[np.float64]:
        matrix, poses = split(values)
        moved = [
            apply_homography(matrix @ pose, card.card_mm)
            for pose, card in zip(poses, cards, strict=True)
        ]
        off: NDArray[np.float64] = (np.concatenate(moved) - photo)[keep].ravel()
        return off

    jacobian = _slopes(norm_mm, norm_px, cards[0].card_mm) if len(cards) == 1 else "2-point"

    def settled(values: NDArray[np.float64], keep: NDArray[np.bool_]) -> Any:
        return least_squares(residuals, values, jacobian, args=(keep,), method="lm", x_scale="jac")

    keep = np.ones(len(photo), dtype=np.bool_)
    fit = settled(parameters, keep)
    if np.linalg.norm(fit.fun.reshape(-1, 2), axis=1).max() > _ALL_FIT_PX:
        # Soft loss, so that one wrong corner does not bend the plane, and roughly, for it only
        # tells which corners fit; then plain least squares over these, whose residuals give the
        # covariance.
        rough = least_squares(
            residuals,
            parameters,
            jacobian,
            args=(keep,),
            loss="soft_l1",
            f_scale=0.5,
            x_scale="jac",
            ftol=_ROUGHLY,
            xtol=_ROUGHLY,
        )
        keep = inliers(residuals(rough.x, keep).reshape(-1, 2), len(parameters))
        fit = settled(rough.x, keep)
    spare = max(2 * int(keep.sum()) - len(parameters), 1)
    square_sum = float((fit.fun**2).sum())
    variance = max(square_sum / spare, FLOOR_PX**2)
    inverse = np.linalg.pinv(fit.jac.T @ fit.jac)
    covariance = variance * inverse

    matrix, poses = split(fit.x)
    steps = np.empty((8, 8))
    for column in range(8):
        nudged = fit.x.copy()
        nudged[column] += 1e-6
        steps[:, column] = (split(nudged)[0].ravel()[:8] - matrix.ravel()[:8]) / 1e-6
    return PlaneFit(
        plate_to_photo=matrix,
        covariance=steps @ covariance[:8, :8] @ steps.T,
        response=steps @ (inverse @ fit.jac.T)[:8],
        photo_px=photo[keep],
        card_poses=tuple(poses),
        reprojection_px=float(np.sqrt(square_sum / max(int(keep.sum()), 1))),
        noise_px=float(np.sqrt(variance)),
        outliers=int((~keep).sum()),
    )


def mm_per_px(homography: NDArray[np.float64], place_mm: Points) -> float:
    """Return millimetres per photo pixel at one place (2,) of the plate.

    The square root of plate area per photo area there.

    Parameters
    ----------
    homography : ndarray (3, 3)
        Plate (mm) to photo (pixels).
    place_mm : ndarray (2,)
    """
    weight = homography[2] @ np.append(place_mm, 1.0)
    # The Jacobian determinant of a homography is det(H) / w^3.
    return float(np.sqrt(np.abs(weight**3 / np.linalg.det(homography))))


def tilt_deg(homography: NDArray[np.float64], place_mm: Points) -> float:
    """Return the angle between the line of sight and the plate's normal, in degrees.

    From the local foreshortening: a circle at ``place_mm`` becomes an ellipse whose axes have the
    ratio cos(tilt). Exact for a camera that looks straight at that place.
    """
    weight = float(homography[2] @ np.append(place_mm, 1.0))
    image = homography[:2] @ np.append(place_mm, 1.0)
    jacobian = (homography[:2, :2] - np.outer(image / weight, homography[2, :2])) / weight
    axes = np.linalg.svd(jacobian, compute_uv=False)
    return float(np.degrees(np.arccos(min(float(axes[1] / axes[0]), 1.0))))
