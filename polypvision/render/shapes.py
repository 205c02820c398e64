"""Planforms as exact vector shapes: outlines, wounds and mouths in mm, before any pixel.

Every planform is star-shaped: a radius for each of `N_ANGLES` directions round a centre. Squared
radii are what is blended and smoothed, because a planform's area is half their integral: rounding
a corner then keeps the area.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist

from polypvision.reading import Points
from polypvision.render.scene import PolypSpec

N_ANGLES = 1440
ANGLES: NDArray[np.float64] = np.linspace(0.0, 2 * np.pi, N_ANGLES, endpoint=False)
Profile = NDArray[np.float64]
"""Array (N_ANGLES,) of float64: a length in mm or a weight for each direction of `ANGLES`."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Planform:
    """The outline of one polyp as seen from above, its wound included.

    Attributes
    ----------
    centre_mm : ndarray (2,)
        The point from which the radii are counted; plate coordinates.
    radius_mm : ndarray (N_ANGLES,)
        Outline.
    living_mm : ndarray (N_ANGLES,)
        Border between living tissue and wound; equal to ``radius_mm`` where there is none.
    mouths_mm : ndarray (n, 2)
        Centres of the mouths, plate coordinates.
    mouth_mm : float
        Length of each mouth's slit.
    mouth_angle : float
        Direction of the slits, radians.
    """

    centre_mm: NDArray[np.float64]
    radius_mm: Profile
    living_mm: Profile
    mouths_mm: Points
    mouth_mm: float
    mouth_angle: float

    @property
    def outline_mm(self) -> Points:
        """Outline (N_ANGLES, 2), plate coordinates, first point not repeated."""
        return ring(self.radius_mm) + self.centre_mm

    @property
    def area_mm2(self) -> float:
        """Planform area, wound included."""
        return polygon_area(ring(self.radius_mm))

    @property
    def wound_mm2(self) -> float:
        """Area between the living tissue and the outline."""
        return self.area_mm2 - polygon_area(ring(self.living_mm))

    @property
    def wounds_mm(self) -> tuple[Points, ...]:
        """Closed outlines of the wounds, plate coordinates."""
        return tuple(
            np.concatenate([ring(self.radius_mm)[run], ring(self.living_mm)[run][::-1]])
            + self.centre_mm
            for run in _runs(self.radius_mm - self.living_mm > 1e-9)
        )

    @property
    def wound_margin_mm(self) -> float:
        """Length of the border between wound and living tissue."""
        inner = ring(self.living_mm)
        return float(
            sum(
                np.hypot(*np.diff(inner[run], axis=0).T).sum()
                for run in _runs(self.radius_mm - self.living_mm > 1e-9)
            )
        )

    @property
    def feret_max_mm(self) -> float:
        """Greatest distance between two points of the outline."""
        outline = self.outline_mm
        return float(pdist(outline[ConvexHull(outline).vertices]).max())


def ring(radius: Profile) -> Points:
    """Return the polygon (N_ANGLES, 2) of these radii round the origin."""
    return np.column_stack([radius * np.cos(ANGLES), radius * np.sin(ANGLES)])


def polygon_area(points: Points) -> float:
    """Return the area of a simple polygon (n, 2) (shoelace formula)."""
    x, y = points[:, 0], points[:, 1]
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)


def polygon_centroid(points: Points) -> NDArray[np.float64]:
    """Return the centroid (2,) of a simple polygon (n, 2)."""
    x, y = points[:, 0], points[:, 1]
    x1, y1 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y1 - x1 * y
    moment = np.array([((x + x1) * cross).sum(), ((y + y1) * cross).sum()])
    return np.asarray(moment / (3 * cross.sum()), dtype=np.float64)


