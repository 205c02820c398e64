"""How one photo is seen: by a homography where nothing more is known, else by the camera's pose."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.lens import Lens, straightened, usual_lens
from polypvision.calibrate.plane import CardCorners, PlaneFit, fit_plane, mm_per_px
from polypvision.calibrate.pose import PoseFit, fit_pose
from polypvision.calibrate.scale_inputs import (
    node_corners,
    plane_inputs,
    pose_inputs,
    print_scale_input,
)
from polypvision.calibrate.sight import to_photo, to_plate
from polypvision.calibrate.surroundings import Surroundings
from polypvision.calibrate.view import ScaleInput, apply_homography
from polypvision.reading import Points, Sight

FOCAL_PULL = 4.0
"""Standard deviations beyond which the card's perspective denies the focal length once known."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """The card's plane and the discs' plane in one photo.

    Attributes
    ----------
    plane : PlaneFit
        Of the card, as an ideal lens would show it.
    pose : PoseFit or None
        None where discs are at the card's height, in air, and no lens profile is there: then the
        homography is all that is used, whatever the focal length.
    lens : Lens
    surroundings : Surroundings
    focal_denied : bool
        Whether the card's perspective denied the focal length, so that it was left out.
    """

    plane: PlaneFit
    pose: PoseFit | None
    lens: Lens
    surroundings: Surroundings
    focal_denied: bool = False

    @property
    def sight(self) -> Sight | None:
        """How the discs' plane is seen; None where the homography says it all."""
        return None if self.pose is None else self.pose.sight

    @property
    def card_poses(self) -> tuple[NDArray[np.float64], ...]:
        """From each card's own coordinates (mm) to the plate's."""
        return (self.pose or self.plane).card_poses

    @property
    def reprojection_px(self) -> float:
        """Root mean square distance of the card's corners from where the fit puts them."""
        return (self.pose or self.plane).reprojection_px

    @property
    def noise_px(self) -> float:
        """Standard deviation of one coordinate of a corner about where the fit puts it."""
        return (self.pose or self.plane).noise_px

    def card_to_photo(self, points_mm: Points) -> Points:
        """Return points (n, 2) of the card's plane as photo pixels."""
        if self.sight is None:
            return apply_homography(self.plane.plate_to_photo, points_mm)
        return to_photo(self.sight, points_mm, 0.0)

    def card_from_photo(self, photo_px: Points) -> Points:
        """Return photo pixels as points (n, 2) of the card's plane."""
        if self.sight is None:
            return apply_homography(np.asarray(np.linalg.inv(self.plane.plate_to_photo)), photo_px)
        return to_plate(self.sight, photo_px, 0.0)

    def to_photo(self, points_mm: Points) -> Points:
        """Return points (n, 2) of the discs' plane as photo pixels."""
        if self.sight is None:
            return apply_homography(self.plane.plate_to_photo, points_mm)
        return to_photo(self.sight, points_mm, self.sight.disc_height_mm)

    def to_plate(self, photo_px: Points) -> Points:
        """Return photo pixels as points (n, 2) of the discs' plane; NaN beyond the horizon."""
        if self.sight is None:
            return self.card_from_photo(photo_px)
        return to_plate(self.sight, photo_px, self.sight.disc_height_mm)

    def homography(self, low: Points, high: Points) -> NDArray[np.float64]:
        """Return the homography (3, 3) nearest to `to_photo` between two corners of the plate."""
        if self.sight is None:
            return self.plane.plate_to_photo
        x, y = np.meshgrid(np.linspace(low[0], high[0], 9), np.linspace(low[1], high[1], 9))
        places = np.column_stack([x.ravel(), y.ravel()])
        matrix, _ = cv2.findHomography(places, self.to_photo(places), 0)
        return np.asarray(matrix / matrix[2, 2], np.float64)

    def mm_per_px(self, place_mm: Points) -> float:
        """Return millimetres per photo pixel at one place of the discs' plane."""
        if self.sight is None:
            return mm_per_px(self.plane.plate_to_photo, place_mm)
        near = self.to_photo(place_mm + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
        (ax, ay), (bx, by) = near[1:] - near[0]
        return float(1 / np.sqrt(abs(ax * by - ay * bx)))

    def scale_inputs(self, low: Points, high: Points, print_err: float) -> tuple[ScaleInput, ...]:
        """Return what the scale rests on, between two corners of the plate (mm)."""
        corners = node_corners(low, high, self.to_photo)
        if self.pose is None:
            own = plane_inputs(self.plane, self.lens, self.surroundings, corners)
        else:
            own = pose_inputs(self.pose, self.lens, self.surroundings, corners)
        return (print_scale_input(print_err), *own)


def look_at(cards: Sequence[CardCorners], lens: Lens, surroundings: Surroundings) -> Look:
    """Fit the plane, and the camera where it is needed.

    Parameters
    ----------
    cards : sequence of CardCorners
    lens : Lens
    surroundings : Surroundings

    Raises
    ------
    ValueError
        If the corners do not span a plane.
    SurroundingsDoubtful
        If the camera would stand in the water or below the discs.
    """
    if surroundings.plain and lens.source != "profile":
        return Look(plane=fit_plane(cards), pose=None, lens=lens, surroundings=surroundings)
    bend = lens.centre_px, lens.distortion, lens.focal_px
    ideal = [replace(card, photo_px=straightened(card.photo_px, *bend)) for card in cards]
    plane = fit_plane(ideal)
    pose = fit_pose(cards, plane, lens, surroundings)
    if lens.source != "usual" and pose.focal_pull > FOCAL_PULL:
        width, height = (2 * c + 1 for c in lens.centre_px)
        unknown = usual_lens(round(width), round(height))
        return replace(look_at(cards, unknown, surroundings), focal_denied=True)
    return Look(plane=plane, pose=pose, lens=lens, surroundings=surroundings)
