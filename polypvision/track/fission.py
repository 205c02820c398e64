"""How far a polyp is in dividing, and when its halves are expected to come apart.

Two-mouth fission: a second mouth opens, the mouths move apart, the disc becomes oval, then an
hourglass, then two polyps. From two mouths to two polyps it takes about two months (Chen CLA et al.
1995, Zoological Studies 34(1):29-40, by way of a handbook).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from polypvision.reading import Points, Polyp
from polypvision.track.individuals import Individual, Observation, PlateTracks

Stage = Literal["mouths apart", "oval", "hourglass", "separated"]
STAGES: tuple[Stage, ...] = ("mouths apart", "oval", "hourglass", "separated")

OVAL_FROM = 1.12
"""Feret diameter over the disc's diameter."""
WAIST_BELOW = 0.9
"""Width at the waist over that of the narrower lobe."""
_TWO_MONTHS, _SPREAD = 60.9, 0.25
"""Median of the time from two mouths to two polyps, days, and the standard deviation of its
logarithm; the source says only "about two months", the spread is our own estimate."""
_INTERVAL = 0.95


@dataclass(frozen=True, kw_only=True)
class _Sign:
    """What is measured of the progress: its value at the start and at the end, each with its
    standard deviation, and that of one measurement."""

    start: float
    start_sd: float
    end: float
    end_sd: float
    noise: float


_GAP = _Sign(start=0.2, start_sd=0.05, end=0.63, end_sd=0.08, noise=0.04)
"""Distance of the mouths over the diameter. Two equal discs of half the area each that touch have
their middles 0.71 of the whole's diameter apart; mouths stand a little nearer than middles."""
_LENGTH = _Sign(start=1.06, start_sd=0.03, end=1.35, end_sd=0.07, noise=0.05)
"""Feret diameter over diameter. Those two discs are 1.41 long; the seam between them fills up."""


@dataclass(frozen=True, kw_only=True)
class StageReached:
    """A stage was reached after the one day and by the other: photos are taken on some days only.

    ``after_day`` is NaN if it was reached before the individual was first seen.
    """

    stage: Stage
    after_day: float
    by_day: float


@dataclass(frozen=True, kw_only=True)
class FissionCourse:
    """One individual that divides.

    Attributes
    ----------
    name : str
    stage : {'mouths apart', 'oval', 'hourglass', 'separated'}
    reached : tuple of StageReached
        In the order of the stages.
    expected_day, low_day, high_day : float
        Days since the plate's first photo on which its halves will have come apart: median and
        95 % interval. NaN where no date can be given, and when separated.
    expected_at, low_at, high_at : datetime or None
        The same as dates.
    sentence : str
    """

    name: str
    stage: Stage
    reached: tuple[StageReached, ...]
    expected_day: float
    low_day: float
    high_day: float
    expected_at: datetime | None
    low_at: datetime | None
    high_at: datetime | None
    sentence: str


def mouth_gap_mm(polyp: Polyp) -> float:
    """Return the greatest distance between two mouths, mm; NaN with fewer than two."""
    if polyp.n_mouths < 2:
        return math.nan
    places = np.array([[one.x_mm, one.y_mm] for one in polyp.mouths])
    return float(np.linalg.norm(places[:, None] - places[None], axis=2).max())


