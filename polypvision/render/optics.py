"""Lines of sight traced through lens, air, water and on to a plane, as light goes.

Each pixel's ray leaves the lens, is bent where it meets the water by Snell's law in vector form,
and ends on a plane of the plate. Nothing here is shared with `polypvision.calibrate`, which solves
the same optics the other way round and is checked by these pictures.

References
----------
Glassner A (ed.) 1989, An Introduction to Ray Tracing, Academic Press, ch. 4: Snell's law in vector
form (from memory). Brown DC 1971, Photogrammetric Engineering 37(8):855-866: radial distortion
(from memory).
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.reading import Points
from polypvision.render.scene import Camera

Vectors = NDArray[np.float64]
"""Array (n, 3) of float64; plate coordinates, z away from the camera."""
_UNBEND_STEPS, _UNBENT = 40, 1e-11
_AIM_STEPS = 8
_AIM_PX, _AIMED_PX = 0.01, 1e-6


def rotation(axis: NDArray[np.float64], angle: float) -> NDArray[np.float64]:
    """Return the rotation (3, 3) about an axis by an angle in radians."""
    matrix, _ = cv2.Rodrigues(axis * angle)
    return np.asarray(matrix, dtype=np.float64)


def camera_turn(camera: Camera) -> NDArray[np.float64]:
    """Return the rotation (3, 3) from plate to camera axes."""
    side = math.radians(camera.tilt_towards_deg)
    # The side on which the camera stands comes nearer: turn about the axis square to it.
    axis = np.array([-math.sin(side), math.cos(side), 0.0])
    return rotation(np.array([0.0, 0.0, 1.0]), math.radians(camera.roll_deg)) @ rotation(
        axis, math.radians(camera.tilt_deg)
    )


@dataclass(frozen=True, kw_only=True)
class Optics:
    """A camera and the water before it.

    Attributes
    ----------
    camera : Camera
    surface_mm : float or None
        Height of the water's surface above the card's plane; None is no water there.
    port_mm : float or None
        Distance from the lens to a pane square to the line of sight, water behind it.
    index : float
        Of the water.
    """

    camera: Camera
    surface_mm: float | None = None
    port_mm: float | None = None
    index: float = 1.34

    def _rays(self, photo_px: Points) -> tuple[NDArray[np.float64], Vectors, NDArray[np.float64]]:
        """Lens (3,), directions of unit length (n, 3) and line of sight (3,), plate axes."""
        camera = self.camera
        turn = camera_turn(camera)
        target = np.array([camera.target_x_mm, camera.target_y_mm, 0.0])
        lens = target - camera.distance_mm * turn[2]
        middle = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
        bent = (photo_px - middle) / camera.focal_px
        ideal = bent.copy()
        # The distorted place is the ideal one times a factor: solved for by repeating.
        for _ in range(_UNBEND_STEPS if camera.k1 or camera.k2 else 0):
            before = ideal
            r2 = (ideal**2).sum(axis=1, keepdims=True)
            ideal = bent / (1 + camera.k1 * r2 + camera.k2 * r2 * r2)
            if np.abs(ideal - before).max(initial=0.0) < _UNBENT:
                break
        directions = np.column_stack([ideal, np.ones(len(ideal))]) @ turn
        directions /= np.linalg.norm(directions, axis=1, keepdims=True)
        return lens, directions, turn[2]

    def plane_places(self, photo_px: Points, height_mm: float) -> Points:
        """Return what each pixel (n, 2) sees on the plane at a height above the card's, in mm.

        NaN where its ray never comes there.
        """
        lens, rays, sight = self._rays(photo_px)
        down = np.array([0.0, 0.0, 1.0])
        start = np.broadcast_to(lens, rays.shape)
        if self.surface_mm is not None and self.surface_mm > height_mm:
            start, rays = _entered(start, rays, down, -self.surface_mm, self.index)
        if self.port_mm is not None:
            at = float(lens @ sight) + self.port_mm
            start, rays = _entered(start, rays, sight, at, self.index)
        with np.errstate(divide="ignore", invalid="ignore"):
            way = (-height_mm - start[:, 2]) / rays[:, 2]
        places = start + np.where(way > 0, way, np.nan)[:, None] * rays
        return np.asarray(places[:, :2], np.float64)

    def photo_places(self, plate_mm: Points, height_mm: float, near_px: Points) -> Points:
        """Return where points of a plane are in the photo, by aiming rays until they hit.

        Parameters
        ----------
        plate_mm : ndarray (n, 2)
        height_mm : float
        near_px : ndarray (n, 2)
            Where to begin.
        """
        aim = np.asarray(near_px, np.float64).copy()
        for _ in range(_AIM_STEPS):
            here = self.plane_places(aim, height_mm)
            right = self.plane_places(aim + np.array([_AIM_PX, 0.0]), height_mm) - here
            down = self.plane_places(aim + np.array([0.0, _AIM_PX]), height_mm) - here
            slopes = np.stack([right, down], axis=2) / _AIM_PX
            step = np.linalg.solve(slopes, (plate_mm - here)[..., None])[..., 0]
            aim += step
            if np.abs(step).max(initial=0.0) < _AIMED_PX:
                break
        return aim


def _entered(
    start: Vectors, rays: Vectors, normal: NDArray[np.float64], at_mm: float, index: float
) -> tuple[Vectors, Vectors]:
    """Return where rays enter the water at a plane, and their directions in it."""
    cosine = rays @ normal
    with np.errstate(divide="ignore", invalid="ignore"):
        way = (at_mm - start @ normal) / cosine
    entry = start + np.where(way > 0, way, np.nan)[:, None] * rays
    ratio = 1 / index
    onward = np.sqrt(1 - ratio**2 * (1 - cosine**2))
    bent = ratio * rays + (onward - ratio * cosine)[:, None] * normal
    return entry, bent
