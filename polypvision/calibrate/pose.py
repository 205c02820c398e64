"""Where the camera stands: its pose from the card, with what is known of lens, height and water.

Unlike a homography, the pose says how far the camera is, so that planes at other heights and
bending at water can be worked out. Focal length and principal point are fitted along with it, held
by what was known of them before (a prior): a tilted card tells the focal length itself, a card seen
straight on does not, and the covariance says so.

References
----------
Hartley R, Zisserman A 2004, Multiple View Geometry in Computer Vision, 2nd ed., ch. 7 and 8 (camera
from points, pose from a homography; from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.lens import Lens
from polypvision.calibrate.plane import (
    FLOOR_PX,
    CardCorners,
    PlaneFit,
    inliers,
    rigid,
    rigid_values,
)
from polypvision.calibrate.sight import boundary_of, card_distance_mm, rotation_of, to_photo
from polypvision.calibrate.surroundings import Surroundings
from polypvision.calibrate.view import apply_homography
from polypvision.errors import SurroundingsDoubtful
from polypvision.reading import Points, Sight

N_POSE, N_CAMERA = 6, 3
"""Turn (3) and place (3); then log focal length and principal point (2)."""
_START_PX = 0.15
"""Noise of a corner before any is known."""
_NEAREST_MM = 20.0
"""No camera focuses nearer than this."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PoseFit:
    """The fitted camera.

    Attributes
    ----------
    sight : Sight
    covariance : ndarray (9, 9)
        Of a small turn (3, radians, in camera axes), the place (3, mm), log focal length and
        principal point (2, px).
    response : ndarray (9, 2 m)
        How these follow the corners in the photo: x1, y1, x2, y2 ...
    plate_mm, photo_px : ndarray (m, 2)
        The corners that fit, on the plate and in the photo.
    card_poses : tuple of ndarray (3, 3)
        From each card's own coordinates to the plate's.
    reprojection_px : float
    noise_px : float
        Standard deviation of one coordinate of a corner.
    focal_pull : float
        How far the card's perspective puts the focal length off what was known of it, in standard
        deviations.
    """

    sight: Sight
    covariance: NDArray[np.float64]
    response: NDArray[np.float64]
    plate_mm: Points
    photo_px: Points
    card_poses: tuple[NDArray[np.float64], ...]
    reprojection_px: float
    noise_px: float
    focal_pull: float


def sight_of_plane(
    plate_to_photo: NDArray[np.float64], lens: Lens, surroundings: Surroundings
) -> Sight:
    """Return the camera that sees the card's plane as a homography says, as nearly as one can.

    Parameters
    ----------
    plate_to_photo : ndarray (3, 3)
        From card plane (mm) to pixels of an ideal lens.
    lens : Lens
    surroundings : Surroundings
        Water is carried over, not allowed for.
    """
    inner = np.array(
        [[lens.focal_px, 0, lens.centre_px[0]], [0, lens.focal_px, lens.centre_px[1]], [0, 0, 1.0]]
    )
    columns = np.linalg.inv(inner) @ plate_to_photo
    columns /= np.sqrt(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1]))
    columns *= np.sign(columns[2, 2]) or 1.0
    near = np.column_stack([columns[:, 0], columns[:, 1], np.cross(columns[:, 0], columns[:, 1])])
    left, _, right = np.linalg.svd(near)
    turn = left @ np.diag([1.0, 1.0, np.linalg.det(left @ right)]) @ right
    return Sight(
        focal_px=lens.focal_px,
        centre_px=lens.centre_px,
        distortion=lens.distortion,
        distortion_focal_px=lens.focal_px,
        rotation=_vector(turn),
        translation_mm=_three(columns[:, 2]),
        **surroundings.sight_values,
    )


def _three(values: NDArray[np.float64]) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in values)
    return x, y, z


def _vector(turn: NDArray[np.float64]) -> tuple[float, float, float]:
    vector, _ = cv2.Rodrigues(turn)
    return _three(np.ravel(vector))


def moved(sight: Sight, step: NDArray[np.float64]) -> Sight:
    """Return a sight with its camera changed by a small step (9,), as `PoseFit` counts it."""
    turn, _ = cv2.Rodrigues(step[:3])
    x, y = sight.centre_px
    return replace(
        sight,
        rotation=_vector(np.asarray(turn, np.float64) @ rotation_of(sight)),
        translation_mm=_three(np.array(sight.translation_mm) + step[3:6]),
        focal_px=float(sight.focal_px * np.exp(step[6])),
        centre_px=(float(x + step[7]), float(y + step[8])),
    )


