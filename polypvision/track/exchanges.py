"""A second look at who is who, once more photos are there: may two have changed places?

Each photo is linked knowing only those before it, and two of like size and colour that change
places are then kept by place. All photos before against all photos after tell more: what wanders
from photo to photo averages out, and the plate itself shows how much its polyps' looks wander. If
they fit clearly better the other way round a person is asked; no name is changed, because names do
not change when photos are added. What looks exactly alike, nobody can tell.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from math import exp

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from polypvision.events import SeenEvent, Sighting
from polypvision.track.individuals import TrackedPhoto
from polypvision.track.looks import MOST_PHOTOS, growing, scatter, steady_looks
from polypvision.track.said import sighting_of
from polypvision.track.settings import TrackSettings
from polypvision.track.trail import Trail
from polypvision.words import counted

_LEAST_INDIVIDUALS = 3
_ELSEWHERE = 5.5
"""What it costs that one stands elsewhere, any of sixteen places alike; twice the logarithm of the
odds, as are all costs here."""
_PLACE_CAP = 20.0
"""However unlike, at its own place one polyp is no less likely than this: a disc closes up."""
_ASKED = 1.0
"""From this gain on a person is asked: looks speak for an exchange as much as places against."""
_HANDS = 6.0
"""What it costs that a hand changed places at all, before one photo in twenty (own choice)."""


@dataclass(frozen=True, kw_only=True)
class Exchange:
    """Trails (rows) that may have changed places before the photo of this index: one took the
    place of the next, and the last that of the first."""

    index: int
    ring: tuple[int, ...]
    gain: float
    before: int
    after: int


@dataclass(frozen=True, kw_only=True, eq=False)
class _Ways:
    """How looks (5,) wander on this plate: from photo to photo, and a day; standard deviations."""

    sigma: NDArray[np.float64]
    drift: NDArray[np.float64]


def exchange_events(
    trails: Sequence[Trail],
    photos: Sequence[TrackedPhoto],
    noticed: Sequence[SeenEvent],
    said: Collection[Sighting],
    settings: TrackSettings,
) -> list[SeenEvent]:
    """Return the events that some may have changed places, beyond what was noticed already.

    Parameters
    ----------
    trails : sequence of Trail
        Followed to the end.
    photos : sequence of TrackedPhoto
        In date order.
    noticed : sequence of SeenEvent
        What linking showed; a question asked there is not asked again.
    said : collection of Sighting
        Of whom a person said who they are: about them nothing is asked there.
    settings : TrackSettings
    """
    index_of = {photo.taken_at: n for n, photo in enumerate(photos)}
    asked = [
        (index_of[one.at], set(one.individuals)) for one in noticed if one.kind == "rearranged"
    ]
    events = []
    for one in find_exchanges(trails, photos, settings):
        who = tuple(trails[row].name for row in one.ring)
        if any(abs(index - one.index) <= 1 and set(who) <= names for index, names in asked):
            continue
        near = {photo.sha256 for photo in photos[one.index : one.index + MOST_PHOTOS]}
        if any(
            sighting_of(seen) in said and seen.sha256 in near
            for row in one.ring
            for seen in trails[row].observations
        ):
            continue
        events.append(
            SeenEvent(
                at=photos[one.index].taken_at,
                after=photos[one.index - 1].taken_at,
                kind="rearranged",
                individuals=who,
                confidence=round(1 / (1 + exp((_HANDS - one.gain) / 2)), 2),
                evidence=_words(one, who),
            )
        )
    return events


def _words(one: Exchange, who: Sequence[str]) -> str:
    each = "each other" if len(who) == 2 else "one another"
    return (
        f"{' and '.join((', '.join(who[:-1]), who[-1]))} may have changed places with {each}: by "
        f"size, shape and colour on {counted(one.before, 'photo')} before and {one.after} since "
        "they fit better so, but that is not sure, and they go on under the names of their "
        "places: look"
    )


def find_exchanges(
    trails: Sequence[Trail], photos: Sequence[TrackedPhoto], settings: TrackSettings
) -> list[Exchange]:
    """Return the rings of trails that fit better when taken for one another, the surest first."""
    if len(trails) < _LEAST_INDIVIDUALS or len(photos) < 2:
        return []
    days = np.array([photo.day for photo in photos])
    looks = steady_looks(trails, [photo.sha256 for photo in photos])
    ways = _Ways(sigma=scatter(looks, settings), drift=growing(looks, days, settings))
    found: list[Exchange] = []
    # Each exchange found is undone before the next is looked for.
    while len(found) < len(trails):
        rings = [
            one for index in range(1, len(photos)) for one in _rings_at(index, looks, days, ways)
        ]
        best = max(rings, key=lambda one: (one.gain, -one.index), default=None)
        if best is None:
            break
        found.append(best)
        looks[list(best.ring), best.index :] = looks[
            [*best.ring[1:], best.ring[0]], best.index :
        ].copy()
    return found


def _rings_at(
    index: int,
    looks: NDArray[np.float64],
    days: NDArray[np.float64],
    ways: _Ways,
) -> list[Exchange]:
    """Return who may have changed places before the photo of this index."""
    seen = np.isfinite(looks[:, :, 0])
    rows = [n for n, one in enumerate(seen) if one[:index].any() and one[index:].any()]
    if len(rows) < 2:
        return []
    before = [np.flatnonzero(seen[row, :index])[-MOST_PHOTOS:] for row in rows]
    after = [index + np.flatnonzero(seen[row, index:])[:MOST_PHOTOS] for row in rows]
    cost = _costs(rows, before, after, looks, days, ways)
    here = np.minimum(np.diag(cost), _PLACE_CAP)
    cost = cost + _ELSEWHERE
    np.fill_diagonal(cost, here)
    to = linear_sum_assignment(cost)[1]
    found = []
    for ring in _cycles(to):
        gain = float(sum(here[n] - cost[n, to[n]] for n in ring))
        if gain >= _ASKED:
            found.append(
                Exchange(
                    index=index,
                    ring=tuple(rows[n] for n in ring),
                    gain=gain,
                    before=max(len(before[n]) for n in ring),
                    after=max(len(after[n]) for n in ring),
                )
            )
    return found


def _costs(
    rows: Sequence[int],
    before: Sequence[NDArray[np.intp]],
    after: Sequence[NDArray[np.intp]],
    looks: NDArray[np.float64],
    days: NDArray[np.float64],
    ways: _Ways,
) -> NDArray[np.float64]:
    """Return how unlike (n, n) each one before is to each one after, in squared deviations."""

    def means(
        windows: Sequence[NDArray[np.intp]],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        mean = np.array(
            [looks[row, one].mean(axis=0) for row, one in zip(rows, windows, strict=True)]
        )
        when = np.array([days[one].mean() for one in windows])
        return mean, 1 / np.array([len(one) for one in windows]), when

    old, old_share, old_day = means(before)
    new, new_share, new_day = means(after)
    gap = np.abs(new_day[None] - old_day[:, None])[..., None]
    variance = ways.sigma**2 * (old_share[:, None] + new_share[None])[..., None]
    variance = variance + (ways.drift * gap) ** 2
    return np.asarray(
        np.nansum((new[None] - old[:, None]) ** 2 / variance, axis=2), dtype=np.float64
    )


def _cycles(to: NDArray[np.intp]) -> list[list[int]]:
    """Return the rings of a permutation, fixed points left out."""
    left = {n for n in range(len(to)) if to[n] != n}
    rings = []
    while left:
        ring = [min(left)]
        while (following := int(to[ring[-1]])) != ring[0]:
            ring.append(following)
        left -= set(ring)
        rings.append(ring)
    return rings
