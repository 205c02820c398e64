"""Polyps told apart, and each weighed whether it is one."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import chain
from math import exp, log, pi, sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.view import PlateView
from polypvision.segment.choice import Region, best_together, clashes
from polypvision.segment.joins import join_pieces
from polypvision.segment.levels import Levels
from polypvision.segment.maps import Look, PlateMaps
from polypvision.segment.medians import median
from polypvision.segment.polyp_map import PolypMap
from polypvision.segment.seeds import cut_pieces
from polypvision.segment.windows import (
    Window,
    first_pixel,
    hull_xy,
    mask_box,
    some_inside,
    within,
)

TISSUE_LEVEL = 0.5
MIN_DIAMETER_MM = 2.5
"""Smallest polyp that is counted; pieces are cut larger (common practice, no source)."""
MIN_SCORE = 0.5
"""Likelier a polyp than not. On painted pictures as many are right from 0.5 to 0.7."""
_VOTES = 1_000
"""Of more, only some are looked at: scores of real polyps move by 0.002 at most, by 0.0003 in 95 of
100, a part of how well they are calibrated."""
_LEAST_OTHER = -2.0
"""Log-odds of another look's tissue at least: a wide one shows small discs with few pixels, and
where they stand in rows it takes them for a pattern. It may speak against them, and not rule them
out."""
_FINER = 0.4
"""By how much likelier right than wrong what only a wide look finds must be, and likelier than what
the near look finds there: its rims are coarser. On painted pictures as they are F1 is 0.916 at 0,
0.922 from 0.3 on; on harder ones 0.865 up to 0.2, 0.864 at this, 0.856 without what it finds."""


_CORNERS = np.array([[0, 0], [1, 0], [0, 1], [1, 1]], np.int32)
"""Ways from a pixel to its corners, up to half a pixel."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidate:
    """A region that may be a polyp, and what speaks for it.

    Attributes
    ----------
    window : tuple of 2 slices
        Rows and columns of the view.
    mask : ndarray (h, w) of bool
        The region in its window.
    evidence : ndarray (5,) or (9,) of float64
        What `POLYP_EVIDENCE` names: log-odds of the mean tissue probability; highest value of the
        middles' map inside; how far the pixels' ways miss each other, as a part of the region's
        radius; the part of them that ends inside; and the region's part of its convex hull. With
        another look, then its first three again, bounded, and the radius (`OTHER_POLYP_EVIDENCE`).
    look : int
        Which look told it apart: 0 the near one, 1 the wide one.
    """

    window: Window
    mask: NDArray[np.bool_]
    evidence: NDArray[np.float64]
    look: int = 0

    def score(self, levels: Levels) -> float:
        """Return how much it looks like a polyp, 0 to 1; it is kept from `MIN_SCORE`."""
        return _logistic(self._log_odds(levels))

    def probability(self, levels: Levels) -> float:
        """Return the probability of being a polyp: how often such a score is right."""
        shift, slope = levels.looks[self.look].sure
        return _logistic(shift + slope * self._log_odds(levels))

    def _log_odds(self, levels: Levels) -> float:
        weights = levels.looks[self.look].polyp
        return float(weights[0] + weights[1:] @ self.evidence)


def _logistic(log_odds: float) -> float:
    # As an exponential of what is below 0, which never overflows.
    return 1 / (1 + exp(-log_odds)) if log_odds > 0 else 1 - 1 / (1 + exp(log_odds))


def _solidity(mask: NDArray[np.bool_]) -> float:
    """Area by that of the convex hull of the pixels' corners."""
    corners = hull_xy(mask)[:, None] + _CORNERS
    hull = cv2.convexHull(corners.reshape(-1, 2))
    return float(np.count_nonzero(mask) / cv2.contourArea(hull))


