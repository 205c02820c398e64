"""When each wound of a plate will be closed."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.forecasts import (
    ClosureForecast,
    DayForecast,
    day_forecast,
    happened_between,
)
from polypvision.healing.courses import HealingSettings, WoundCourse, WoundPoint, closed_below
from polypvision.healing.models import ClosureFit, WoundSeries, fit_closures
from polypvision.track import days_between

Floats = NDArray[np.float64]

LEAST_AREAS = 4
"""With fewer dated areas no date is given."""
WISHED_AREAS = 5
"""With fewer the date is said to be rough: Cukjati 2001 (doi 10.1007/BF02344811) foretells closing
from five weekly areas on; from four its forecasts were off."""
_STUCK_PRIOR = 0.5
"""Probability that a wound which stands still now goes on doing so (own choice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ClosureCurve:
    """How one wound closes by the forms weighed together, from the cut or the first area on.

    Attributes
    ----------
    name : str
        Of the individual.
    days : ndarray (k,) of float64
        Days since the plate's first photo.
    mm2, low_mm2, high_mm2 : ndarray (k,) of float64
        Expected area and its 95 % limits; none of them ever rises.
    """

    name: str
    days: Floats
    mm2: Floats
    low_mm2: Floats
    high_mm2: Floats


def _since_baseline(course: WoundCourse) -> tuple[WoundPoint, ...]:
    """Return the points that closure is counted on, unknown areas left out."""
    first = next(one for one in course.points if one.sha256 == course.baseline_sha256)
    return tuple(
        one for one in course.points if one.day >= first.day and np.isfinite(one.wound_mm2)
    )


def _made_day(course: WoundCourse, first: WoundPoint) -> float:
    """Return the day on which the wound was made; of the first photo of it where unknown."""
    if course.cut_at is None:
        return first.day
    return first.day - max(days_between(course.cut_at, first.taken_at), 0.0)


def wound_series(course: WoundCourse, settings: HealingSettings) -> WoundSeries | None:
    """Return the dated areas that the closing of a wound is foretold from.

    Those of a closed wound too: it tells how fast the others of its plate may close. Of a wound
    that stands still only what has happened since: how fast it closed before says nothing of what
    it will do.

    Parameters
    ----------
    course : WoundCourse
    settings : HealingSettings

    Returns
    -------
    WoundSeries or None
        None where no wound was seen.
    """
    if course.status == "no wound":
        return None
    points = _since_baseline(course)
    start = _made_day(course, points[0])
    stuck = course.status in ("stalled", "worsening")
    if stuck:
        last = points[-1].day
        before = [one.day for one in points if last - one.day >= settings.stall_days]
        since = max(before, default=points[0].day)
        points = tuple(one for one in points if one.day >= since)
    area = np.array([one.wound_mm2 for one in points])
    err = np.nan_to_num(np.array([one.wound_mm2_err for one in points]), nan=0.0)
    seen = area > 0
    return WoundSeries(
        days=np.array([one.day for one in points]) - start,
        area_mm2=area,
        own_err_mm2=settings.own_part * err,
        common_err=settings.common_part * float(np.median(err[seen] / area[seen])),
        margin_mm=np.array([one.wound_margin_mm for one in points]),
        open_until=points[-1].day - start if course.wounded else None,
        still_prior=_STUCK_PRIOR if stuck else None,
    )


def _closed(course: WoundCourse, settings: HealingSettings) -> DayForecast:
    """Return between which days a wound closed that is closed now."""
    points = _since_baseline(course)
    last_open = max(
        n for n, one in enumerate(points) if one.wound_mm2 > closed_below(one, settings)
    )
    by = points[last_open + 1].day
    return happened_between(points[last_open].day, by, "the photos show it closed")


def _reason(course: WoundCourse, fit: ClosureFit, n: int) -> str:
    if course.status in ("stalled", "worsening"):
        return f"no date can be given while it is {course.status}: {course.reason}"
    if n < LEAST_AREAS:
        return f"no date can be given: {n} dated areas, {LEAST_AREAS} are needed"
    if fit.probability[-1] < 0.5:
        return "no date can be given: the areas speak for no advance"
    words = {
        "margin": "its margin advances evenly",
        "exponential": "its area falls by the same part every day",
        "still": "it may stand still",
    }
    text = f"the areas speak most for: {words[fit.model]}"
    if n < WISHED_AREAS:
        text += f"; rough, from {n} dated areas only"
    return text


def _forecast(
    course: WoundCourse, series: WoundSeries, fit: ClosureFit, settings: HealingSettings
) -> ClosureForecast:
    points = _since_baseline(course)
    n = len(points)
    start = _made_day(course, points[0])
    told = course.status == "open" and n >= LEAST_AREAS
    return ClosureForecast(
        name=course.name,
        least_mm2=settings.least_mm2,
        model=fit.model,
        weights=fit.weights,
        n_dates=len(series.days),
        when=day_forecast(
            points[-1].day,
            tuple(float(day) for day in fit.days + start),
            tuple(float(one) for one in fit.probability),
            told=told,
            reason=_reason(course, fit, n),
        ),
    )


def foretell_closures(
    courses: Sequence[WoundCourse], settings: HealingSettings | None = None
) -> tuple[tuple[ClosureForecast, ...], tuple[ClosureCurve, ...]]:
    """Foretell the closing of every wound of a plate, and return the curves it rests on.

    The wounds of a plate are weighed together: how fast the others close tells how fast this one
    may (`fit_closures`). Individuals without a wound are left out. Of a closed wound the two
    photos are given between which it closed.

    Parameters
    ----------
    courses : sequence of WoundCourse
        Of one plate.
    settings : HealingSettings, optional
        The same as for the courses.

    Returns
    -------
    tuple of ClosureForecast, tuple of ClosureCurve
        Both in the order of the courses.
    """
    settings = settings or HealingSettings()
    series = {
        one.name: wound for one in courses if (wound := wound_series(one, settings)) is not None
    }
    fits = dict(
        zip(
            series,
            fit_closures(
                tuple(series.values()),
                least_mm2=settings.least_mm2,
                settle_days=settings.settle_days,
            ),
            strict=True,
        )
    )
    found, curves = [], []
    for course in courses:
        if course.name not in fits:
            continue
        fit = fits[course.name]
        if course.wounded:
            found.append(_forecast(course, series[course.name], fit, settings))
        else:
            found.append(
                ClosureForecast(
                    name=course.name,
                    least_mm2=settings.least_mm2,
                    model=None,
                    n_dates=len(_since_baseline(course)),
                    when=_closed(course, settings),
                )
            )
        points = _since_baseline(course)
        curves.append(
            ClosureCurve(
                name=course.name,
                days=fit.curve_days + _made_day(course, points[0]),
                mm2=fit.curve_mm2,
                low_mm2=fit.curve_low_mm2,
                high_mm2=fit.curve_high_mm2,
            )
        )
    return tuple(found), tuple(curves)


def closure_forecasts(
    courses: Sequence[WoundCourse], settings: HealingSettings | None = None
) -> tuple[ClosureForecast, ...]:
    """Foretell the closing of every wound of a plate: the first part of `foretell_closures`."""
    return foretell_closures(courses, settings)[0]
