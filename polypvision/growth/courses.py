"""How fast every polyp grows, and its plate as a whole."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from polypvision.growth.lines import fit_line, fit_theil_sen
from polypvision.growth.shared import SharedGrowth, shared_growth, size_table
from polypvision.healing import WoundCourse
from polypvision.reading import PlateReading
from polypvision.track import Individual, PlateTracks
from polypvision.words import counted

LEAST_DATES = 3
"""Two dates always lie on a line: without a third nobody knows how well."""
_CONFIDENCE = 0.95
_ODD_SIGMAS = 5.0
"""A size does not fit from so many robust standard deviations off the line on."""
_NOTABLE = 0.03
"""A change of diameter below 3 % is not worth a word."""
_SURELY = 2.5
"""A polyp changed otherwise than its plate from so many standard deviations on."""


@dataclass(frozen=True, kw_only=True)
class GrowthRate:
    """Rate of a size against time.

    Attributes
    ----------
    per_day, per_day_err : float
        Specific growth rate: slope of the logarithm of the size, with one standard error.
    low_per_day, high_per_day : float
        95 % limits.
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
        Of the diameter; None where none can be given. Where the plate allows, the expansion that
        all polyps of a photo share is taken out.
    alone : GrowthRate or None
        The same from this polyp's own diameters only.
    sentence : str
        The rate, or why there is none.
    change : str
        Why it is smaller on its last photo than on the one before: by itself, or with the whole
        plate; empty where it is not, or where that cannot be told.
    """

    name: str
    days: NDArray[np.float64]
    diameter_mm: NDArray[np.float64]
    diameter_mm_err: NDArray[np.float64]
    area_mm2: NDArray[np.float64]
    area_mm2_err: NDArray[np.float64]
    wounded: bool
    rate: GrowthRate | None
    alone: GrowthRate | None = None
    sentence: str
    change: str = ""


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
class PhotoExpansion:
    """How far the discs of a plate were open on one photo, all together.

    Attributes
    ----------
    percent, percent_err : float
        Diameters against those of a photo as usual; NaN where too few polyps tell it.
    contracted : bool
        They were surely smaller than usual, and by more than a little.
    sentence : str
        Said of a contracted plate; else empty.
    """

    sha256: str
    taken_at: datetime
    day: float
    percent: float
    percent_err: float
    contracted: bool
    sentence: str


@dataclass(frozen=True, kw_only=True, eq=False)
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
    expansions : tuple of PhotoExpansion
        One per photo, in date order.
    shared : SharedGrowth or None
        The joint estimate behind them, its polyps in the order of the individuals; None where too
        few polyps were seen often enough.
    """

    individuals: tuple[GrowthCourse, ...]
    photos: tuple[PlateTotal, ...]
    rate: GrowthRate | None
    sentence: str
    expansions: tuple[PhotoExpansion, ...] = ()
    shared: SharedGrowth | None = None


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
        return f"no rate can be given: seen on {counted(n_dates, 'date')}, {LEAST_DATES} are needed"
    figure = f"{rate.percent_per_week:+.1f} ± {rate.percent_per_week_err:.1f} % a week"
    if not rate.told:
        text = f"no growth can be told from none: {figure} is not different from zero"
    else:
        text = f"{'grows' if rate.per_day > 0 else 'shrinks'} {figure}"
    if rate.odd is not None:
        robust = 100 * float(np.expm1(7 * rate.robust_per_day))
        text += f"; one photo does not fit, without it {robust:+.1f} %"
    return text


def _joint_rate(
    shared: SharedGrowth,
    polyp: int,
    alone: GrowthRate,
    days: NDArray[np.float64],
    usable: NDArray[np.bool_],
) -> GrowthRate:
    """Return a polyp's rate with the shared expansion taken out.

    ``usable`` says which of its sightings have a size.
    """
    mean, err, low, high = shared.rate(polyp, _CONFIDENCE)
    effects = shared.effects
    # In mm a week on the middle of its own dates, where it is best known.
    level = effects.level[polyp] - float(shared.weight @ shared.level)
    size = float(np.exp(level + mean * (days[usable].mean() - effects.middle_day)))
    return GrowthRate(
        per_day=mean,
        per_day_err=err,
        low_per_day=low,
        high_per_day=high,
        unit_per_week=7 * mean * size,
        unit_per_week_err=7 * err * size,
        robust_per_day=mean,
        odd=alone.odd if _is_odd(shared, polyp, alone.odd, usable) else None,
    )


