"""When each polyp of a plate reaches a size."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from polypvision.forecasts import DayForecast, SizeForecast, day_forecast, no_forecast
from polypvision.growth.courses import LEAST_DATES, GrowthCourse, PlateGrowth
from polypvision.growth.forms import FormFit, choose_form
from polypvision.growth.lines import LineFit, fit_line
from polypvision.words import counted

Floats = NDArray[np.float64]

_HORIZON_DAYS = 1460.0
"""Four years ahead is as good as never."""
_TAIL = 0.025


def _days_ahead(last_day: float) -> Floats:
    """Return the days of the table: daily at first, then wider."""
    near = np.arange(0.0, 120.0, 2.0)
    return np.asarray(last_day + np.r_[near, np.geomspace(120.0, _HORIZON_DAYS, 60)])


def _by_a_line(fit: LineFit, log_size: float, days: Floats, *, linear: bool) -> Floats:
    """Return the probability that a polyp alone has reached a size by each day.

    Its limits at 2.5 and 97.5 % are Fieller's, because both ask where the line's own confidence
    limits cross the size.
    """
    ahead = days - fit.mean_x
    level, level_var = fit.at(fit.mean_x), fit.residual_sd**2 / fit.n
    if linear:
        grown = np.maximum(1 + fit.slope * ahead, 1e-6)
        expected, turn = level + np.log(grown), ahead / grown
    else:
        expected, turn = level + fit.slope * ahead, ahead
    error = np.sqrt(np.maximum(level_var + (turn * fit.slope_err) ** 2, 1e-18))
    return np.asarray(special.stdtr(fit.n - 2, (expected - log_size) / error))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Outlook:
    """What a polyp's own series and its plate's say of one size.

    ``grows`` is the probability that it grows at all; ``form`` is fitted to its diameters with the
    plate's expansion taken out.
    """

    chance: Floats
    grows: float
    form: FormFit | None
    shared: bool

    def stays_below(self, size: float) -> bool:
        """Whether it grows towards a largest size that is surely below the one asked for."""
        if self.form is None or self.form.largest is None:
            return False
        return self.form.largest + 2 * float(self.form.errors[0]) < size


def _outlook(
    course: GrowthCourse, polyp: int, growth: PlateGrowth, size: float, days: Floats
) -> _Outlook:
    usable = np.isfinite(course.diameter_mm) & (course.diameter_mm > 0)
    seen, diameter = course.days[usable], course.diameter_mm[usable]
    log_size, shared = float(np.log(size)), growth.shared
    if shared is not None and np.isfinite(shared.effects.slope[polyp]):
        both = [shared.reached(polyp, log_size, days, linear=form) for form in (False, True)]
        grows = 1 - float(shared.rate_cdf(polyp, np.zeros(1))[0])
        # By day: the photos of one day are all but the same photo.
        by_day = {one.day: one.percent for one in growth.expansions if np.isfinite(one.percent)}
        open_by = np.array([1 + by_day.get(float(day), 0.0) / 100 for day in seen])
        form = choose_form(seen, diameter / open_by)
        return _Outlook(chance=np.mean(both, axis=0), grows=grows, form=form, shared=True)
    fit = fit_line(seen.tolist(), np.log(diameter).tolist())
    both = [_by_a_line(fit, log_size, days, linear=form) for form in (False, True)]
    if fit.slope_err > 0:
        grows = float(special.stdtr(fit.n - 2, fit.slope / fit.slope_err))
    else:
        grows = float(fit.slope > 0)
    # The two forms can hardly be told apart within a series; they part where it ends.
    return _Outlook(
        chance=np.mean(both, axis=0), grows=grows, form=choose_form(seen, diameter), shared=False
    )


def _when(outlook: _Outlook, last_day: float, days: Floats, size: float) -> DayForecast:
    chance = np.maximum.accumulate(outlook.chance)
    told = outlook.grows >= 1 - _TAIL
    if chance[0] >= 1 - _TAIL:
        told, reason = True, "it is as large already"
    elif outlook.stays_below(size):
        form = outlook.form
        assert form is not None
        chance = np.full(len(days), chance[0])
        told, reason = False, f"no date can be given: it grows towards {form.largest:.0f} mm only"
    elif not told:
        reason = "no date can be given: its growth is not different from zero"
    else:
        reason = "from its growth so far, evenly in mm or by the same part: both are allowed for"
    return day_forecast(
        last_day,
        tuple(float(day) for day in days),
        tuple(float(one) for one in chance),
        told=told,
        reason=reason,
    )


def _of(course: GrowthCourse, polyp: int, growth: PlateGrowth, size: float) -> SizeForecast:
    usable = np.isfinite(course.diameter_mm) & (course.diameter_mm > 0)
    n = len(np.unique(np.floor(course.days[usable])))
    last = float(course.days[-1])
    if n < LEAST_DATES:
        reason = f"no date can be given: seen on {counted(n, 'date')}, {LEAST_DATES} are needed"
        return SizeForecast(
            name=course.name, size_mm=size, model=None, n_dates=n, when=no_forecast(last, reason)
        )
    days = _days_ahead(last)
    outlook = _outlook(course, polyp, growth, size, days)
    return SizeForecast(
        name=course.name,
        size_mm=size,
        model=None if outlook.form is None else outlook.form.form,
        shared=outlook.shared,
        n_dates=n,
        when=_when(outlook, last, days, size),
    )


def size_forecasts(
    growth: PlateGrowth, size_mm: float, names: Sequence[str] | None = None
) -> tuple[SizeForecast, ...]:
    """Foretell when polyps reach a diameter, as they are when expanded as usual.

    Parameters
    ----------
    growth : PlateGrowth
    size_mm : float
        Diameter asked for, above 0.
    names : sequence of str, optional
        Only these individuals.

    Returns
    -------
    tuple of SizeForecast
        In the order of the names of the plate.

    Raises
    ------
    ValueError
        If the size is not above 0.
    """
    if not size_mm > 0:
        raise ValueError(f"a size must be above 0 mm, got {size_mm}")
    return tuple(
        _of(course, index, growth, size_mm)
        for index, course in enumerate(growth.individuals)
        if names is None or course.name in names
    )