def waist(outline_mm: Points) -> float:
    """Return the width at the waist over the width of the narrower lobe; 1 for a convex outline.

    Parameters
    ----------
    outline_mm : ndarray (n, 2) of float64
        Closed outline.

    Notes
    -----
    Widths are measured across the outline's long axis, that of its second moments. The waist is
    the narrowest place between the widest places of the two halves.

    Examples
    --------
    >>> angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    >>> bool(waist(np.column_stack([2 * np.cos(angle), np.sin(angle)])) > 0.98)
    True
    """
    if len(outline_mm) < 8:
        return 1.0
    centred = outline_mm - outline_mm.mean(axis=0)
    _, vectors = np.linalg.eigh(np.cov(centred.T))
    x, y = centred @ vectors[:, 1], centred @ vectors[:, 0]
    places = np.linspace(x.min(), x.max(), 43)[1:-1]
    x_next, y_next = np.roll(x, -1), np.roll(y, -1)
    crosses = (x[None] <= places[:, None]) != (x_next[None] <= places[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = y + (places[:, None] - x) / (x_next - x) * (y_next - y)
    width = np.where(crosses, at, -np.inf).max(axis=1) - np.where(crosses, at, np.inf).min(axis=1)
    middle = len(places) // 2
    left, right = int(np.argmax(width[:middle])), middle + int(np.argmax(width[middle:]))
    lobe = min(width[left], width[right])
    return float(min(width[left : right + 1].min() / lobe, 1.0))


def _two_mouthed(polyp: Polyp, normal_mouths: int) -> bool:
    if normal_mouths > 1:
        return False
    return polyp.n_mouths > normal_mouths or polyp.two_mouths_probability >= 0.5


def stage_of(polyp: Polyp, normal_mouths: int = 1) -> Stage | None:
    """Return how far a polyp is by one photo; None if nothing shows that it divides.

    Of a line that has several mouths by nature only the outline counts, and an oval one is no
    sign: only an hourglass is.
    """
    two = _two_mouthed(polyp, normal_mouths)
    if waist(polyp.outline_mm) < WAIST_BELOW and (two or normal_mouths > 1):
        return "hourglass"
    if not two:
        return None
    return "oval" if polyp.feret_max_mm > OVAL_FROM * polyp.diameter_mm else "mouths apart"


def _onset(stages: Sequence[Stage | None]) -> int | None:
    """Return the index of the first photo of the run that shows the division up to the last; one
    photo between that does not show it is passed over."""
    onset, missed = None, 0
    for index in range(len(stages) - 1, -1, -1):
        if stages[index] is not None:
            onset, missed = index, 0
        else:
            missed += 1
            if missed > 1:
                break
    return onset


def fission_of(
    individual: Individual, tracks: PlateTracks, normal_mouths: int | None = None
) -> FissionCourse | None:
    """Return how far an individual is in dividing; None if nothing shows that it does.

    Parameters
    ----------
    individual : Individual
    tracks : PlateTracks
        Of its plate.
    normal_mouths : int, optional
        Mouths that are normal for the line; that of the tracks if left out.

    Notes
    -----
    The time from two mouths to two polyps has a log-normal prior about two months. Distance of the
    mouths and elongation of the outline grow in equal steps from their values at the start to
    those at the end, each with its spread; the day of the start lies somewhere between two photos;
    and the halves have not come apart yet. Posterior on a grid of start and duration. A line that
    has several mouths by nature gets no date: nobody saw when it began.
    """
    normal = tracks.normal_mouths if normal_mouths is None else normal_mouths
    seen = individual.observations
    stages = [stage_of(one.polyp, normal) for one in seen]
    onset = _onset(stages)
    separated = individual.end == "divided"
    if onset is None and not separated:
        return None
    reached = [] if onset is None else _reached(seen, stages, onset)
    if separated:
        by_day = min(
            (one.first.day for one in tracks.individuals if individual.name in one.parents),
            default=math.nan,
        )
        reached.append(
            StageReached(stage="separated", after_day=individual.last.day, by_day=by_day)
        )
    stage = reached[-1].stage
    low, expected, high = (math.nan,) * 3
    if not separated and onset is not None and normal == 1 and individual.end is None:
        low, expected, high = _forecast(seen, onset)

    def date(day: float) -> datetime | None:
        if math.isnan(day):
            return None
        return tracks.photos[0].taken_at + timedelta(days=day)

    return FissionCourse(
        name=individual.name,
        stage=stage,
        reached=tuple(reached),
        expected_day=expected,
        low_day=low,
        high_day=high,
        expected_at=date(expected),
        low_at=date(low),
        high_at=date(high),
        sentence=_sentence(stage, reached, date(low), date(expected), date(high), tracks),
    )


def fission_courses(tracks: PlateTracks) -> tuple[FissionCourse, ...]:
    """Return every individual of a plate that divides or has divided, in the order of names."""
    found = (fission_of(one, tracks) for one in tracks.individuals)
    return tuple(one for one in found if one is not None)


def _reached(
    seen: Sequence[Observation], stages: Sequence[Stage | None], onset: int
) -> list[StageReached]:
    """Return when each stage was first seen; a later stage implies the ones before it."""
    reached: list[StageReached] = []
    farthest = -1
    for index in range(onset, len(seen)):
        stage = stages[index]
        if stage is None or STAGES.index(stage) <= farthest:
            continue
        farthest = STAGES.index(stage)
        after = seen[index - 1].day if index else math.nan
        reached.append(StageReached(stage=stage, after_day=after, by_day=seen[index].day))
    return reached


def _marginal(
    values: NDArray[np.float64], part: NDArray[np.float64], sign: _Sign
) -> NDArray[np.float64]:
    """Return the log-likelihood (cells,) of measurements (n,) given the part done (cells, n), the
    values at the start and at the end taken out as Gaussian."""
    known = np.isfinite(values)
    if not known.any():
        return np.zeros(len(part))
    value, part = values[known], part[:, known]
    mean = sign.start + (sign.end - sign.start) * part
    cov = (
        sign.start_sd**2 * np.einsum("ci,cj->cij", 1 - part, 1 - part)
        + sign.end_sd**2 * np.einsum("ci,cj->cij", part, part)
        + sign.noise**2 * np.eye(len(value))
    )
    off = value - mean
    solved = np.linalg.solve(cov, off[..., None])[..., 0]
    log_likelihood: NDArray[np.float64] = -0.5 * (
        (off * solved).sum(axis=1) + np.linalg.slogdet(cov)[1]
    )
    return log_likelihood


def _forecast(seen: Sequence[Observation], onset: int) -> tuple[float, float, float]:
    """Return the (lower limit, median, upper limit) of the day on which the halves come apart."""
    first, last = seen[onset].day, seen[-1].day
    # Already two-mouthed when first seen: it may have begun up to two months before.
    before = seen[onset - 1].day if onset else first - _TWO_MONTHS
    starts = np.linspace(before, first, 33)
    durations = _TWO_MONTHS * np.exp(_SPREAD * np.linspace(-3.2, 3.2, 129))
    start, duration = (grid.ravel() for grid in np.meshgrid(starts, durations, indexing="ij"))
    log_p = -0.5 * (np.log(duration / _TWO_MONTHS) / _SPREAD) ** 2
    days = np.array([one.day for one in seen[onset:]])
    part = np.clip((days[None] - start[:, None]) / duration[:, None], 0.0, 1.0)
    sizes = np.array([one.polyp.diameter_mm for one in seen[onset:]])
    gaps = np.array([mouth_gap_mm(one.polyp) for one in seen[onset:]]) / sizes
    lengths = np.array([one.polyp.feret_max_mm for one in seen[onset:]]) / sizes
    log_p += _marginal(gaps, part, _GAP) + _marginal(lengths, part, _LENGTH)
    end = start + duration
    log_p = np.where(end > last, log_p, -np.inf)
    if not np.isfinite(log_p).any():
        # Longer two-mouthed than any was ever known to be.
        return math.nan, math.nan, math.nan
    weight = np.exp(log_p - log_p.max())
    order = np.argsort(end, kind="stable")
    share = np.cumsum(weight[order]) / weight.sum()
    tail = (1 - _INTERVAL) / 2
    low, middle, high = np.interp([tail, 0.5, 1 - tail], share, end[order])
    return float(low), float(middle), float(high)


def _sentence(
    stage: Stage,
    reached: Sequence[StageReached],
    low: datetime | None,
    expected: datetime | None,
    high: datetime | None,
    tracks: PlateTracks,
) -> str:
    def day(when: datetime) -> str:
        return f"{when.day} {when:%b %Y}"

    start = tracks.photos[0].taken_at
    by = day(start + timedelta(days=reached[-1].by_day))
    if stage == "separated":
        return f"Came apart by {by}."
    words = {
        "mouths apart": "Two mouths in a round disc",
        "oval": "Two mouths in an oval disc",
        "hourglass": "An hourglass",
    }[stage]
    words = f"{words}, first seen on {by}"
    if reached[0].by_day == tracks.photos[-1].day and len(tracks.photos) > 1:
        words += " and on that photo only so far"
    if low is None or expected is None or high is None:
        return f"{words}; when it will come apart cannot be said."
    return (
        f"{words}; expected to come apart about {day(expected)}, between {day(low)} and "
        f"{day(high)}."
    )
