"""How often polyps are lost: counted from those that were.

A forecast that ignores losses promises too much: Rhodactis rhodostoma at Eilat cloned at 9 % a
month, which alone would double it in 8 months, but it took about a year (Chadwick-Furman NE,
Spiegel M 2000, Invertebrate Biology 119(4)).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from polypvision.healing import HealingSettings, WoundCourse, WoundPoint
from polypvision.healing.courses import closed_below
from polypvision.plan.laws import N_WORLDS
from polypvision.track import PlateTracks

_USUAL_LOSSES, _USUAL_DAYS = 0.5, 250.0
"""Before anything was seen: as if half a polyp had been lost in 250 polyp-days, 0.2 % a day, and
any rate from none to 1 % a day would not surprise (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class LossRecord:
    """Polyp-days lived and polyps lost, with a wound open and without.

    Attributes
    ----------
    raw_days, raw_losses : float
        A loss that is not sure counts as its confidence.
    whole_days, whole_losses : float
    """

    raw_days: float = 0.0
    raw_losses: float = 0.0
    whole_days: float = 0.0
    whole_losses: float = 0.0

    def __add__(self, other: "LossRecord") -> "LossRecord":
        return LossRecord(
            raw_days=self.raw_days + other.raw_days,
            raw_losses=self.raw_losses + other.raw_losses,
            whole_days=self.whole_days + other.whole_days,
            whole_losses=self.whole_losses + other.whole_losses,
        )


def raw_on(course: WoundCourse, point: WoundPoint) -> bool:
    """Return whether the wound of an individual was open on a photo."""
    limit = closed_below(point, HealingSettings())
    return course.status != "no wound" and bool(point.wound_mm2 > limit)


def losses_of(tracks: PlateTracks, courses: Sequence[WoundCourse]) -> LossRecord:
    """Return the losses on one plate and the time in which they happened."""
    confidence = {
        event.individuals[0]: event.confidence for event in tracks.events if event.kind == "lost"
    }
    days, lost = {True: 0.0, False: 0.0}, {True: 0.0, False: 0.0}
    for one, course in zip(tracks.individuals, courses, strict=True):
        raw = [raw_on(course, point) for point in course.points]
        seen = [point.day for point in course.points]
        for before, (start, end) in zip(raw, pairwise(seen), strict=False):
            days[before] += end - start
        if one.end == "lost":
            after = [photo.day for photo in tracks.photos if photo.day > seen[-1]]
            days[raw[-1]] += (after[0] - seen[-1]) / 2 if after else 0.0
            lost[raw[-1]] += confidence.get(one.name, 1.0)
    return LossRecord(
        raw_days=days[True],
        raw_losses=lost[True],
        whole_days=days[False],
        whole_losses=lost[False],
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class LossRates:
    """Losses a day, in each of many possible worlds; arrays (worlds,) of float64."""

    raw_per_day: NDArray[np.float64]
    whole_per_day: NDArray[np.float64]

    def alive(self, days: NDArray[np.float64], sealed: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the chance (worlds, days) of living until each of these days ahead.

        Parameters
        ----------
        days : ndarray (n,) of float64
            Increasing, from the day it was last seen on.
        sealed : ndarray (worlds or 1, n) of float64
            Chance that its wound is closed by each of them.
        """
        rate = self.raw_per_day[:, None] * (1 - sealed) + self.whole_per_day[:, None] * sealed
        steps = np.diff(days, prepend=0.0)
        # Trapezoids; before the first day its own rate counts.
        middle = 0.5 * (rate + np.concatenate([rate[:, :1], rate[:, :-1]], axis=1))
        return np.asarray(np.exp(-np.cumsum(middle * steps, axis=1)), dtype=np.float64)


NO_LOSSES = LossRates(raw_per_day=np.zeros(N_WORLDS), whole_per_day=np.zeros(N_WORLDS))
"""What a forecast that forgets losses reckons with; for comparison only."""


def learn_losses(records: Iterable[LossRecord], rng: np.random.Generator) -> LossRates:
    """Return the rates of loss that the records speak for, starting from what is usual.

    Notes
    -----
    Gamma law of a Poisson rate; both rates are learned from all plates of the room together.
    """
    total = sum(records, LossRecord())

    def rates(losses: float, days: float) -> NDArray[np.float64]:
        return rng.gamma(_USUAL_LOSSES + losses, 1 / (_USUAL_DAYS + days), N_WORLDS)

    return LossRates(
        raw_per_day=rates(total.raw_losses, total.raw_days),
        whole_per_day=rates(total.whole_losses, total.whole_days),
    )
