"""How far a cut piece has come, in plain stages, each between two photos."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import Literal

import numpy as np

from polypvision.healing.courses import HealingSettings, WoundCourse, closed_below
from polypvision.track import Individual, PlateTracks, days_between

Stage = Literal["raw", "sealed", "mouth formed", "round"]
STAGES: tuple[Stage, ...] = ("raw", "sealed", "mouth formed", "round")

MOUTH_SURE = 0.6
"""A mouth has formed where it is seen at least so surely: one that is hardly likelier than not is
often a fold, and a piece without a mouth is not to be fed (own estimate, as sure as a polyp must
be to count)."""
ROUND_AT = 1.15
"""A piece is round when its maximum Feret diameter is at most so many times the diameter of the
circle of its area. By geometry: a half and a quarter disc have sqrt(2) = 1.41, an ellipse whose
axes are as a to 1 has sqrt(a); whole discs are often up to a third longer than wide."""


@dataclass(frozen=True, kw_only=True)
class StageReached:
    """Between which two days a piece reached a stage: after the one, and by the other.

    Photos are taken on some dates only, so the day itself is never known. The interval is half
    open, (after_day, by_day], as Turnbull's estimate wants it.

    Attributes
    ----------
    stage : {'raw', 'sealed', 'mouth formed', 'round'}
    after_day : float
        Day of the last photo that does not show it, or of the cut; -inf if neither is known.
        Days count from the plate's first photo.
    by_day : float
        Day of the first photo that shows it; inf if none does yet.
    """

    stage: Stage
    after_day: float
    by_day: float = inf

    @property
    def reached(self) -> bool:
        """Whether a photo shows it."""
        return self.by_day < inf


@dataclass(frozen=True, kw_only=True)
class PieceProgress:
    """The stages of one cut piece.

    Attributes
    ----------
    name : str
        Of the individual.
    cut_day : float or None
        Day of the logged cut; None if none was logged.
    stages : tuple of StageReached
        One for each of `STAGES`, in their order.
    """

    name: str
    cut_day: float | None
    stages: tuple[StageReached, ...]

    @property
    def stage(self) -> Stage:
        """The last stage reached without a gap: a mouth seen in an open wound is still raw."""
        now: Stage = "raw"
        for one in self.stages:
            if not one.reached:
                break
            now = one.stage
        return now

    def of(self, stage: Stage) -> StageReached:
        """Return one stage."""
        return self.stages[STAGES.index(stage)]


def reached_between(
    days: Sequence[float], shown: Sequence[bool], before: float = -inf
) -> tuple[float, float]:
    """Return the days between which something came to stay.

    One photo that contradicts the others does not undo it: that change is taken which the fewest
    photos contradict, the latest of several.

    Parameters
    ----------
    days : sequence of float
        Of the photos, increasing.
    shown : sequence of bool
        Whether each photo shows it.
    before : float
        A day before the first photo on which it was surely not so; -inf if unknown.

    Returns
    -------
    after, by : float
        The half-open interval (after, by]; ``by`` is inf where it has not come to stay.

    Examples
    --------
    >>> reached_between([0, 7, 14, 21, 28], [False, True, True, False, True])
    (0, 7)
    >>> reached_between([0, 7, 14], [False, False, False])
    (14, inf)
    """
    against = [
        sum(shown[:change]) + sum(not one for one in shown[change:])
        for change in range(len(shown) + 1)
    ]
    change = max(n for n, count in enumerate(against) if count == min(against))
    if change == len(days):
        return (days[-1] if days else before), inf
    by = next(n for n in range(change, len(days)) if shown[n])
    return (days[by - 1] if by > 0 else before), days[by]


def piece_progress(
    individual: Individual, course: WoundCourse, settings: HealingSettings | None = None
) -> PieceProgress | None:
    """Return how far a cut piece has come; None for a polyp on which no wound was seen.

    Parameters
    ----------
    individual : Individual
    course : WoundCourse
        Its wound.
    settings : HealingSettings, optional
        The same as for the course.
    """
    settings = settings or HealingSettings()
    if course.baseline_sha256 is None:
        return None
    start = next(n for n, one in enumerate(course.points) if one.sha256 == course.baseline_sha256)
    points, seen = course.points[start:], individual.observations[start:]
    cut_day = None
    if course.cut_at is not None:
        cut_day = points[0].day - max(days_between(course.cut_at, points[0].taken_at), 0.0)
    before = cut_day if cut_day is not None else -inf
    if cut_day is None and start > 0:
        before = course.points[start - 1].day
    days = [one.day for one in points]
    known = [n for n, one in enumerate(points) if np.isfinite(one.wound_mm2)]
    sealed = [points[n].wound_mm2 <= closed_below(points[n], settings) for n in known]
    mouth = [any(mouth.score >= MOUTH_SURE for mouth in one.polyp.mouths) for one in seen]
    is_round = [one.polyp.feret_max_mm <= ROUND_AT * one.polyp.diameter_mm for one in seen]
    found = (
        (before, days[0]),
        reached_between([days[n] for n in known], sealed, before),
        reached_between(days, mouth, before),
        reached_between(days, is_round, before),
    )
    return PieceProgress(
        name=individual.name,
        cut_day=cut_day,
        stages=tuple(
            StageReached(stage=stage, after_day=after, by_day=by)
            for stage, (after, by) in zip(STAGES, found, strict=True)
        ),
    )


def plate_progress(
    tracks: PlateTracks, courses: Sequence[WoundCourse], settings: HealingSettings | None = None
) -> tuple[PieceProgress, ...]:
    """Return the progress of every cut piece of a plate, in the order of the names."""
    by_name = {one.name: one for one in courses}
    found = (
        piece_progress(one, by_name[one.name], settings)
        for one in tracks.individuals
        if one.name in by_name
    )
    return tuple(one for one in found if one is not None)
