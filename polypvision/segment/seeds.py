"""Tissue cut into pieces that each belong to one polyp: rather too many than too few.

Every pixel of tissue goes to the middle it points at (Cheng B et al. 2020, Panoptic-DeepLab, CVPR
2020; from memory), which parts neighbours however they touch.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter
from scipy.spatial import cKDTree
from skimage.feature import peak_local_max
from skimage.measure import label as label_regions

from polypvision.reading import Points
from polypvision.segment.maps import PlateMaps

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
    smooth = gaussian_filter(maps.centre, 0.25 * px_per_mm)
    peaks = peak_local_max(
        smooth,
        min_distance=max(1, round(_CENTRE_APART_MM * px_per_mm)),
        threshold_abs=_CENTRE_LEVEL,
        exclude_border=False,
    )
    strengths = smooth[peaks[:, 0], peaks[:, 1]].astype(np.float64)
    order = np.lexsort((peaks[:, 1], peaks[:, 0], -strengths))[:_MOST_SEEDS]
    return np.asarray(peaks[order][:, ::-1], np.float64)


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
    if len(centres):
        rows, columns = np.nonzero(tissue)
        votes = np.column_stack([columns, rows]) + maps.to_centre_px[rows, columns]
        owners[tissue] = cKDTree(centres).query(votes, k=1)[1] + 1
    pieces = np.asarray(label_regions(owners, background=0, connectivity=1), np.int32)
    return _without_crumbs(pieces, _CRUMB_MM2 * px_per_mm**2)


def _without_crumbs(pieces: NDArray[np.int32], least_px: float) -> NDArray[np.int32]:
    """Give every crumb to the nearest piece; drop it where none is near."""
    sizes = np.bincount(pieces.ravel())
    large = sizes >= least_px
    large[0] = False
    if not large.any():
        return np.zeros_like(pieces)
    kept = np.where(large[pieces], pieces, 0)
    crumb = (pieces > 0) & (kept == 0)
    if crumb.any():
        far, near = distance_transform_edt(kept == 0, return_indices=True)
        adopted = crumb & (far <= np.sqrt(least_px))
        kept[adopted] = kept[near[0][adopted], near[1][adopted]]
    numbers = np.zeros(len(sizes), np.int32)
    numbers[large] = np.arange(1, int(large.sum()) + 1)
    return np.asarray(numbers[kept], np.int32)
