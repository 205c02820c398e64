"""Motion of a whole plate against its card between two dates, from the constellation of polyps."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.reading import Points
from polypvision.track.assign import assign
from polypvision.track.settings import TrackSettings

_VOTERS = 60
"""Polyps that vote; the largest, because they are seen most surely. Bounds the work."""

_WIDE_GAIN = 1.5
"""A far-fetched motion must explain this much more than the nearest one."""

_PER_MM = 0.02
_PER_DEGREE = 0.02
"""Votes that a motion costs: a plate is laid nearly as it was, and on a square grid of like polyps
a jump by one place explains nearly as much as lying still."""


@dataclass(frozen=True, kw_only=True)
class PlateMotion:
    """Rigid motion: turned by `turn_deg` about the origin, then shifted.

    Attributes
    ----------
    turn_deg : float
        Clockwise as seen on the plate, because y runs down.
    shift_mm : tuple of 2 floats
    agreeing : int
        Polyps on whose places it rests; 0 for the first photo and where none could be told.
    """

    turn_deg: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    agreeing: int = 0

    def apply(self, points_mm: Points) -> Points:
        """Return points (n, 2), moved."""
        turn = np.deg2rad(self.turn_deg)
        cosine, sine = np.cos(turn), np.sin(turn)
        matrix = np.array([[cosine, -sine], [sine, cosine]])
        moved: Points = np.asarray(points_mm, dtype=np.float64) @ matrix.T + self.shift_mm
        return moved


def fit_rigid(
    seen_mm: Points, known_mm: Points, weights: NDArray[np.float64] | None = None
) -> PlateMotion:
    """Return the rigid motion that carries `seen_mm` onto `known_mm` with least squares.

    Parameters
    ----------
    seen_mm, known_mm : ndarray (n, 2) of float64
        Corresponding points.
    weights : ndarray (n,) of float64, optional

    Notes
    -----
    Closed form of the plane case of Kabsch 1976 (Acta Crystallographica A 32:922-923).
    """
    weight = np.ones(len(seen_mm)) if weights is None else weights
    weight = weight / weight.sum()
    seen_middle, known_middle = weight @ seen_mm, weight @ known_mm
    a, b = seen_mm - seen_middle, known_mm - known_middle
    dot = float(np.sum(weight * (a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1])))
    cross = float(np.sum(weight * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])))
    turn_deg = float(np.rad2deg(np.arctan2(cross, dot))) if len(seen_mm) > 1 else 0.0
    turned = PlateMotion(turn_deg=turn_deg).apply(seen_middle[None])[0]
    shift = known_middle - turned
    return PlateMotion(
        turn_deg=turn_deg, shift_mm=(float(shift[0]), float(shift[1])), agreeing=len(seen_mm)
    )


def _likeness(
    known_size: NDArray[np.float64], seen_size: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Weight (known, seen) from 0 to 1 of a pair by how alike their diameters are."""
    ratio = np.log(known_size)[:, None] - np.log(seen_size)[None, :]
    likeness: NDArray[np.float64] = np.exp(-0.5 * (ratio / 0.25) ** 2)
    return likeness


def _vote(
    known: Points, seen: Points, likeness: NDArray[np.float64], reach_mm: float, cell_mm: float
) -> tuple[float, tuple[float, float]]:
    """Return the most supported shift of points already turned: (votes less its length, shift)."""
    shifts = (known[:, None, :] - seen[None, :, :]).reshape(-1, 2)
    votes = likeness.ravel()
    near = np.hypot(shifts[:, 0], shifts[:, 1]) <= reach_mm
    if not near.any():
        return 0.0, (0.0, 0.0)
    shifts, votes = shifts[near], votes[near]
    half = int(np.ceil(reach_mm / cell_mm)) + 1
    side = 2 * half + 1
    cells = np.rint(shifts / cell_mm).astype(np.intp) + half
    grid = np.bincount(cells[:, 1] * side + cells[:, 0], weights=votes, minlength=side * side)
    # A shift near a cell's border splits its votes: count the eight neighbours too.
    padded = np.pad(grid.reshape(side, side), 1)
    rows = padded[:-2] + padded[1:-1] + padded[2:]
    total = rows[:, :-2] + rows[:, 1:-1] + rows[:, 2:]
    steps = (np.arange(side) - half) * cell_mm
    total -= _PER_MM * np.hypot(steps[None, :], steps[:, None])
    y, x = np.divmod(int(np.argmax(total)), side)
    return float(total[y, x]), (float(steps[x]), float(steps[y]))


