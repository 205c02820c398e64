"""Plate to photo and back for a known camera: perspective, height, water and lens."""

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.lens import distorted, straightened
from polypvision.calibrate.refraction import met_plane, seen_towards
from polypvision.reading import Points, Sight

AXIS = np.array([0.0, 0.0, 1.0])


@lru_cache(maxsize=64)
def _turn(rotation: tuple[float, float, float]) -> NDArray[np.float64]:
    matrix, _ = cv2.Rodrigues(np.array(rotation))
    return np.asarray(matrix, np.float64)


def rotation_of(sight: Sight) -> NDArray[np.float64]:
    """Return R (3, 3), from plate to camera."""
    return _turn(sight.rotation)


def card_distance_mm(sight: Sight) -> float:
    """Return how far the lens is from the card's plane, along its normal."""
    return float(rotation_of(sight)[:, 2] @ sight.translation_mm)


def boundary_of(sight: Sight) -> tuple[NDArray[np.float64], float] | None:
    """Return normal (3,) and distance (mm) of the water's boundary in camera coordinates."""
    match sight.boundary:
        case "surface":
            return rotation_of(sight)[:, 2], card_distance_mm(sight) - sight.boundary_mm
        case "port":
            return AXIS, sight.boundary_mm
    return None


def to_photo(sight: Sight, points_mm: Points, height_mm: float) -> Points:
    """Return plate points (n, 2) at a height above the card's plane as photo pixels (n, 2)."""
    points = np.column_stack([points_mm, np.full(len(points_mm), -height_mm)])
    seen = points @ rotation_of(sight).T + sight.translation_mm
    boundary = boundary_of(sight)
    if boundary is not None:
        seen = seen_towards(seen, *boundary, sight.index)
    ideal = seen[:, :2] / seen[:, 2:] * sight.focal_px + sight.centre_px
    if not any(sight.distortion):
        return np.asarray(ideal, np.float64)
    return distorted(ideal, sight.centre_px, sight.distortion, sight.distortion_focal_px)


def to_plate(sight: Sight, photo_px: Points, height_mm: float) -> Points:
    """Return photo pixels (n, 2) as plate points (n, 2) at a height; NaN beyond the horizon."""
    ideal = straightened(photo_px, sight.centre_px, sight.distortion, sight.distortion_focal_px)
    directions = np.column_stack([(ideal - sight.centre_px) / sight.focal_px, np.ones(len(ideal))])
    turn = rotation_of(sight)
    plane, distance = turn[:, 2], card_distance_mm(sight) - height_mm
    boundary = boundary_of(sight)
    if boundary is None:
        slope = directions @ plane
        with np.errstate(divide="ignore"):
            met = directions * np.where(slope > 0, distance / slope, np.nan)[:, None]
    else:
        met = met_plane(directions, *boundary, sight.index, plane, distance)
    return np.asarray((met - sight.translation_mm) @ turn, np.float64)[:, :2]
