"""How alike polyps of two dates look: size, shape and colour, what the whole photo shares removed.

Corallimorphs expand and contract together with light and flow, and a lamp tints all of them, so a
change that most polyps of a photo show says nothing of who is who.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from polypvision.reading import Polyp
from polypvision.track.assign import assign
from polypvision.track.seen import Seen, xy_of
from polypvision.track.settings import TrackSettings
from polypvision.track.trail import Trail

_LEAST_PAIRS = 3


def features(polyps: Sequence[Polyp]) -> NDArray[np.float64]:
    """Return (n, 5): logarithms of diameter and elongation, and CIELAB colour."""
    rows = [
        (
            np.log(one.diameter_mm),
            np.log(max(one.feret_max_mm / one.diameter_mm, 1.0)),
            *one.colour_lab,
        )
        for one in polyps
    ]
    return np.array(rows, dtype=np.float64).reshape(-1, 5)


def _shared(
    trails: Sequence[Trail], seen: Seen, change: NDArray[np.float64], settings: TrackSettings
) -> NDArray[np.float64]:
    """Return the change (5,) that the polyps of the photo share, shape left out.

    From those found at their places; where too few are, nothing is taken for shared.
    """
    places = np.array([[one.last.x_mm, one.last.y_mm] for one in trails])
    reach = np.array([settings.reach_mm(seen.day - one.last.day) for one in trails])
    distance = np.linalg.norm(places[:, None] - xy_of(seen.shapes)[None], axis=2)
    pairs = assign((distance / reach[:, None]) ** 2, 1.0)
    if len(pairs) < _LEAST_PAIRS:
        return np.zeros(5)
    rows, columns = np.array(pairs).T
    found = change[rows, columns]
    # Not known of any: nothing is shared.
    known = np.isfinite(found).any(axis=0)
    shared = np.zeros(5)
    shared[known] = np.nanmedian(found[:, known], axis=0)
    shared[1] = 0.0
    return shared


def _shared_of_all(before: NDArray[np.float64], now: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the change (5,) of the medians of all: who is who is not asked."""
    shared = np.zeros(5)
    if len(before) >= _LEAST_PAIRS and len(now) >= _LEAST_PAIRS:
        known = np.isfinite(before).any(axis=0) & np.isfinite(now).any(axis=0)
        middle = np.nanmedian(now[:, known], axis=0) - np.nanmedian(before[:, known], axis=0)
        shared[known] = middle
        shared[1] = 0.0
    return shared


def unlikeness(
    trails: Sequence[Trail], seen: Seen, settings: TrackSettings, *, places_hold: bool = True
) -> NDArray[np.float64]:
    """Return how unlike (individuals, polyps) they look, in squared standard deviations.

    Parameters
    ----------
    trails : sequence of Trail
        As last seen.
    seen : Seen
        Placed.
    settings : TrackSettings
    places_hold : bool
        Whether what the photo shares is told from those at their places; if pieces changed places,
        from all together.

    Returns
    -------
    ndarray (n, m) of float64
        Sum over size, shape and colour; a colour that is not known counts nothing.
    """
    if not trails or not seen.polyps:
        return np.zeros((len(trails), len(seen.polyps)))
    before = features([one.last.polyp for one in trails])
    now = features(seen.polyps)
    change = now[None] - before[:, None]
    if places_hold:
        change = change - _shared(trails, seen, change, settings)
    else:
        there = [n for n, one in enumerate(trails) if one.missed(seen.index) == 0]
        change = change - _shared_of_all(before[there], now)
    days = np.array([max(seen.day - one.last.day, 0.0) for one in trails])
    size = np.minimum(settings.size_sigma + settings.size_sigma_per_day * days, settings.size_cap)
    shape = settings.shape_sigma * size / settings.size_sigma
    colour = np.full(len(trails), settings.colour_sigma)
    sigma = np.column_stack([size, shape, colour, colour, colour])
    total: NDArray[np.float64] = np.nansum((change / sigma[:, None]) ** 2, axis=2)
    return total