def _check_place(sight: Sight) -> None:
    """Refuse a camera under water or below the discs."""
    away = card_distance_mm(sight)
    if away - sight.disc_height_mm < _NEAREST_MM:
        raise SurroundingsDoubtful(
            f"Discs {sight.disc_height_mm:.0f} mm above the card would be at the camera or behind "
            f"it, which is only {away:.0f} mm away. Measure the height again, in millimetres."
        )
    boundary = boundary_of(sight)
    if boundary is not None and not 0 < boundary[1] < away + 1000.0:
        raise SurroundingsDoubtful(
            f"The water would reach up to the camera, which is only {away:.0f} mm from the card. "
            "Measure the depth again, in millimetres; for a camera at a pane give --port-mm."
        )


def fit_pose(
    cards: Sequence[CardCorners], plane: PlaneFit, lens: Lens, surroundings: Surroundings
) -> PoseFit:
    """Fit the camera to the corners of a plate's cards.

    Parameters
    ----------
    cards : sequence of CardCorners
        The first defines the plate's coordinates; the others are rigid sheets in its plane.
    plane : PlaneFit
        Of the same cards, as an ideal lens would have seen them.
    lens : Lens
        What was known before.
    surroundings : Surroundings

    Raises
    ------
    SurroundingsDoubtful
        If the camera would stand in the water or below the discs.
    """
    start = sight_of_plane(plane.plate_to_photo, lens, surroundings)
    _check_place(start)
    photo = np.concatenate([card.photo_px for card in cards])
    known = np.array([lens.focal_err, lens.centre_err_px, lens.centre_err_px])
    n_fixed = N_POSE + N_CAMERA
    poses = [rigid_values(pose) for pose in plane.card_poses[1:]]
    values = np.concatenate([np.zeros(n_fixed), np.ravel(poses)])
    noise = _START_PX
    from scipy.optimize import least_squares

    def on_plate(values: NDArray[np.float64]) -> Points:
        moves = [np.eye(3), *(rigid(*triple) for triple in values[n_fixed:].reshape(-1, 3))]
        return np.concatenate(
            [apply_homography(m, card.card_mm) for m, card in zip(moves, cards, strict=True)]
        )

    def off(values: NDArray[np.float64], keep: NDArray[np.bool_]) -> NDArray[np.float64]:
        seen = to_photo(moved(start, values[:n_fixed]), on_plate(values)[keep], 0.0)
        held = noise * values[N_POSE:n_fixed] / known
        return np.concatenate([(seen - photo[keep]).ravel(), held])

    keep = np.ones(len(photo), np.bool_)
    scale = np.concatenate([np.full(3, 1e-2), np.full(3, 5.0), known, np.full(len(poses) * 3, 1.0)])
    fit = least_squares(off, values, args=(keep,), loss="soft_l1", f_scale=0.5, x_scale=scale)
    keep = inliers(off(fit.x, keep)[: 2 * len(photo)].reshape(-1, 2), len(values))
    for _ in range(2):
        fit = least_squares(off, fit.x, args=(keep,), x_scale=scale)
        square_sum = float((fit.fun[: 2 * keep.sum()] ** 2).sum())
        spare = max(2 * int(keep.sum()) - len(values) + N_CAMERA, 1)
        noise = max(float(np.sqrt(square_sum / spare)), FLOOR_PX)
    inverse = np.linalg.pinv(fit.jac.T @ fit.jac)
    sight = moved(start, fit.x[:n_fixed])
    _check_place(sight)
    moves = [np.eye(3), *(rigid(*triple) for triple in fit.x[n_fixed:].reshape(-1, 3))]
    covariance = noise**2 * inverse[:n_fixed, :n_fixed]
    left_over = np.sqrt(max(known[0] ** 2 - covariance[6, 6], 1e-12))
    return PoseFit(
        sight=sight,
        covariance=covariance,
        response=(inverse @ fit.jac[: 2 * keep.sum()].T)[:n_fixed],
        plate_mm=on_plate(fit.x)[keep],
        photo_px=photo[keep],
        card_poses=tuple(moves),
        reprojection_px=float(np.sqrt(square_sum / max(int(keep.sum()), 1))),
        noise_px=noise,
        focal_pull=float(abs(fit.x[6]) / left_over),
    )


def resettled(fit: PoseFit, changed: Sight) -> Sight:
    """Return the camera as it would have been fitted with a sight that is changed a little.

    One step of Gauss and Newton: what the change does to the card's corners is taken up by the
    pose, as far as the pose can.
    """
    before = to_photo(fit.sight, fit.plate_mm, 0.0)
    after = to_photo(changed, fit.plate_mm, 0.0)
    return moved(changed, fit.response @ (before - after).ravel())
