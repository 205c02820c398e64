"""Tissue cut into pieces that each belong to one polyp: rather too many than too few.

Every pixel of tissue goes to the middle it points at (Cheng B et al. 2020, Panoptic-DeepLab, CVPR
2020; from memory), which parts neighbours however they touch.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from polypvision.beside import beside
from polypvision.reading import Points
from polypvision.segment.maps import PlateMaps
from polypvision.segment.peaks import local_peaks, smoothed
from polypvision.segment.runs import Runs

_CENTRE_LEVEL = 0.1
_CENTRE_APART_MM = 1.5
_CRUMB_MM2 = 2.0
_CELL_PX = 4
_SETTLED_PX = 1.42 * _CELL_PX
"""More than twice the way from a cell's middle to its corner."""
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


@dataclass(frozen=True, kw_only=True, eq=False)
class _Cells:
    """Places (n,), and the cells of some pixels that they fall into.

    Attributes
    ----------
    x, y : ndarray (n,) of float32
        The places, pixels.
    number : ndarray (n,) of int64
        Of each one's cell.
    used : ndarray (k,) of int64
        The numbers of the cells in which there are places, rising.
    middles : ndarray (k, 2) of int64
        Of these, pixels.
    """

    x: NDArray[np.float32]
    y: NDArray[np.float32]
    number: NDArray[np.int64]
    used: NDArray[np.int64]
    middles: NDArray[np.int64]

    @classmethod
    def of(cls, x: NDArray[np.float32], y: NDArray[np.float32]) -> "_Cells":
        """Return the cells of places (n,), of which there is at least one."""
        column, row = (
            np.rint(place * np.float32(1 / _CELL_PX)).astype(np.int64) for place in (x, y)
        )
        left, top = int(column.min()), int(row.min())
        width = int(column.max()) - left + 1
        row -= top
        row *= width
        row += column
        row -= left
        taken = np.zeros(int(row.max()) + 1, np.bool_)
        taken[row] = True
        used = np.flatnonzero(taken)
        middles = np.column_stack([used % width + left, used // width + top]) * _CELL_PX
        return cls(x=x, y=y, number=row, used=used, middles=middles)


def nearest_centres(
    x: NDArray[np.float32], y: NDArray[np.float32], centres: Points
) -> NDArray[np.int32]:
    """Return which centre (m, 2) is nearest to each vote (n,).

    Votes crowd round the middles, so most are settled by the cell of some pixels that they fall
    into: there the second nearest centre is farther by more than a vote can lie off the cell's
    middle. Where only the third is, the two nearest are left to choose between.
    """
    return _nearest(_Cells.of(x, y), centres)


def _nearest(votes: _Cells, centres: Points) -> NDArray[np.int32]:
    x, y, number, used = votes.x, votes.y, votes.number, votes.used
    if len(centres) == 1:
        return np.zeros(len(x), np.int32)
    tree = cKDTree(centres)
    far, near = tree.query(votes.middles, k=3)
    second_close, third_close = (far[:, 1:] - far[:, :1] <= _SETTLED_PX).T
    by_cell = np.zeros(int(used[-1]) + 1, np.int32)
    # What is unsure is told by the complement, which is below 0.
    by_cell[used] = np.where(second_close, ~near[:, 0], near[:, 0])
    nearest: NDArray[np.int32] = by_cell.take(number)

    unsure = np.flatnonzero(nearest < 0)
    nearest[unsure] = ~nearest[unsure]
    x, y, cell = x[unsure], y[unsure], np.searchsorted(used, number[unsure])
    one, other = centres[near[:, 0]], centres[np.where(second_close, near[:, 1], 0)]
    # Beyond the line half way between two centres the other is nearer.
    (across_x, across_y), half_way = (other - one).T, ((other**2 - one**2) / 2).sum(axis=1)
    beyond = across_x[cell] * x + across_y[cell] * y > half_way[cell]
    nearest[unsure[beyond]] = near[cell[beyond], 1]

    rest = np.flatnonzero(third_close[cell])
    nearest[unsure[rest]] = tree.query(np.column_stack([x[rest], y[rest]]))[1]
    return nearest


def cut_pieces(tissue: NDArray[np.bool_], maps: PlateMaps, px_per_mm: float) -> NDArray[np.int32]:
    """Return connected pieces (H, W), labelled 1 to n by their first pixels; 0 is ground.

    Parameters
    ----------
    tissue : ndarray (H, W) of bool
    maps : PlateMaps
    px_per_mm : float
    """
    owners = np.zeros(tissue.shape, np.int32)
    if not tissue.any():
        return owners
    # Two halves that do not need each other, each in few long steps.
    centres_found = beside(lambda: find_centres(maps, px_per_mm))
    inside = np.flatnonzero(tissue)
    votes = _Cells.of(*(axis.take(inside) for axis in maps.votes_xy))
    centres = centres_found()
    owners.ravel()[inside] = _nearest(votes, centres) + 1 if len(centres) else 1
    least_px = _CRUMB_MM2 * px_per_mm**2
    pieces = _connected(owners, least_px)
    _give_crumbs(tissue, pieces, float(np.sqrt(least_px)))
    return pieces


def _connected(owners: NDArray[np.int32], least_px: float) -> NDArray[np.int32]:
    """Return the connected pieces (H, W) of each owner's pixels, labelled by their first pixels.

    Crumbs, smaller than ``least_px``, are left out.
    """
    runs = Runs.of(owners)
    part = runs.connected()
    large = np.bincount(part, runs.length)[part] >= least_px
    kept = large & (runs.label > 0)
    number = np.zeros(len(part), np.int32)
    number[kept] = np.unique(part[kept], return_inverse=True)[1] + 1
    return runs.picture(number)


def _give_crumbs(tissue: NDArray[np.bool_], pieces: NDArray[np.int32], reach_px: float) -> None:
    """Give tissue that is in no piece (H, W) to the nearest one, where one is within reach."""
    solid = pieces > 0
    crumb = np.flatnonzero(tissue & ~solid)
    if not len(crumb) or not solid.any():
        return
    # Only the rims of the pieces can be nearest to anything outside them.
    cross = np.asarray(cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3)), np.uint8)
    rim = np.flatnonzero(solid & ~cv2.erode(solid.view(np.uint8), cross).view(np.bool_))
    rims, crumbs = (np.column_stack(divmod(one, pieces.shape[1])) for one in (rim, crumb))
    far, near = cKDTree(rims).query(crumbs, distance_upper_bound=np.nextafter(reach_px, np.inf))
    near_enough = np.isfinite(far)
    pieces.ravel()[crumb[near_enough]] = pieces.ravel()[rim[near[near_enough]]]