def _is_odd(
    shared: SharedGrowth, polyp: int, sighting: int | None, usable: NDArray[np.bool_]
) -> bool:
    """Whether a size does not fit even with the plate's expansion taken out."""
    if sighting is None:
        return False
    effects = shared.effects
    own = effects.residual[effects.polyp == polyp][int(usable[:sighting].sum())]
    return abs(float(own)) > _ODD_SIGMAS * max(float(np.sqrt(effects.residual_var)), 1e-6)


def _change(
    days: NDArray[np.float64],
    diameter: NDArray[np.float64],
    photos: Sequence[int],
    shared: SharedGrowth,
) -> str:
    """Say whether a polyp that is smaller than the time before is so by itself."""
    if len(diameter) < 2 or not np.isfinite(diameter[-2:]).all() or min(diameter[-2:]) <= 0:
        return ""
    raw = float(np.log(diameter[-1] / diameter[-2]))
    places = [np.flatnonzero(shared.photos == photo) for photo in photos[-2:]]
    if raw > -_NOTABLE or any(len(place) == 0 for place in places):
        return ""
    plate = float(shared.expansion[0][places[1][0]] - shared.expansion[0][places[0][0]])
    spread = _SURELY * float(np.sqrt(2 * shared.effects.residual_var))
    percent, with_plate = (100 * float(np.expm1(one)) for one in (raw, plate))
    passed = counted(round(days[-1] - days[-2]), "day")
    if raw - plate < -max(spread, _NOTABLE):
        return f"{percent:+.0f} % in {passed}, the whole plate {with_plate:+z.0f} %: it shrank"
    if plate < -_NOTABLE:
        return f"{percent:+.0f} % in {passed}, as the whole plate: contracted, not shrunk"
    return ""


def _course(
    individual: Individual,
    wounded: bool,
    polyp: int,
    photos: Sequence[int],
    shared: SharedGrowth | None,
) -> GrowthCourse:
    polyps = [one.polyp for one in individual.observations]
    days = np.array([one.day for one in individual.observations])
    diameter = np.array([polyp.diameter_mm for polyp in polyps])
    diameter_err = np.array([polyp.diameter_mm_err for polyp in polyps])
    rate = alone = fit_rate(days, diameter, diameter_err)
    if shared is not None and alone is not None and np.isfinite(shared.effects.slope[polyp]):
        usable = np.isfinite(diameter) & (diameter > 0)
        rate = _joint_rate(shared, polyp, alone, days, usable)
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
        alone=alone,
        sentence=sentence,
        change="" if shared is None else _change(days, diameter, photos, shared),
    )


def _expansions(
    totals: Sequence[PlateTotal], shared: SharedGrowth | None
) -> tuple[PhotoExpansion, ...]:
    """Return how far the discs were open on every photo."""
    mean = np.full(len(totals), np.nan)
    err = np.full(len(totals), np.nan)
    if shared is not None:
        mean[shared.photos], err[shared.photos] = shared.expansion
    found = []
    for total, log_mean, log_err in zip(totals, mean, err, strict=True):
        percent, percent_err = 100 * float(np.expm1(log_mean)), 100 * float(log_err)
        # A NaN is never contracted.
        contracted = bool(log_mean < -_NOTABLE and log_mean + 2 * log_err < 0)
        found.append(
            PhotoExpansion(
                sha256=total.sha256,
                taken_at=total.taken_at,
                day=total.day,
                percent=percent,
                percent_err=percent_err,
                contracted=contracted,
                sentence=(
                    f"On {total.taken_at:%Y-%m-%d} the whole plate was contracted: discs "
                    f"{-percent:.0f} ± {percent_err:.0f} % smaller than usual."
                    if contracted
                    else ""
                ),
            )
        )
    return tuple(found)


def _shared(tracks: PlateTracks, places: dict[str, int]) -> SharedGrowth | None:
    """Estimate the plate's shared expansion; its polyps in the order of the individuals."""
    return shared_growth(
        size_table(
            [photo.day for photo in tracks.photos],
            [
                [(places[seen.sha256], seen.polyp.diameter_mm) for seen in one.observations]
                for one in tracks.individuals
            ],
        )
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
    places = {photo.sha256: n for n, photo in enumerate(tracks.photos)}
    shared = _shared(tracks, places)
    return PlateGrowth(
        individuals=tuple(
            _course(
                one,
                one.name in wounded,
                polyp,
                [places[seen.sha256] for seen in one.observations],
                shared,
            )
            for polyp, one in enumerate(tracks.individuals)
        ),
        photos=tuple(totals),
        rate=rate,
        sentence=_sentence(rate, len(np.unique(np.floor(days)))),
        expansions=_expansions(totals, shared),
        shared=shared,
    )
