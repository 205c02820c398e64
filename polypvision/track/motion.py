"""Motion of a whole plate against its card between two dates, from the constellation of polyps."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.reading import Points
from polypvision.track.assign import assign
from polypvision.track.settings import TrackSettings

_VOTERS = 60
"""Polyps that vote; the largest, because they are seen most surely. Bounds the work."""

_ENOUGH = 0.75
"""Part of the polyps that a near motion must explain for no other to be looked for."""
_WIDE_GAIN = 1.25
"""A far-fetched motion must explain this much more than the nearest one."""

_SIZE_SIGMA, _COLOUR_SIGMA = 0.2, 6.0
"""How well a polyp keeps the logarithm of its diameter and its CIELAB colour from date to date,
with what light and flow do to a whole plate: who is who is not known yet."""

_PER_MM = 0.02
_PER_DEGREE = 0.02
"""Votes that a motion costs: a plate is laid nearly as it was, and on a square grid of like polyps
a jump by one place explains nearly as much as lying still."""
_OPENED = (-0.2, 0.2)
"""Changes of the logarithm of all diameters that are tried: a plate may open or close with the
light by a fifth (common practice, no source)."""
_FAR_SHARE = 0.1
"""Part of that cost among far-fetched motions: a hand turns a plate this way or that."""


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


@dataclass(frozen=True, kw_only=True, eq=False)
class Constellation:
    """Polyps as points with a look.

    Attributes
    ----------
    xy_mm : ndarray (n, 2) of float64
        Centroids.
    diameter_mm : ndarray (n,) of float64
    lab : ndarray (n, 3) of float64, optional
        CIELAB colours; left out, or NaN, where not known.
    """

    xy_mm: Points
    diameter_mm: NDArray[np.float64]
    lab: NDArray[np.float64] | None = None

    def largest(self, count: int) -> "Constellation":
        """Return the largest polyps only."""
        pick = np.argsort(-self.diameter_mm, kind="stable")[:count]
        return Constellation(
            xy_mm=self.xy_mm[pick],
            diameter_mm=self.diameter_mm[pick],
            lab=None if self.lab is None else self.lab[pick],
        )


def _likeness(
    known: Constellation, seen: Constellation, opened: float = 0.0
) -> NDArray[np.float64]:
    """Weight (known, seen) from 0 to 1 of a pair by how alike they look, all discs seen having
    opened by so much in the logarithm of the diameter."""
    size = np.log(known.diameter_mm)[:, None] - np.log(seen.diameter_mm)[None] + opened
    squares = (size / _SIZE_SIGMA) ** 2
    if known.lab is not None and seen.lab is not None:
        colour = (known.lab[:, None] - seen.lab[None]) / _COLOUR_SIGMA
        squares = squares + np.nansum(colour**2, axis=2)
    likeness: NDArray[np.float64] = np.exp(-0.5 * squares)
    return likeness


def _vote(
    known: Points,
    seen: Points,
    likeness: NDArray[np.float64],
    reach_mm: float,
    cell_mm: float,
    per_mm: float,
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
    total -= per_mm * np.hypot(steps[None, :], steps[:, None])
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
        off = distance[rows, columns] / tolerance_mm
        agreement = float((alike * np.exp(-2 * off**2)).sum())
        # Huber weights with half the reach as the bend: one polyp that crept pulls little.
        bend = 0.5 * reach
        weights = alike * np.minimum(1.0, bend / np.maximum(distance[rows, columns], 1e-9))
        motion = fit_rigid(seen[columns], known[rows], np.maximum(weights, 1e-6))
    return agreement, motion


def estimate_motion(
    known: Constellation, seen: Constellation, settings: TrackSettings | None = None
) -> PlateMotion:
    """Return the plate's motion that carries what is seen onto what is known.

    Every turn votes for a shift; the best are refined on one-to-one pairs. Few turns and short
    shifts are tried first, all others only if those do not explain most polyps.

    Parameters
    ----------
    known, seen : Constellation
    settings : TrackSettings, optional

    Returns
    -------
    PlateMotion
        No motion, with ``agreeing`` 0, where fewer than three polyps, or fewer than half of the
        smaller constellation, agree on one.
    """
    settings = settings or TrackSettings()
    fewest = min(len(known.xy_mm), len(seen.xy_mm))
    if fewest < 3:
        return PlateMotion()
    known, seen = known.largest(_VOTERS), seen.largest(_VOTERS)
    known_mm, seen_mm = known.xy_mm, seen.xy_mm
    middle = seen_mm.mean(axis=0)

    def best(
        likeness: NDArray[np.float64],
        turns_deg: NDArray[np.float64],
        reach_mm: float,
        share: float,
    ) -> tuple[float, PlateMotion]:
        candidates = []
        for turn_deg in turns_deg:
            turned = PlateMotion(turn_deg=float(turn_deg)).apply(seen_mm - middle) + middle
            votes, shift = _vote(
                known_mm, turned, likeness, reach_mm, settings.plate_tolerance_mm, share * _PER_MM
            )
            candidates.append((votes - share * _PER_DEGREE * abs(turn_deg), float(turn_deg), shift))
        candidates.sort(key=lambda one: (-one[0], abs(one[1])))
        refined = []
        for _, turn_deg, shift in candidates[:4]:
            offset = middle - PlateMotion(turn_deg=turn_deg).apply(middle[None])[0] + shift
            start = PlateMotion(turn_deg=turn_deg, shift_mm=(float(offset[0]), float(offset[1])))
            agreement, motion = _refine(
                start, known_mm, seen_mm, likeness, settings.plate_tolerance_mm
            )
            moved = float(np.hypot(*(motion.apply(middle[None])[0] - middle)))
            rank = agreement - share * (_PER_DEGREE * abs(motion.turn_deg) + _PER_MM * moved)
            refined.append((rank, motion))
        return max(refined, key=lambda one: (round(one[0], 9), -abs(one[1].turn_deg)))

    step = 2.0
    near = np.arange(-settings.plate_turn_deg, settings.plate_turn_deg + step / 2, step)
    reach_mm = settings.plate_shift_mm
    likeness = _likeness(known, seen)
    agreement, motion = best(likeness, near, reach_mm, 1.0)
    if agreement < _ENOUGH * min(fewest, _VOTERS):
        others = [best(_likeness(known, seen, by), near, reach_mm, 1.0) for by in _OPENED]
        span = float(np.ptp(np.vstack([known_mm, seen_mm]), axis=0).max()) + reach_mm
        others.append(best(likeness, np.arange(-180.0, 180.0, step), span, _FAR_SHARE))
        other_agreement, other = max(others, key=lambda one: one[0])
        if other_agreement > _WIDE_GAIN * max(agreement, 1.0):
            motion = other
    if motion.agreeing < max(3, min(fewest, _VOTERS) / 2):
        return PlateMotion()
    return motion
