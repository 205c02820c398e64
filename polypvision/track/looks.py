"""How alike polyps of two dates look: size, shape and colour, what the whole photo shares removed.

Corallimorphs expand and contract together with light and flow, and a lamp tints all of them, so a
change that most polyps of a photo show says nothing of who is who.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from polypvision.reading import Polyp
from polypvision.track.assign import assign
from polypvision.track.seen import Seen, xy_of
from polypvision.track.settings import TrackSettings
from polypvision.track.trail import Trail

_LEAST_PAIRS = 3
MOST_PHOTOS = 3
"""So many looks are taken together: those of longer ago show a polyp that has changed by itself."""
_USUAL_PAIRS = 8.0
"""What is usual counts like so many changes seen on the plate itself (own choice, no source)."""
_GROWN_DAYS = 7.0
"""Over less time a change of size says little of growth."""
_POLISHES = 4
_MAD = 1.4826
"""Median absolute deviation to standard deviation of a normal law."""


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


def steady_looks(trails: Sequence[Trail], photos: Sequence[str]) -> NDArray[np.float64]:
    """Return the looks of all individuals without what each photo's polyps share.

    Parameters
    ----------
    trails : sequence of Trail
    photos : sequence of str
        Hashes of photos in date order; sightings on others are left out.

    Returns
    -------
    ndarray (trails, photos, 5) of float64
        Logarithms of diameter and elongation, CIELAB colour; NaN where not seen.

    Notes
    -----
    Median polish (Tukey 1977, Exploratory Data Analysis): a few that changed places do not move
    what is shared.
    """
    index_of = {sha256: n for n, sha256 in enumerate(photos)}
    looks = np.full((len(trails), len(photos), 5), np.nan)
    for row, trail in enumerate(trails):
        seen = [one for one in trail.observations if one.sha256 in index_of]
        looks[row, [index_of[one.sha256] for one in seen]] = features([o.polyp for o in seen])
    shared = np.zeros((len(photos), 5))
    for _ in range(_POLISHES):
        own = _median(looks - shared[None], axis=1)
        shared = np.nan_to_num(_median(looks - own[:, None], axis=0))
        # Elongation is each one's own.
        shared[:, 1] = 0.0
    return looks - shared[None]


def _median(values: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """Median of what is known; NaN where nothing is."""
    unknown = ~np.isfinite(values).any(axis=axis)
    known = np.where(np.expand_dims(unknown, axis), 0.0, values)
    medians: NDArray[np.float64] = np.where(unknown, np.nan, np.nanmedian(known, axis=axis))
    return medians


def scatter(
    looks: NDArray[np.float64],
    settings: TrackSettings,
    more: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Return the standard deviation (5,) of one look on one photo, learned from the plate.

    Parameters
    ----------
    looks : ndarray (individuals, photos, 5) of float64
        See `steady_looks`.
    settings : TrackSettings
        What is usual; it counts like a few changes seen.
    more : ndarray (n, 5) of float64, optional
        Further changes from one photo to the next.
    """
    sigmas = (settings.size_sigma, settings.shape_sigma, *[settings.colour_sigma] * 3)
    usual = np.array(sigmas, dtype=np.float64) / np.sqrt(2)
    steps = [np.diff(one[np.isfinite(one[:, 0])], axis=0) for one in looks]
    change = np.concatenate([*steps, *([] if more is None else [more])])
    if not len(change):
        return np.asarray(usual, dtype=np.float64)
    known = np.isfinite(change).sum(axis=0)
    spread = np.nan_to_num(_MAD * _median(np.abs(change), axis=0)) / np.sqrt(2)
    variance = (_USUAL_PAIRS * usual**2 + known * spread**2) / (_USUAL_PAIRS + known)
    return np.asarray(np.sqrt(variance), dtype=np.float64)


def growing(
    looks: NDArray[np.float64], days: NDArray[np.float64], settings: TrackSettings
) -> NDArray[np.float64]:
    """Return the standard deviation a day (5,) of what an individual's look changes by itself.

    Learned from the plate as `scatter` is; colours are taken to stay.

    Parameters
    ----------
    looks : ndarray (individuals, photos, 5) of float64
        See `steady_looks`.
    days : ndarray (photos,) of float64
    settings : TrackSettings
    """
    shape = settings.shape_sigma / settings.size_sigma
    usual = settings.size_sigma_per_day * np.array([1.0, shape, 0.0, 0.0, 0.0])
    slopes = []
    for one in looks:
        seen = np.flatnonzero(np.isfinite(one[:, 0]))
        if len(seen) > 1 and days[seen[-1]] - days[seen[0]] >= _GROWN_DAYS:
            slopes.append((one[seen[-1]] - one[seen[0]]) / (days[seen[-1]] - days[seen[0]]))
    if not slopes:
        return usual
    spread = np.nan_to_num(_MAD * _median(np.abs(np.array(slopes)), axis=0))
    learned = (_USUAL_PAIRS * usual**2 + len(slopes) * spread**2) / (_USUAL_PAIRS + len(slopes))
    return np.asarray(np.where(usual > 0, np.sqrt(learned), 0.0), dtype=np.float64)


def sharp_unlikeness(
    trails: Sequence[Trail],
    links: Mapping[int, int],
    seen: Seen,
    settings: TrackSettings,
    *,
    places_hold: bool = True,
) -> NDArray[np.float64]:
    """Return how unlike (individuals, polyps) they look, judged by the plate itself.

    Unlike `unlikeness` it takes the last few sightings of an individual together, and what looks
    wander from photo to photo on this very plate for their standard deviation.

    Parameters
    ----------
    trails : sequence of Trail
    links : mapping of int to int
        Who is where by place; a few may be wrong.
    seen : Seen
        Placed.
    settings : TrackSettings
    places_hold : bool
        Whether what the photo shares is told from `links`; if not, from all together.
    """
    if not trails or not seen.polyps:
        return np.zeros((len(trails), len(seen.polyps)))
    day_of = {one.sha256: one.day for trail in trails for one in trail.observations}
    photos = sorted(day_of, key=lambda sha256: (day_of[sha256], sha256))
    looks = steady_looks(trails, photos)
    windows = [np.flatnonzero(np.isfinite(one[:, 0]))[-MOST_PHOTOS:] for one in looks]
    days = np.array([day_of[one] for one in photos])
    before = np.array([looks[n, one].mean(axis=0) for n, one in enumerate(windows)])
    when = np.array([days[one].mean() for one in windows])
    share = 1 / np.array([len(one) for one in windows])
    now = features(seen.polyps)
    rows, columns = list(links), list(links.values())
    if places_hold and len(links) >= _LEAST_PAIRS:
        shared = np.nan_to_num(_median(now[columns] - before[rows], axis=0))
        shared[1] = 0.0
    else:
        there = [n for n, one in enumerate(trails) if one.missed(seen.index) == 0]
        shared = _shared_of_all(before[there], now)
    now = now - shared
    last = np.array([looks[n, one[-1]] for n, one in enumerate(windows)])
    sigma = scatter(looks, settings, now[columns] - last[rows] if places_hold else None)
    gap = np.maximum(seen.day - when, 0.0)[:, None]
    variance = sigma**2 * (1 + share[:, None]) + (growing(looks, days, settings) * gap) ** 2
    return np.asarray(
        np.nansum((now[None] - before[:, None]) ** 2 / variance[:, None], axis=2),
        dtype=np.float64,
    )
