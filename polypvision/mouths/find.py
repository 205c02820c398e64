"""Mouths of each polyp: peaks of the reader's mouth map inside its outline."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter
from skimage.feature import peak_local_max

from polypvision.calibrate.view import PlateView
from polypvision.reading import Points
from polypvision.segment.maps import PlateMaps
from polypvision.segment.polyp_map import PolypMap, polyp_windows

MOUTH_LEVEL = 0.5
_APART_SHARE = 0.10
"""Two mouths stand at least this part of the disc's diameter apart: about a mouth's length
(mouths of corallimorphs are 0.10 to 0.19 of the oral disc long; own measure of a published set
of calliper data)."""
_APART_MIN_MM = 0.6


@dataclass(frozen=True, kw_only=True, eq=False)
class PolypMouths:
    """The mouths of one polyp.

    Attributes
    ----------
    places_xy : ndarray (n, 2) of float64
        View pixels, surest first.
    scores : tuple of float
        0 to 1, one for each.
    two_mouths_probability : float
        Probability that there are two or more: how much the second surest place looks like one.
    """

    places_xy: Points
    scores: tuple[float, ...]
    two_mouths_probability: float


def find_mouths(view: PlateView, maps: PlateMaps, polyp_map: PolypMap) -> tuple[PolypMouths, ...]:
    """Find the mouths of every polyp.

    Parameters
    ----------
    view : PlateView
    maps : PlateMaps
    polyp_map : PolypMap

    Returns
    -------
    tuple of PolypMouths
        One for each label, in order.
    """
    smooth = gaussian_filter(maps.mouth, 0.12 * view.px_per_mm)
    found = []
    for index, window in enumerate(polyp_windows(polyp_map.labels, margin_px=2), start=1):
        mask = polyp_map.labels[window.slices] == index
        diameter = 2 * np.sqrt(mask.sum() / np.pi)
        apart = max(_APART_SHARE * diameter, _APART_MIN_MM * view.px_per_mm)
        inside = np.where(mask, smooth[window.slices], 0)
        peaks = peak_local_max(
            inside, min_distance=round(apart), threshold_abs=0.02, exclude_border=False
        )
        values = np.clip(inside[peaks[:, 0], peaks[:, 1]].astype(np.float64), 0, 1)
        order = np.lexsort((peaks[:, 1], peaks[:, 0], -values))
        peaks, values = peaks[order], values[order]
        sure = values >= MOUTH_LEVEL
        corner = np.array([window.column.start, window.row.start], np.float64)
        found.append(
            PolypMouths(
                places_xy=peaks[sure][:, ::-1] + corner,
                scores=tuple(float(value) for value in values[sure]),
                two_mouths_probability=float(values[1]) if len(values) > 1 else 0.0,
            )
        )
    return tuple(found)
