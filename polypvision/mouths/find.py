"""Mouths of each polyp: peaks of the reader's mouth map inside its outline."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.view import PlateView
from polypvision.reading import Points
from polypvision.segment.maps import PlateMaps
from polypvision.segment.peaks import local_peaks, smoothed
from polypvision.segment.polyp_map import PolypMap
from polypvision.segment.windows import corner_xy

MOUTH_LEVEL = 0.5
_APART_SHARE = 0.10
"""Two mouths stand at least this part of the disc's diameter apart: about a mouth's length
(mouths of corallimorphs are 0.10 to 0.19 of the oral disc long; own measure of a published set
of calliper data)."""
_APART_MIN_MM = 0.6
_SMOOTH_MM = 0.12
_LEAST_PEAK = 0.02


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
        Probability that there are two or more, by how much the second surest place looks like one.
    """

    places_xy: Points
    scores: tuple[float, ...]
    two_mouths_probability: float


@dataclass(frozen=True, kw_only=True, eq=False)
class MouthPeaks:
    """Places that may be mouths: rows and columns of the window (n, 2), surest first."""

    places_rc: NDArray[np.int64]
    strengths: NDArray[np.float64]


def peaks_inside(
    mouth: NDArray[np.float32], mask: NDArray[np.bool_], px_per_mm: float
) -> MouthPeaks:
    """Return the peaks of the mouth map inside one polyp.

    Parameters
    ----------
    mouth : ndarray (h, w) of float32
        The reader's mouth map in the polyp's window.
    mask : ndarray (h, w) of bool
        The polyp.
    px_per_mm : float
    """
    diameter = 2 * np.sqrt(np.count_nonzero(mask) / np.pi)
    apart = max(_APART_SHARE * diameter, _APART_MIN_MM * px_per_mm)
    smooth = smoothed(mouth, _SMOOTH_MM * px_per_mm)
    inside = np.asarray(cv2.copyTo(smooth, mask.view(np.uint8)), np.float32)
    peaks = local_peaks(inside, round(apart), _LEAST_PEAK)
    values = np.clip(inside[peaks[:, 0], peaks[:, 1]].astype(np.float64), 0, 1)
    return MouthPeaks(places_rc=peaks, strengths=values)


def count_mouths(
    strengths: NDArray[np.float64], two_mouths_probability: float, level: float = MOUTH_LEVEL
) -> int:
    """Return how many of the places (n,), surest first, are mouths.

    One, or a third, that looks like a mouth at least as much as ``level``; two if two are likelier
    than one.
    """
    clear = int(np.count_nonzero(strengths >= level))
    if two_mouths_probability < 0.5:
        return min(clear, 1)
    return max(clear, min(2, len(strengths)))


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
    found = []
    for label, window in enumerate(polyp_map.windows(margin_px=2), start=1):
        mask = polyp_map.labels[window] == label
        peaks = peaks_inside(maps.mouth[window], mask, view.px_per_mm)
        second = float(peaks.strengths[1]) if len(peaks.strengths) > 1 else 0.0
        two = maps.levels.two_mouths(second)
        sure = slice(0, count_mouths(peaks.strengths, two))
        found.append(
            PolypMouths(
                places_xy=peaks.places_rc[sure][:, ::-1] + corner_xy(window),
                scores=tuple(float(value) for value in peaks.strengths[sure]),
                two_mouths_probability=two,
            )
        )
    return tuple(found)