def _runs(inside: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Indices of each run of true round the circle, one neighbour added at both ends."""
    if inside.all():
        return [np.arange(len(inside) + 1) % len(inside)]
    starts = np.flatnonzero(inside & ~np.roll(inside, 1))
    runs = []
    for start in starts:
        length = int(np.argmin(np.roll(inside, -start)))
        runs.append(np.arange(start - 1, start + length + 1) % len(inside))
    return runs


def _smooth(radius: Profile, sigma_deg: float) -> Profile:
    """Round corners off; the area stays."""
    sigma = sigma_deg / 360 * N_ANGLES
    return np.asarray(np.sqrt(gaussian_filter1d(radius**2, sigma, mode="wrap")), dtype=np.float64)


def _polar(points: Points, cut: NDArray[np.float64]) -> tuple[Profile, Profile]:
    """Radii and cut weights, by direction, of a dense star-shaped polygon round its centroid."""
    moved = points - polygon_centroid(points)
    angle = np.arctan2(moved[:, 1], moved[:, 0]) % (2 * np.pi)
    order = np.argsort(angle, kind="stable")
    radius = np.hypot(moved[:, 0], moved[:, 1])
    return (
        np.interp(ANGLES, angle[order], radius[order], period=2 * np.pi),
        np.interp(ANGLES, angle[order], cut[order], period=2 * np.pi),
    )


def _piece(opening: float, skip: float) -> tuple[Profile, Profile]:
    """A sector of ``opening`` radians of the unit disc, or the part of it beyond a chord.

    ``skip`` is 0 for a sector to the very centre (halves and quarters, cut through the mouth),
    else the distance of a straight cut from the centre (a piece off the margin).
    """
    half = opening / 2
    arc = np.linspace(-half, half, 4000)
    rim = np.column_stack([np.cos(arc), np.sin(arc)])
    side = np.linspace(0.0, 1.0, 4000)[1:-1, None]
    if skip > 0:
        straight = rim[-1] * (1 - side) + rim[0] * side
    else:
        straight = np.concatenate([rim[-1] * (1 - side), rim[0] * side])
    points = np.concatenate([rim, straight])
    cut = np.concatenate([np.zeros(len(rim)), np.ones(len(straight))])
    return _polar(points, cut)


def _base(spec: PolypSpec) -> tuple[Profile, Profile]:
    """Radii (any scale) and the weight of the cut edge, by direction, unturned."""
    nearest = np.abs((ANGLES - np.pi + np.pi) % (2 * np.pi) - np.pi)
    lesion = (nearest > np.pi - np.radians(40)).astype(np.float64)
    match spec.shape:
        case "disc":
            return np.ones(N_ANGLES), lesion
        case "oval":
            return 1 / np.hypot(np.cos(ANGLES) / spec.aspect, np.sin(ANGLES)), lesion
        case "hourglass":
            shift = np.sqrt(1 - spec.waist**2)
            radius = shift * np.abs(np.cos(ANGLES)) + np.sqrt(1 - (shift * np.sin(ANGLES)) ** 2)
            return _smooth(radius, 3.0), lesion
        case "half":
            return _piece(np.pi, 0.0)
        case "quarter":
            return _piece(np.pi / 2, 0.0)
    # Margin piece: the outer part of a disc, its straight cut at 0.45 of the radius.
    return _piece(2 * np.arccos(0.45), 0.45)


def _wobble(rng: np.random.Generator, low: int, high: int) -> Profile:
    """Smooth noise round the circle, about unit standard deviation."""
    order = np.arange(low, high)
    phase = rng.uniform(0, 2 * np.pi, len(order))
    size = rng.normal(size=len(order)) / np.sqrt(order)
    wave = (size[:, None] * np.cos(order[:, None] * ANGLES + phase[:, None])).sum(axis=0)
    deviation = float(wave.std())
    return np.asarray(wave / deviation, dtype=np.float64)


def _slant(radius: Profile) -> Profile:
    """Cosine between the radius and the outline's normal, by direction."""
    step = (np.roll(radius, -1) - np.roll(radius, 1)) / (2 * (ANGLES[1] - ANGLES[0]))
    return np.asarray(radius / np.hypot(radius, step), dtype=np.float64)


_THINNEST_MM = 0.8


def _open_part(cut: Profile, radius: Profile, wound_mm2: float) -> Profile:
    """Part of the cut edge that is still open: a closing wound also shortens from its ends.

    So short that its band is at least `_THINNEST_MM` wide.
    """
    edge = np.flatnonzero(cut > 0.5)
    steps = np.hypot(*np.diff(ring(radius), axis=0, append=ring(radius)[:1]).T)
    length = float(steps[edge].sum())
    share = min(wound_mm2 / _THINNEST_MM / length, 1.0)
    middle = np.angle(np.exp(1j * ANGLES[edge]).mean())
    away = np.abs((ANGLES - middle + np.pi) % (2 * np.pi) - np.pi)
    reach = np.sort(away[edge])[min(int(share * len(edge)), len(edge) - 1)]
    return np.asarray((cut > 0.5) & (away <= reach), np.float64)


def _living(radius: Profile, cut: Profile, ragged: Profile, wound_mm2: float) -> Profile:
    """Radius of the border of living tissue so that the wound has this area."""
    if wound_mm2 <= 0:
        return radius
    slant = np.maximum(gaussian_filter1d(_slant(radius), 6, mode="wrap"), 0.45)
    band = gaussian_filter1d(cut, 8, mode="wrap") * np.clip(1 + 0.18 * ragged, 0.4, 1.6) / slant

    def living(width: float) -> Profile:
        return np.asarray(radius - np.minimum(width * band, 0.85 * radius), dtype=np.float64)

    low, high = 0.0, 4 * float(radius.max())
    total = polygon_area(ring(radius))
    for _ in range(60):
        width = (low + high) / 2
        if total - polygon_area(ring(living(width))) < wound_mm2:
            low = width
        else:
            high = width
    return living((low + high) / 2)


def planform(spec: PolypSpec) -> Planform:
    """Return the exact shape of one polyp, alone on the plate.

    Its area is that of a disc of ``diameter_mm``, its wound ``wound_mm2``, and its centroid lies
    at ``x_mm, y_mm``.
    """
    rng = np.random.default_rng([spec.seed, 1])
    radius, cut = _base(spec)
    small, ragged = _wobble(rng, 2, 7), _wobble(rng, 5, 40)
    lobes = np.cos(spec.lobes * ANGLES + rng.uniform(0, 2 * np.pi) + 0.5 * _wobble(rng, 1, 4))
    round_area = polygon_area(ring(radius)) / np.pi
    radius = np.sqrt((1 - spec.roundness) * radius**2 + spec.roundness * round_area)
    radius = _smooth(radius, 1.5 + 12 * spec.roundness)
    whole = 1 - cut * (1 - spec.roundness)
    radius = radius * (1 + spec.wobble * small)
    radius = radius * (1 + spec.lobe_depth * (spec.lobes > 0) * lobes * whole)
    area = np.pi * spec.diameter_mm**2 / 4
    radius = radius * np.sqrt(area / polygon_area(ring(radius)))
    cut = _open_part(cut, radius, spec.wound_mm2)
    turn = round(spec.angle_deg / 360 * N_ANGLES)
    radius, cut, ragged = (np.roll(values, turn) for values in (radius, cut, ragged))
    living = _living(radius, cut, ragged, spec.wound_mm2)
    centre = np.array([spec.x_mm, spec.y_mm]) - polygon_centroid(ring(radius))
    return Planform(
        centre_mm=centre,
        radius_mm=radius,
        living_mm=living,
        mouths_mm=_mouths(spec, centre, radius, living),
        mouth_mm=spec.mouth_length * spec.diameter_mm,
        mouth_angle=np.radians(spec.angle_deg) + np.pi / 2 + rng.normal() * 0.25,
    )


def _mouths(
    spec: PolypSpec, centre: NDArray[np.float64], radius: Profile, living: Profile
) -> Points:
    """Centres of the mouths: spread along the long axis, round the middle of the living tissue."""
    if spec.mouths == 0:
        return np.empty((0, 2))
    middle = centre + polygon_centroid(ring(living))
    rng = np.random.default_rng([spec.seed, 2])
    middle = middle + rng.normal(size=2) * 0.015 * spec.diameter_mm
    axis = np.radians(spec.angle_deg)
    if spec.mouths <= 2:
        steps = (np.arange(spec.mouths) - (spec.mouths - 1) / 2) * spec.mouth_gap_mm
        along = steps[:, None] * np.array([np.cos(axis), np.sin(axis)])
        return np.asarray(middle + along, dtype=np.float64)
    around = axis + 2 * np.pi * np.arange(spec.mouths) / spec.mouths
    reach = spec.mouth_gap_mm / (2 * np.sin(np.pi / spec.mouths))
    circle = reach * np.column_stack([np.cos(around), np.sin(around)])
    return np.asarray(middle + circle, dtype=np.float64)


def look_round(profile: Profile, theta: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return a profile's values at angles (any shape, radians), interpolated."""
    place = np.asarray(theta) * (N_ANGLES / (2 * np.pi))
    low = np.floor(place).astype(np.int64)
    share = place - low
    low %= N_ANGLES
    return np.asarray(profile[low] * (1 - share) + profile[(low + 1) % N_ANGLES] * share)


def radius_towards(shape: Planform, points_mm: Points) -> tuple[Profile, Profile]:
    """Return, for points (n, 2), their distance from the centre and the outline's there, mm."""
    moved = points_mm - shape.centre_mm
    angle = np.arctan2(moved[:, 1], moved[:, 0])
    return (
        np.hypot(moved[:, 0], moved[:, 1]),
        look_round(shape.radius_mm, angle),
    )


def contains(shape: Planform, points_mm: Points) -> NDArray[np.bool_]:
    """Return which of the points (n, 2) lie inside the outline."""
    distance, radius = radius_towards(shape, points_mm)
    return np.asarray(distance < radius)


def _clip(shape: Planform, normal: NDArray[np.float64], reach: float) -> Planform:
    """Cut off what lies further than ``reach`` mm from the centre along ``normal``."""
    along = np.cos(ANGLES - np.arctan2(normal[1], normal[0]))
    limit = np.where(along > 1e-6, reach / np.maximum(along, 1e-6), np.inf)
    return replace(
        shape,
        radius_mm=np.minimum(shape.radius_mm, limit),
        living_mm=np.minimum(shape.living_mm, limit),
    )


def overlap(one: Planform, other: Planform) -> Points:
    """Return the outline points (n, 2) of either that lie inside the other."""
    reach = one.radius_mm.max() + other.radius_mm.max()
    if np.hypot(*(other.centre_mm - one.centre_mm)) >= reach:
        return np.empty((0, 2))
    first, second = one.outline_mm, other.outline_mm
    return np.concatenate([first[contains(other, first)], second[contains(one, second)]])


def part(one: Planform, other: Planform) -> tuple[Planform, Planform] | None:
    """Press two overlapping planforms flat against each other along a straight border.

    Returns
    -------
    tuple of two Planform, or None
        None if they lie so far over each other that no border between their centres parts them.
    """
    inside = overlap(one, other)
    if len(inside) == 0:
        return one, other
    across = other.centre_mm - one.centre_mm
    normal = across / np.hypot(*across)
    spread = inside - inside.mean(axis=0)
    if len(inside) > 4:
        _, _, axes = np.linalg.svd(spread, full_matrices=False)
        normal = axes[1] * np.sign(axes[1] @ across or 1.0)
    border = float(np.mean(inside @ normal))
    first = border - float(one.centre_mm @ normal)
    second = float(other.centre_mm @ normal) - border
    if first < 0.35 * one.radius_mm.min() or second < 0.35 * other.radius_mm.min():
        return None
    return _clip(one, normal, first), _clip(other, -normal, second)
