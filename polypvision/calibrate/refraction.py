"""Light through one flat boundary between air, where the camera is, and water.

All points are in camera coordinates: origin at the lens, mm. The boundary is known by its unit
normal, which points away from the camera, and its distance. Both directions work in the plane that
holds the ray and the normal, with tangents of the angles to the normal: a ray that meets the
boundary at tangent t goes on at t / sqrt(n^2 + (n^2 - 1) t^2), which is Snell's law.
"""

import numpy as np
from numpy.typing import NDArray

Points3 = NDArray[np.float64]
"""Array (n, 3) of float64."""
_STEPS = 12
_CLOSE = 1e-12


def _beyond(tangent: NDArray[np.float64], index: float) -> NDArray[np.float64]:
    """Tangent of the ray's angle in the water, from that in the air."""
    return np.asarray(tangent / np.sqrt(index**2 + (index**2 - 1) * tangent**2))


def _tangent_to(
    lateral: NDArray[np.float64], air: float, water: NDArray[np.float64], index: float
) -> NDArray[np.float64]:
    """Solve air * t + water * beyond(t) = lateral for t by Newton's method, from the axial ray.

    The left side grows with t and bends downwards only, so the steps cannot run away.
    """
    t = lateral / (air + water / index)
    for _ in range(_STEPS):
        off = air * t + water * _beyond(t, index) - lateral
        slope = air + water * index**2 / (index**2 + (index**2 - 1) * t**2) ** 1.5
        step = off / slope
        t = t - step
        if np.all(np.abs(step) <= _CLOSE * (1 + np.abs(t))):
            break
    return np.asarray(t, np.float64)


def seen_towards(
    points: Points3, normal: NDArray[np.float64], distance_mm: float, index: float
) -> Points3:
    """Return for each point a point in the direction in which the camera sees it.

    Points on the camera's side of the boundary are seen where they are.

    Parameters
    ----------
    points : ndarray (n, 3)
    normal : ndarray (3,)
        Unit vector.
    distance_mm : float
        Of the boundary, along the normal; above 0.
    index : float
        Of the water against the air.
    """
    depth = points @ normal
    lateral = points - depth[:, None] * normal
    length = np.linalg.norm(lateral, axis=1)
    water = np.maximum(depth - distance_mm, 0.0)
    tangent = _tangent_to(length, distance_mm, water, index)
    factor = np.divide(
        depth * tangent, length, out=depth / (distance_mm + water / index), where=length > 1e-9
    )
    bent = depth[:, None] * normal + lateral * factor[:, None]
    return np.where((water > 0)[:, None], bent, points)


def met_plane(
    directions: Points3,
    normal: NDArray[np.float64],
    distance_mm: float,
    index: float,
    plane_normal: NDArray[np.float64],
    plane_mm: float,
) -> Points3:
    """Return where lines of sight from the camera meet a plane, bent at the boundary on the way.

    Parameters
    ----------
    directions : ndarray (n, 3)
        Of any length.
    normal, distance_mm, index
        As in `seen_towards`.
    plane_normal, plane_mm : ndarray (3,), float
        The plane: unit normal, and its distance along it.

    Returns
    -------
    ndarray (n, 3)
        NaN where the line never meets it.
    """
    along = directions @ normal
    with np.errstate(divide="ignore", invalid="ignore"):
        straight = directions * (plane_mm / (directions @ plane_normal))[:, None]
        at_boundary = directions * (distance_mm / along)[:, None]
        sideways = at_boundary - distance_mm * normal
        tangent = np.linalg.norm(sideways, axis=1) / distance_mm
        slant = np.divide(
            _beyond(tangent, index), tangent, out=np.full_like(tangent, 1 / index),
            where=tangent > 1e-12,
        )  # fmt: skip
        onward = normal + sideways / distance_mm * slant[:, None]
        way = (plane_mm - at_boundary @ plane_normal) / (onward @ plane_normal)
        bent = at_boundary + onward * way[:, None]
    ahead = directions @ plane_normal > 0
    dry = straight @ normal <= distance_mm
    met = np.where(dry[:, None], straight, bent)
    met[~(ahead & (dry | ((along > 0) & (way >= 0))))] = np.nan
    return np.asarray(met, np.float64)