def _refine(
    start: PlateMotion,
    known: Points,
    seen: Points,
    likeness: NDArray[np.float64],
    tolerance_mm: float,
) -> tuple[float, PlateMotion]:
    """Return (agreement, motion): pairs re-chosen and re-fitted, far ones counting less."""
    motion = start
    agreement = 0.0
    for reach in (3 * tolerance_mm, 2 * tolerance_mm, tolerance_mm, tolerance_mm, tolerance_mm):
        moved = motion.apply(seen)
        distance = np.hypot(
            known[:, None, 0] - moved[None, :, 0], known[:, None, 1] - moved[None, :, 1]
        )
        cost = np.where(distance <= reach, (distance / reach) ** 2 + 0.5 * (1 - likeness), np.inf)
        links = assign(cost, 1.5)
        if len(links) < 2:
            return 0.0, PlateMotion()
        rows = np.array([row for row, _ in links])
        columns = np.array([column for _, column in links])
        alike = likeness[rows, columns]
        agreement = float(alike.sum())
        # Huber weights with half the reach as the bend: one polyp that crept pulls little.
        bend = 0.5 * reach
        weights = alike * np.minimum(1.0, bend / np.maximum(distance[rows, columns], 1e-9))
        motion = fit_rigid(seen[columns], known[rows], np.maximum(weights, 1e-6))
    return agreement, motion


def estimate_motion(
    known_mm: Points,
    known_diameter_mm: NDArray[np.float64],
    seen_mm: Points,
    seen_diameter_mm: NDArray[np.float64],
    settings: TrackSettings | None = None,
) -> PlateMotion:
    """Return the plate's motion that carries what is seen onto what is known.

    Every turn votes for a shift; the best are refined on one-to-one pairs. Few turns and short
    shifts are tried first, all others only if those explain less than half of the polyps.

    Parameters
    ----------
    known_mm, seen_mm : ndarray (n, 2), (m, 2) of float64
        Centroids, mm.
    known_diameter_mm, seen_diameter_mm : ndarray (n,), (m,) of float64
    settings : TrackSettings, optional

    Returns
    -------
    PlateMotion
        No motion, with ``agreeing`` 0, where fewer than three polyps, or fewer than half of the
        smaller constellation, agree on one.
    """
    settings = settings or TrackSettings()
    fewest = min(len(known_mm), len(seen_mm))
    if fewest < 3:
        return PlateMotion()
    known_pick = np.argsort(-known_diameter_mm, kind="stable")[:_VOTERS]
    seen_pick = np.argsort(-seen_diameter_mm, kind="stable")[:_VOTERS]
    known, seen = known_mm[known_pick], seen_mm[seen_pick]
    middle = seen.mean(axis=0)
    likeness = _likeness(known_diameter_mm[known_pick], seen_diameter_mm[seen_pick])

    def best(turns_deg: NDArray[np.float64], reach_mm: float) -> tuple[float, PlateMotion]:
        candidates = []
        for turn_deg in turns_deg:
            turned = PlateMotion(turn_deg=float(turn_deg)).apply(seen - middle) + middle
            votes, shift = _vote(known, turned, likeness, reach_mm, settings.plate_tolerance_mm)
            candidates.append((votes - _PER_DEGREE * abs(turn_deg), float(turn_deg), shift))
        candidates.sort(key=lambda one: (-one[0], abs(one[1])))
        refined = []
        for _, turn_deg, shift in candidates[:4]:
            offset = middle - PlateMotion(turn_deg=turn_deg).apply(middle[None])[0] + shift
            start = PlateMotion(turn_deg=turn_deg, shift_mm=(float(offset[0]), float(offset[1])))
            agreement, motion = _refine(start, known, seen, likeness, settings.plate_tolerance_mm)
            moved = float(np.hypot(*(motion.apply(middle[None])[0] - middle)))
            rank = agreement - _PER_DEGREE * abs(motion.turn_deg) - _PER_MM * moved
            refined.append((rank, motion))
        return max(refined, key=lambda one: (round(one[0], 9), -abs(one[1].turn_deg)))

    step = 2.0
    near = np.arange(-settings.plate_turn_deg, settings.plate_turn_deg + step / 2, step)
    agreement, motion = best(near, settings.plate_shift_mm)
    if agreement < 0.5 * min(fewest, _VOTERS):
        span = float(np.ptp(np.vstack([known, seen]), axis=0).max()) + settings.plate_shift_mm
        far_agreement, far = best(np.arange(-180.0, 180.0, step), span)
        if far_agreement > _WIDE_GAIN * max(agreement, 1.0):
            agreement, motion = far_agreement, far
    if motion.agreeing < max(3, min(fewest, _VOTERS) / 2):
        return PlateMotion()
    return motion