def _filled(region: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return a region with its holes filled."""
    outlines, _ = cv2.findContours(
        region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    filled = cv2.drawContours(np.zeros(region.shape, np.uint8), outlines, -1, 1, cv2.FILLED)
    return np.asarray(filled, np.bool_)


def _evidence(regions: Sequence[Region], maps: PlateMaps) -> list[NDArray[np.float64]]:
    """Return the evidence for each region, a window and its mask."""
    # Each step for all regions before the next: code that has just run runs faster.
    width = maps.tissue.shape[1]
    some = [some_inside(window, mask, width, _VOTES) for window, mask in regions]
    votes = [
        [tuple(axis.take(own) for axis in look.votes_xy) for own in some] for look in maps.looks
    ]
    seen, *others = (
        [_seen(look, own, *region) for own, region in zip(of_look, regions, strict=True)]
        for look, of_look in zip(maps.looks, votes, strict=True)
    )
    shares = [_share_inside(*region, *own) for region, own in zip(regions, votes[0], strict=True)]
    solidities = [_solidity(mask) for _, mask in regions]
    bounded = [
        [
            (max(tissue, _LEAST_OTHER), *rest, log(sqrt(np.count_nonzero(mask) / pi)))
            for (tissue, *rest), (_, mask) in zip(look, regions, strict=True)
        ]
        for look in others
    ]
    return [
        np.array([*own, share, solidity, *chain.from_iterable(other)])
        for own, share, solidity, *other in zip(seen, shares, solidities, *bounded, strict=True)
    ]


def _seen(
    look: Look, votes: Sequence[NDArray[np.float32]], window: Window, mask: NDArray[np.bool_]
) -> tuple[float, float, float]:
    """Log-odds of the mean tissue, the highest middle, and the spread of some votes in radii."""
    inside, area = mask.view(np.uint8), np.count_nonzero(mask)
    mean = cv2.sumElems(cv2.copyTo(look.tissue[window], inside))[0] / area
    tissue = min(max(mean, 1e-3), 1 - 1e-3)
    spread = cv2.mean(cv2.magnitude(*(axis - median(axis) for axis in votes)))[0]
    return (
        log(tissue / (1 - tissue)),
        cv2.minMaxLoc(look.centre[window], inside)[1],
        spread / sqrt(area / pi),
    )


def _share_inside(
    window: Window, mask: NDArray[np.bool_], x: NDArray[np.float32], y: NDArray[np.float32]
) -> float:
    """Return which part of some votes (n,) of a region ends in it."""
    column, row = (
        axis - np.float32(part.start) for axis, part in zip((x, y), window[::-1], strict=True)
    )
    ends = cv2.remap(mask.view(np.uint8), column, row, cv2.INTER_NEAREST)
    return cv2.countNonZero(ends) / len(x)


def find_candidates(view: PlateView, maps: PlateMaps) -> list[Candidate]:
    """Return every region that may be a polyp, of each look in the order of first pixels by rows.

    Those of one look share no pixel.

    Parameters
    ----------
    view : PlateView
    maps : PlateMaps
    """
    return [
        Candidate(window=window, mask=mask, evidence=evidence, look=look)
        for look, first in enumerate(maps.each_first)
        for (window, mask), evidence in _told_apart(view, first)
    ]


def _told_apart(view: PlateView, maps: PlateMaps) -> list[tuple[Region, NDArray[np.float64]]]:
    """Return the regions that the first look tells apart, each with its evidence."""
    tissue = (maps.tissue > TISSUE_LEVEL) & view.valid
    labels, windows = join_pieces(cut_pieces(tissue, maps, view.px_per_mm), maps)
    min_area_px = np.pi / 4 * (MIN_DIAMETER_MM * view.px_per_mm) ** 2
    free = np.ones(labels.shape, np.bool_)
    found: list[Region] = []
    for number, window in enumerate(windows, start=1):
        region = labels[window] == number
        if np.count_nonzero(region) < min_area_px:
            continue
        # A filled hole may hold a neighbour's pixels: each pixel goes to the first who has it.
        mask = _filled(region) & free[window]
        if not mask.any():
            continue
        free[window] &= ~mask
        found.append((window, mask))
    found.sort(key=lambda one: first_pixel(*one))
    return list(zip(found, _evidence(found, maps), strict=True))


def choose(candidates: Sequence[Candidate], levels: Levels) -> list[Candidate]:
    """Return the candidates that are kept, in the order of first pixels by rows.

    Those that are likelier polyps than not; of two looks, those that together are the most right
    ones less the wrong ones to be expected.

    Parameters
    ----------
    candidates : sequence of Candidate
    levels : Levels

    Returns
    -------
    list of Candidate
        They share no pixel: each goes to the likeliest that has it.
    """
    near, wide = ([one for one in candidates if one.look == look] for look in (0, 1))
    scores = [np.array([one.score(levels) for one in look]) for look in (near, wide)]
    clashing = clashes(*([(one.window, one.mask) for one in look] for look in (near, wide)))
    gain, wide_gain = (2 * (score - MIN_SCORE) for score in scores)
    chosen = best_together(gain, wide_gain - _FINER, clashing)
    kept = [
        one
        for look, own in zip((near, wide), chosen, strict=True)
        for one, keep in zip(look, own, strict=True)
        if keep
    ]
    return _parted(kept, levels) if any(chosen[1]) else kept


def _parted(kept: list[Candidate], levels: Levels) -> list[Candidate]:
    """Return candidates without what likelier ones share with them."""
    bottom, right = (max(one.window[axis].stop for one in kept) for axis in (0, 1))
    free = np.ones((bottom, right), np.bool_)
    parted = []
    for one in sorted(kept, key=lambda candidate: -candidate.score(levels)):
        mask = one.mask & free[one.window]
        free[one.window] &= ~mask
        parted.append(replace(one, mask=mask))
    return sorted(parted, key=lambda candidate: first_pixel(candidate.window, candidate.mask))


def _has_middle_in(view: PlateView, maps: PlateMaps, one: Candidate) -> bool:
    """Return whether the place that most of a candidate's pixels point at was seen."""
    own = some_inside(one.window, one.mask, view.valid.shape[1], _VOTES)
    column, row = (round(median(axis.take(own))) for axis in maps.looks[one.look].votes_xy)
    height, width = view.valid.shape
    return 0 <= row < height and 0 <= column < width and bool(view.valid[row, column])


def segment_polyps(view: PlateView, maps: PlateMaps) -> PolypMap:
    """Find the polyps of a view.

    Without a card the photo may go on beyond its edge, so of what this cuts off, those count whose
    middle was seen: in photos side by side each polyp counts once (the associated point rule; Miles
    RE 1978, The sampling, by quadrats, of planar aggregates, J Microsc 113: 257-267; from memory).
    A plate with its card is all of it in one photo, and what is cut off is one of its polyps.

    Parameters
    ----------
    view : PlateView
    maps : PlateMaps
        The reader's opinion of it.

    Returns
    -------
    PolypMap
        Labels in the order of each polyp's first pixel, by rows; no polyps is an empty map.
    """
    labels = np.zeros(view.valid.shape, np.int32)
    scores: list[float] = []
    boxes: list[Window] = []
    cut_off = 0
    for candidate in choose(find_candidates(view, maps), maps.levels):
        if view.plate is None and not _has_middle_in(view, maps, candidate):
            cut_off += 1
            continue
        window, mask = candidate.window, candidate.mask
        scores.append(candidate.probability(maps.levels))
        boxes.append(within(window, mask_box(mask)))
        np.copyto(labels[window], len(scores), where=mask)
    return PolypMap(labels=labels, scores=tuple(scores), boxes=boxes, cut_off=cut_off)
