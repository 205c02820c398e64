"""What makes the scale uncertain, source by source, and how much at each place of a view.

Every source is moved by its standard uncertainty, the plane is settled again on the same corners,
and the same photo pixels are looked up once more: how much longer a length comes out is the
source's contribution there (JCGM 100:2008, 5.1.3, note 2: sensitivities by finite change).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.lens import Lens, straightened
from polypvision.calibrate.plane import PlaneFit
from polypvision.calibrate.pose import N_POSE, PoseFit, moved, resettled, sight_of_plane
from polypvision.calibrate.sight import to_plate
from polypvision.calibrate.surroundings import Surroundings
from polypvision.calibrate.view import ScaleInput, apply_homography
from polypvision.reading import Points, Sight

NODES = 7
"""Rows and columns of places at which the sources are worked out; between, they vary smoothly."""
_STEP_MM = 1.0
_LEAST_U = 1e-9
Locate = Callable[[Points], Points]


@dataclass(frozen=True, kw_only=True, eq=False)
class Corners3:
    """Small right angles in the photo, one at each node: foot, one step right, one step down."""

    photo_px: Points

    def log_area(self, locate: Locate) -> NDArray[np.float64]:
        """Return the log of each one's area on the plate (NODES, NODES)."""
        foot, right, down = np.split(locate(self.photo_px), 3)
        a, b = right - foot, down - foot
        area = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
        return np.asarray(np.log(area), np.float64).reshape(NODES, NODES)


def node_corners(low: Points, high: Points, to_photo: Locate) -> Corners3:
    """Return the right angles at a grid of nodes between two corners of the plate (mm)."""
    x, y = np.meshgrid(np.linspace(low[0], high[0], NODES), np.linspace(low[1], high[1], NODES))
    foot = np.column_stack([x.ravel(), y.ravel()])
    places = np.concatenate(
        [foot, foot + np.array([_STEP_MM, 0.0]), foot + np.array([0.0, _STEP_MM])]
    )
    return Corners3(photo_px=to_photo(places))


def _lengths(corners: Corners3, base: Locate) -> Callable[[Locate], NDArray[np.float64]]:
    """Return what tells by which part lengths grow where another way takes the place of a base."""
    before = corners.log_area(base)
    return lambda shifted: (corners.log_area(shifted) - before) / 2


def _axes(covariance: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Return independent steps of one standard deviation each that make up a covariance."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    return [
        vector * np.sqrt(value)
        for value, vector in zip(values, vectors.T, strict=True)
        if value > 0
    ]


def _together(changes: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    return np.sqrt(np.sum(np.square(changes), axis=0)) if changes else np.zeros((NODES, NODES))


def print_scale_input(relative: float) -> ScaleInput:
    """Return the card's print scale, of this relative standard uncertainty."""
    change = np.full((NODES, NODES), relative)
    return ScaleInput(name="print-scale", u=100 * relative, unit="%", change=change)


def _bent(lens_focal: float, corner_px: float, bend: float) -> float:
    """Change of k1 that moves the picture's corners by this part of the radius."""
    return bend * (lens_focal / corner_px) ** 2


def plane_inputs(
    fit: PlaneFit, lens: Lens, surroundings: Surroundings, corners: Corners3
) -> list[ScaleInput]:
    """Return the sources for a photo read by a homography: discs at the card's height, in air."""

    elements = fit.plate_to_photo.ravel()[:8]

    def shifted(step: NDArray[np.float64]) -> Locate:
        to_photo = np.append(elements + step, 1.0).reshape(3, 3)
        return partial(apply_homography, np.asarray(np.linalg.inv(to_photo), np.float64))

    length = _lengths(corners, shifted(np.zeros(8)))
    markers = [length(shifted(step)) for step in _axes(fit.covariance)]
    k1 = _bent(lens.focal_px, lens.corner_px, lens.bend_err)

    def straight(px: Points) -> Points:
        return straightened(px, lens.centre_px, (k1, 0.0, 0.0, 0.0, 0.0), lens.focal_px)

    refit = shifted(fit.response @ (straight(fit.photo_px) - fit.photo_px).ravel())
    bend = length(lambda px: refit(straight(px)))
    sight = sight_of_plane(fit.plate_to_photo, replace(lens, distortion=(0.0,) * 5), surroundings)
    u = surroundings.disc_height_err_mm
    at_card = _lengths(corners, lambda px: to_plate(sight, px, 0.0))
    height = at_card(lambda px: to_plate(sight, px, u))
    return [
        ScaleInput(name="markers", u=fit.noise_px, unit="px", change=_together(markers)),
        ScaleInput(name="lens", u=100 * lens.bend_err, unit="%", change=bend),
        ScaleInput(name="disc-height", u=u, unit="mm", change=height),
    ]


def pose_inputs(
    fit: PoseFit, lens: Lens, surroundings: Surroundings, corners: Corners3
) -> list[ScaleInput]:
    """Return the sources for a photo read by the camera's pose."""

    def locate(sight: Sight) -> Locate:
        return lambda px: to_plate(sight, px, sight.disc_height_mm)

    grown = _lengths(corners, locate(fit.sight))

    def length(changed: Sight) -> NDArray[np.float64]:
        return grown(locate(changed))

    pose, camera = slice(0, N_POSE), slice(N_POSE, None)
    camera_cov = fit.covariance[camera, camera]
    follow = fit.covariance[pose, camera] @ np.linalg.pinv(camera_cov)
    pose_cov = fit.covariance[pose, pose] - follow @ fit.covariance[camera, pose]
    markers = [length(moved(fit.sight, np.append(step, np.zeros(3)))) for step in _axes(pose_cov)]
    cameras = [
        length(moved(fit.sight, np.concatenate([follow @ step, step])))
        for step in _axes(camera_cov)
    ]
    k1, k2, p1, p2, k3 = fit.sight.distortion
    more = k1 + _bent(lens.focal_px, lens.corner_px, lens.bend_err)
    bent = replace(fit.sight, distortion=(more, k2, p1, p2, k3))
    found = [
        ScaleInput(name="markers", u=fit.noise_px, unit="px", change=_together(markers)),
        ScaleInput(
            name="focal-length",
            u=100 * float(np.sqrt(camera_cov[0, 0])),
            unit="%",
            change=_together(cameras),
        ),
        ScaleInput(
            name="lens", u=100 * lens.bend_err, unit="%", change=length(resettled(fit, bent))
        ),
    ]
    for name, u, unit, nudged in surroundings.nudges():
        changed = resettled(fit, replace(fit.sight, **nudged.sight_values))
        change = length(changed) if u > _LEAST_U else np.zeros((NODES, NODES))
        found.append(ScaleInput(name=name, u=u, unit=unit, change=change))
    return found
