"""Tissue cut into pieces that each belong to one polyp: rather too many than too few.

Every pixel of tissue goes to the middle it points at (Cheng B et al. 2020, Panoptic-DeepLab, CVPR
2020; from memory), which parts neighbours however they touch.
"""

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from skimage.measure import label as label_regions

from polypvision.reading import Points
from polypvision.segment.maps import PlateMaps
from polypvision.segment.peaks import local_peaks, smoothed

_CENTRE_LEVEL = 0.1
_CENTRE_APART_MM = 1.5
_CRUMB_MM2 = 2.0
_SETTLED_PX = 1.42
"""More than twice the way from a pixel's middle to its corner."""
_MOST_SEEDS = 600
"""Plates hold at most some hundreds of polyps; clutter may not make the work endless."""


def find_centres(maps: PlateMaps, px_per_mm: float) -> Points:
    """Return the middles of polyps, x and y in view pixels (n, 2), clearest first.

    Parameters
    ----------
    maps : PlateMaps
    px_per_mm : float
    """
    smooth = smoothed(maps.centre, 0.25 * px_per_mm)
    apart_px = max(1, round(_CENTRE_APART_MM * px_per_mm))
    peaks = local_peaks(smooth, apart_px, _CENTRE_LEVEL)[:_MOST_SEEDS]
    return np.asarray(peaks[:, ::-1], np.float64)


def _nearest(x: NDArray[np.float32], y: NDArray[np.float32], centres: Points) -> NDArray[np.int32]:
    """Return which centre (m, 2) is nearest to each vote (n,).

    Votes crowd round the middles, so most are settled by the pixel that they fall on: there the
    second nearest centre is farther by more than a vote can lie off the pixel's own middle.
    """
    if len(centres) == 1:
        return np.zeros(len(x), np.int32)
    tree = cKDTree(centres)
    column, row = np.rint(x).astype(np.int32), np.rint(y).astype(np.int32)
    left, top = int(column.min()), int(row.min())
    width = int(column.max()) - left + 1
    place = (row - top) * width + (column - left)
    voted = np.zeros(int(place.max()) + 1, np.bool_)
    voted[place] = True
    used = np.flatnonzero(voted)
    far, near = tree.query(np.column_stack([used % width + left, used // width + top]), k=2)
    settled = far[:, 1] - far[:, 0] > _SETTLED_PX
    winner = np.zeros(len(voted), np.int32)
    winner[used] = np.where(settled, near[:, 0], -1)
    nearest = winner[place]
    rest = np.flatnonzero(nearest < 0)
    nearest[rest] = tree.query(np.column_stack([x[rest], y[rest]]))[1]
    return np.asarray(nearest, np.int32)


def cut_pieces(tissue: NDArray[np.bool_], maps: PlateMaps, px_per_mm: float) -> NDArray[np.int32]:
    """Return connected pieces (H, W), labelled 1 to n by their first pixels; 0 is ground.

    Parameters
    ----------
    tissue : ndarray (H, W) of bool
    maps : PlateMaps
    px_per_mm : float
    """
    centres = find_centres(maps, px_per_mm)
    where = np.flatnonzero(tissue)
    if not len(where):
        return np.zeros(tissue.shape, np.int32)
    owners = tissue.astype(np.int32)
    if len(centres):
        x, y = (votes.take(where) for votes in maps.votes_xy)
        owners.ravel()[where] = _nearest(x, y, centres) + 1
    pieces = np.asarray(label_regions(owners, background=0, connectivity=1), np.int32)
    return _without_crumbs(pieces, where, _CRUMB_MM2 * px_per_mm**2)


def _without_crumbs(
    pieces: NDArray[np.int32], where: NDArray[np.int64], least_px: float
) -> NDArray[np.int32]:
    """Give every crumb to the nearest piece; drop it where none is near.

    Parameters
    ----------
    pieces : ndarray (H, W) of int32
    where : ndarray (n,) of int64
        Places in it that are no ground.
    least_px : float
    """
    kept = np.zeros_like(pieces)
    labels = pieces.take(where)
    large = np.bincount(labels) >= least_px
    if not large.any():
        return kept
    numbers = np.where(large, np.cumsum(large), 0).astype(np.int32)
    renumbered = numbers.take(labels)
    kept.ravel()[where] = renumbered
    crumb = where[renumbered == 0]
    if len(crumb):
        # Only the rims of the pieces can be nearest to anything outside them.
        solid = (kept > 0).astype(np.uint8)
        cross = np.asarray(cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3)), np.uint8)
        rim = np.flatnonzero(solid > cv2.erode(solid, cross))
        reach = float(np.sqrt(least_px))
        rims, crumbs = (np.column_stack(divmod(one, kept.shape[1])) for one in (rim, crumb))
        far, near = cKDTree(rims).query(crumbs, distance_upper_bound=np.nextafter(reach, np.inf))
        near_enough = np.isfinite(far)
        kept.ravel()[crumb[near_enough]] = kept.ravel()[rim[near[near_enough]]]
    return kept
