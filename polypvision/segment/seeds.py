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


def _nearest(votes: Points, centres: Points) -> NDArray[np.int64]:
    """Return which centre (m, 2) is nearest to each vote (n, 2).

    Votes crowd round the middles, so most are settled by the pixel that they fall on: there the
    second nearest centre is farther by more than a vote can lie off the pixel's own middle.
    """
    tree = cKDTree(centres)
    if len(centres) == 1:
        return np.zeros(len(votes), np.int64)
    cells = np.rint(votes).astype(np.int64)
    cells -= cells.min(axis=0)
    width = int(cells[:, 0].max()) + 1
    place = cells[:, 1] * width + cells[:, 0]
    voted = np.zeros(int(place.max()) + 1, np.bool_)
    voted[place] = True
    used = np.flatnonzero(voted)
    corner = np.rint(votes).min(axis=0)
    far, near = tree.query(np.column_stack([used % width, used // width]) + corner, k=2)
    winner = np.full(len(voted), -1)
    winner[used] = np.where(far[:, 1] - far[:, 0] > np.sqrt(2) + 1e-6, near[:, 0], -1)
    nearest = winner[place]
    open_ones = nearest < 0
    nearest[open_ones] = tree.query(votes[open_ones], k=1)[1]
    return np.asarray(nearest, np.int64)


def cut_pieces(tissue: NDArray[np.bool_], maps: PlateMaps, px_per_mm: float) -> NDArray[np.int32]:
    """Return connected pieces (H, W), labelled 1 to n by their first pixels; 0 is ground.

    Parameters
    ----------
    tissue : ndarray (H, W) of bool
    maps : PlateMaps
    px_per_mm : float
    """
    centres = find_centres(maps, px_per_mm)
    owners = tissue.astype(np.int32)
    if len(centres) and tissue.any():
        rows, columns = np.nonzero(tissue)
        votes = np.column_stack([columns, rows]) + maps.to_centre_px[rows, columns]
        owners[tissue] = _nearest(votes, centres) + 1
    pieces = np.asarray(label_regions(owners, background=0, connectivity=1), np.int32)
    return _without_crumbs(pieces, _CRUMB_MM2 * px_per_mm**2)


def _without_crumbs(pieces: NDArray[np.int32], least_px: float) -> NDArray[np.int32]:
    """Give every crumb to the nearest piece; drop it where none is near."""
    sizes = np.bincount(pieces.ravel())
    large = sizes >= least_px
    large[0] = False
    if not large.any():
        return np.zeros_like(pieces)
    numbers = np.zeros(len(sizes), np.int32)
    numbers[large] = np.arange(1, int(large.sum()) + 1)
    kept = np.asarray(numbers[pieces], np.int32)
    crumb = np.argwhere((pieces > 0) & (kept == 0))
    if len(crumb):
        # Only the rims of the pieces can be nearest to anything outside them.
        solid = (kept > 0).astype(np.uint8)
        cross = np.asarray(cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3)), np.uint8)
        rim = np.argwhere(solid > cv2.erode(solid, cross))
        reach = float(np.sqrt(least_px))
        far, near = cKDTree(rim).query(crumb, distance_upper_bound=np.nextafter(reach, np.inf))
        adopted, host = crumb[np.isfinite(far)], rim[near[np.isfinite(far)]]
        kept[adopted[:, 0], adopted[:, 1]] = kept[host[:, 0], host[:, 1]]
    return kept
