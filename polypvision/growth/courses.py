"""How fast every polyp grows, and its plate as a whole."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from polypvision.growth.lines import fit_line, fit_theil_sen
from polypvision.healing import WoundCourse
from polypvision.reading import PlateReading
from polypvision.track import Individual, PlateTracks

LEAST_DATES = 3
"""Two dates always lie on a line: without a third nobody knows how well."""
_CONFIDENCE = 0.95
_ODD_SIGMAS = 5.0
"""A size does not fit from so many robust standard deviations off the line on."""


@dataclass(frozen=True, kw_only=True)
class GrowthRate:
    """Rate of a size against time.

    Attributes
    ----------
    per_day, per_day_err : float
        Specific growth rate: slope of the logarithm of the size, with one standard error.
    low_per_day, high_per_day : float
        95 % confidence limits (Student's t with n - 2 degrees of freedom).
    unit_per_week, unit_per_week_err : float
        Slope of the size itself, in its own unit (mm or mm2) a week.
    robust_per_day : float
        The specific rate by Theil-Sen, which one odd photo cannot turn.
    odd : int or None
        Index of the one size that does not fit the robust line; None if all do.
    """

    per_day: float
    per_day_err: float
    low_per_day: float
    high_per_day: float
    unit_per_week: float
    unit_per_week_err: float
    robust_per_day: float
    odd: int | None = None

    @property
    def told(self) -> bool:
        """Whether the rate differs from zero."""
        return self.low_per_day > 0 or self.high_per_day < 0

    @property
    def percent_per_week(self) -> float:
        """Growth in percent a week."""
        return 100.0 * float(np.expm1(7 * self.per_day))

    @property
    def percent_per_week_err(self) -> float:
        """One standard error of it."""
        return 700.0 * float(np.exp(7 * self.per_day)) * self.per_day_err


@dataclass(frozen=True, kw_only=True, eq=False)
class GrowthCourse:
    """Diameter and planform area of one individual against time.

    Attributes
    ----------
    name : str
    days, diameter_mm, diameter_mm_err, area_mm2, area_mm2_err : ndarray (n,) of float64
        One value per sighting; days since the plate's first photo.
    wounded : bool
        It had a wound, so part of the change is the cut closing and not growth.
    rate : GrowthRate or None
        Of the diameter; None where none can be given.
    sentence : str
        The rate, or why there is none.
    """

    name: str
    days: NDArray[np.float64]
    diameter_mm: NDArray[np.float64]
    diameter_mm_err: NDArray[np.float64]
    area_mm2: NDArray[np.float64]
    area_mm2_err: NDArray[np.float64]
    wounded: bool
    rate: GrowthRate | None
    sentence: str


@dataclass(frozen=True, kw_only=True)
class PlateTotal:
    """A plate on one photo, all polyps together.

    Attributes
    ----------
    n_two_mouths : int
        Polyps with more mouths than normal for the line.
    area_mm2, area_mm2_err : float
        Planform area of all; the part of the error that comes from the scale is common to all.
    median_diameter_mm : float
        NaN without a polyp.
    """

    sha256: str
    taken_at: datetime
    day: float
    n_polyps: int
    n_two_mouths: int
    area_mm2: float
    area_mm2_err: float
    median_diameter_mm: float


@dataclass(frozen=True, kw_only=True)
class PlateGrowth:
    """Growth of a plate's individuals and of the whole plate.

    Attributes
    ----------
    individuals : tuple of GrowthCourse
        In the order of their names.
    photos : tuple of PlateTotal
        In date order.
    rate : GrowthRate or None
        Of the planform area of the whole plate, births, losses and cuts included.
    sentence : str
    """

    individuals: tuple[GrowthCourse, ...]
    photos: tuple[PlateTotal, ...]
    rate: GrowthRate | None
    sentence: str


def fit_rate(
    days: NDArray[np.float64], size: NDArray[np.float64], size_err: NDArray[np.float64]
) -> GrowthRate | None:
    """Return the rate of a size; None with fewer than three dates.

    The standard error is the larger of two: from how the points scatter about the line, and from
    the stated errors of the points; a few points lie on a line by luck more often than their errors
    allow.

    Parameters
    ----------
    days, size, size_err : ndarray (n,) of float64
        Sizes above 0; an unknown error (NaN) counts as none.
    """
    usable = np.isfinite(size) & (size > 0)
    days, size, size_err = days[usable], size[usable], size_err[usable]
    if len(np.unique(np.floor(days))) < LEAST_DATES:
        return None
    spread = days - days.mean()
    sxx = float(np.sum(spread**2))

    def error(stated: NDArray[np.float64], scatter: float) -> float:
        weighted = np.sum((spread * np.nan_to_num(stated, nan=0.0)) ** 2)
        return max(scatter, float(np.sqrt(weighted)) / sxx)

    by_log = fit_line(days.tolist(), np.log(size).tolist())
    plain = fit_line(days.tolist(), size.tolist())
    per_day_err = error(size_err / size, by_log.slope_err)
    robust = fit_theil_sen(days.tolist(), np.log(size).tolist())
    off = np.abs(np.log(size) - robust.intercept - robust.slope * days)
    scale = np.hypot(1.4826 * np.median(off), np.nan_to_num(size_err / size, nan=0.0))
    far = np.flatnonzero(off > _ODD_SIGMAS * np.maximum(scale, 1e-6))
    half = float(stats.t.ppf(0.5 + _CONFIDENCE / 2, len(days) - 2)) * per_day_err
    return GrowthRate(
        per_day=by_log.slope,
        per_day_err=per_day_err,
        low_per_day=by_log.slope - half,
        high_per_day=by_log.slope + half,
        unit_per_week=7 * plain.slope,
        unit_per_week_err=7 * error(size_err, plain.slope_err),
        robust_per_day=robust.slope,
        odd=int(np.flatnonzero(usable)[far[0]]) if len(far) == 1 and len(days) >= 5 else None,
    )


def _sentence(rate: GrowthRate | None, n_dates: int) -> str:
    if rate is None:
        dates = "1 date" if n_dates == 1 else f"{n_dates} dates"
        return f"no rate can be given: seen on {dates}, {LEAST_DATES} are needed"
    figure = f"{rate.percent_per_week:+.1f} ± {rate.percent_per_week_err:.1f} % a week"
    if not rate.told:
        text = f"no growth can be told from none: {figure} is not different from zero"
    else:
        text = f"{'grows' if rate.per_day > 0 else 'shrinks'} {figure}"
    if rate.odd is not None:
        robust = 100 * float(np.expm1(7 * rate.robust_per_day))
        text += f"; one photo does not fit, without it {robust:+.1f} %"
    return text


def _course(individual: Individual, wounded: bool) -> GrowthCourse:
    polyps = [one.polyp for one in individual.observations]
    days = np.array([one.day for one in individual.observations])
    diameter = np.array([polyp.diameter_mm for polyp in polyps])
    diameter_err = np.array([polyp.diameter_mm_err for polyp in polyps])
    rate = fit_rate(days, diameter, diameter_err)
    sentence = _sentence(rate, len(np.unique(np.floor(days))))
    if wounded:
        sentence += "; it had a wound, so part of this is the wound closing"
    return GrowthCourse(
        name=individual.name,
        days=days,
        diameter_mm=diameter,
        diameter_mm_err=diameter_err,
        area_mm2=np.array([polyp.area_mm2 for polyp in polyps]),
        area_mm2_err=np.array([polyp.area_mm2_err for polyp in polyps]),
        wounded=wounded,
        rate=rate,
        sentence=sentence,
    )


def _area_err(reading: PlateReading) -> float:
    """Standard uncertainty of the total area: each polyp's own, and the scale's for all at once."""
    scale = reading.scale
    common = 2 * scale.mm_per_px_err / scale.mm_per_px
    total = sum(polyp.area_mm2 for polyp in reading.polyps)
    own = np.array([polyp.area_mm2_err for polyp in reading.polyps])
    return float(np.hypot(np.sqrt(np.nansum(own**2)), np.nan_to_num(common) * total))


def growth_of(tracks: PlateTracks, courses: Sequence[WoundCourse] = ()) -> PlateGrowth:
    """Return the growth of every individual and of the plate.

    Parameters
    ----------
    tracks : PlateTracks
    courses : sequence of WoundCourse
        The wounds of the same tracks; a piece that had one is included, and marked.

    Returns
    -------
    PlateGrowth
    """
    wounded = {one.name for one in courses if one.status != "no wound"}
    totals = []
    for photo in tracks.photos:
        polyps = photo.reading.polyps
        totals.append(
            PlateTotal(
                sha256=photo.sha256,
                taken_at=photo.taken_at,
                day=photo.day,
                n_polyps=len(polyps),
                n_two_mouths=sum("two-mouths" in polyp.flags for polyp in polyps),
                area_mm2=float(sum(polyp.area_mm2 for polyp in polyps)),
                area_mm2_err=_area_err(photo.reading),
                median_diameter_mm=(
                    float(np.median([polyp.diameter_mm for polyp in polyps]))
                    if polyps
                    else float("nan")
                ),
            )
        )
    days = np.array([one.day for one in totals])
    area = np.array([one.area_mm2 for one in totals])
    area_err = np.array([one.area_mm2_err for one in totals])
    rate = fit_rate(days, area, area_err)
    return PlateGrowth(
        individuals=tuple(_course(one, one.name in wounded) for one in tracks.individuals),
        photos=tuple(totals),
        rate=rate,
        sentence=_sentence(rate, len(np.unique(np.floor(days)))),
    )
