"""Forms in which a wound closes, and how much its areas speak for each of them.

Three forms, each with a delayed start, because a fresh cut gapes before it closes:

- ``margin``: the living margin advances evenly, so the area falls as (1 - t / T) ** p; p is 1 for a
  slit, whose margin keeps its length, and 2 for a disc or a half disc (Saiko 2021,
  doi 10.5220/0010337601820187);
- ``exponential``: the area falls by the same part every day (Cardinal 2009, BMC Dermatology 9:2; as
  a delayed form Cukjati 2001, doi 10.1007/BF02344811). It never reaches zero, so "closed" needs a
  stated area;
- ``still``: no advance.

A few dated areas never fix the start, the speed and the shape. So every combination on a grid gets
its likelihood, and answers are weighed over all of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from polypvision.forecasts import ClosureModel

Floats = NDArray[np.float64]

_STILL_PRIOR = 0.03
"""Own choice, no source; four dated areas outweigh it."""
_SHAPES: tuple[tuple[ClosureModel, float], ...] = (
    ("margin", 1.0),
    ("margin", 1.5),
    ("margin", 2.0),
    ("margin", 3.0),
    ("exponential", np.inf),
)
"""Form and power. Where the margin's length falls as area ** q and each part of it advances evenly,
dA/dt = -v A ** q gives (1 - t / T) ** p with p = 1 / (1 - q); with q = 1 the exponential."""
_LEADING = 0.6
"""Share of a plate's wounds that close in the shape most usual on it; the others share the rest."""
_MARGIN_ERR = 0.12
"""Standard deviation of ln(margin length) from photo to photo (the wound of the sample plates that
does not close)."""
_MARGIN_TRUST = 0.5
"""Probability that the margin does advance at one speed, so that its length tells the shape; it
may slow down as well (own choice; with more, intervals are too short where it does)."""
_DELAY_DAYS = np.array([0.0, 1, 2, 3.5, 5, 7, 10, 14])
_DELAY_MEAN = 5.0
"""Days; within the week for which cut stony corals were seen to gape. No source for the form."""
_CLOSING_DAYS = np.geomspace(3.0, 400.0, 44)
_MEDIANS = np.geomspace(6.0, 150.0, 17)
_MEDIAN_MIDDLE, _MEDIAN_SPREAD = 30.0, 0.8
"""Of the closing times of one plate's wounds, the median: its own middle and the standard deviation
of its log. Published for cut corals: 12, 16, 42, 56, 81 and 192 days (Bonesso 2017, Kaufman,
Counsell 2019, Kramarsky-Winter and Loya 2000, Denis 2013); common practice: one to three weeks."""
_SPREADS, _SPREAD_PRIOR = np.array([0.2, 0.35, 0.6]), np.array([0.3, 0.4, 0.3])
"""Standard deviation of ln(closing time) among the wounds of one plate (own choice, no source)."""
_UNEVEN = np.array([0.02, 0.06, 0.14, 0.32])
_UNEVEN_PRIOR = np.array([0.30, 0.35, 0.25, 0.10])
"""How unevenly a wound itself follows its form, as a part of its area (own choice, no source)."""
_STILL_UNEVEN = _UNEVEN[:2]
_GAPE = 0.15
"""The same for the days in which it may gape."""
_EXPONENTIAL_LEFT = 0.05
"""The closing days of the exponential form are those after which this part is left."""


@dataclass(frozen=True, kw_only=True, eq=False)
class WoundSeries:
    """Dated areas of one wound.

    Attributes
    ----------
    days : ndarray (n,) of float64
        Days since the wound was made, or since the first photo of it; one at least.
    area_mm2, own_err_mm2 : ndarray (n,) of float64
        Areas, and the part of their standard uncertainty that each photo has for itself.
    common_err : float
        The part that is common to all photos of the plate, relative to the area.
    margin_mm : ndarray (n,) of float64 or None
        Length of the living margin; NaN where unknown.
    open_until : float or None
        A day on which it was not yet closed; earlier closings are ruled out.
    still_prior : float or None
        Probability, before the areas are looked at, that it does not advance at all.
    """

    days: Floats
    area_mm2: Floats
    own_err_mm2: Floats
    common_err: float = 0.0
    margin_mm: Floats | None = None
    open_until: float | None = None
    still_prior: float | None = None

    def __post_init__(self) -> None:
        values = np.r_[self.days, self.area_mm2, self.own_err_mm2]
        if len(self.days) == 0 or not np.isfinite(values).all():
            raise ValueError("a closure needs dated areas and their errors, all numbers")


@dataclass(frozen=True, kw_only=True, eq=False)
class ClosureFit:
    """What dated areas say of how a wound closes.

    Attributes
    ----------
    model : {'margin', 'exponential', 'still'}
        The form with the largest weight.
    weights : tuple of (model, float)
        Posterior weight of each form; they sum to 1.
    days, probability : ndarray (m,) of float64
        Probability that the area is below the least one by each day.
    curve_days, curve_mm2, curve_low_mm2, curve_high_mm2 : ndarray (k,) of float64
        Expected area against day and its 95 % limits; none of them ever rises.
    """

    model: ClosureModel
    weights: tuple[tuple[ClosureModel, float], ...]
    days: Floats
    probability: Floats
    curve_days: Floats
    curve_mm2: Floats
    curve_low_mm2: Floats
    curve_high_mm2: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class _Cells:
    """The grid, one cell per combination: arrays of (cells,).

    ``shape_index`` and ``closing_index`` are places in `_SHAPES` and `_CLOSING_DAYS`; their prior
    is not in ``log_prior``, because a plate's wounds share it.
    """

    form: NDArray[np.str_]
    shape_index: NDArray[np.intp]
    delay: Floats
    closing_index: NDArray[np.intp]
    power: Floats
    uneven: Floats
    log_prior: Floats

    @property
    def closing(self) -> Floats:
        return np.asarray(_CLOSING_DAYS[self.closing_index], np.float64)

    @property
    def place(self) -> NDArray[np.intp]:
        """Where a cell's shape and closing time stand in a plate's prior."""
        return self.shape_index * len(_CLOSING_DAYS) + self.closing_index

    @property
    def still(self) -> NDArray[np.bool_]:
        return np.asarray(self.form == "still")

    def shape(self, days: Floats) -> Floats:
        """Return the part of the wound left after so many days: (cells, days), never rising."""
        since = np.maximum(days[None, :] - self.delay[:, None], 0.0)
        share = np.clip(1 - since / self.closing[:, None], 0.0, 1.0)
        margin = share ** self.power[:, None]
        fall = _EXPONENTIAL_LEFT ** (since / self.closing[:, None])
        form = self.form[:, None]
        return np.where(form == "margin", margin, np.where(form == "exponential", fall, 1.0))

    def days_until(self, left: Floats) -> Floats:
        """Return the days until this part (cells,) is left; inf where it never is."""
        left = np.clip(left, 1e-9, 1.0)
        margin = self.delay + self.closing * (1 - left ** (1 / self.power))
        fall = self.delay + self.closing * np.log(left) / np.log(_EXPONENTIAL_LEFT)
        return np.where(
            self.form == "margin", margin, np.where(self.form == "exponential", fall, np.inf)
        )


@cache
def _grid() -> _Cells:
    """Return all combinations."""
    # Each delay stands for the days about it.
    delay_prior = np.exp(-_DELAY_DAYS / _DELAY_MEAN) * np.gradient(_DELAY_DAYS)
    delay_prior /= delay_prior.sum()
    sizes = (len(_SHAPES), len(_DELAY_DAYS), len(_CLOSING_DAYS), len(_UNEVEN))
    shape, delay, closing, uneven = (one.ravel() for one in np.indices(sizes))
    n_still = len(_STILL_UNEVEN)
    none = np.zeros(n_still, np.intp)
    moving = (1 - _STILL_PRIOR) * delay_prior[delay] * _UNEVEN_PRIOR[uneven]
    return _Cells(
        form=np.r_[np.array([one[0] for one in _SHAPES])[shape], ["still"] * n_still],
        shape_index=np.r_[shape, none],
        delay=np.r_[_DELAY_DAYS[delay], np.zeros(n_still)],
        closing_index=np.r_[closing, none],
        power=np.r_[np.array([one[1] for one in _SHAPES])[shape], np.full(n_still, np.inf)],
        uneven=np.r_[_UNEVEN[uneven], _STILL_UNEVEN],
        log_prior=np.log(np.r_[moving, np.full(n_still, _STILL_PRIOR / n_still)]),
    )


@cache
def _plate_priors() -> tuple[Floats, Floats]:
    """Return the prior of shape and closing time on every kind of plate, and each kind's log prior.

    A kind is a leading shape, and a median and a spread of the closing times. Shapes
    (kinds, shapes * closings) and (kinds,).
    """
    sizes = (len(_SHAPES), len(_MEDIANS), len(_SPREADS))
    leading, median, spread = (one.ravel() for one in np.indices(sizes))
    off = np.log(_CLOSING_DAYS / _MEDIANS[median, None]) / _SPREADS[spread, None]
    closing = np.exp(-0.5 * off**2)
    closing /= closing.sum(axis=1, keepdims=True)
    others = (1 - _LEADING) / (len(_SHAPES) - 1)
    shape = np.where(np.arange(len(_SHAPES)) == leading[:, None], _LEADING, others)
    middle = np.log(_MEDIANS[median] / _MEDIAN_MIDDLE) / _MEDIAN_SPREAD
    known = np.log(_SPREAD_PRIOR[spread]) - 0.5 * middle**2
    return (shape[:, :, None] * closing[:, None, :]).reshape(len(known), -1), known


@dataclass(frozen=True, kw_only=True, eq=False)
class _Look:
    """What one wound says of every cell: first area, its error, and log weight (cells,).

    ``by_margin`` is what its margin's length says of each of `_SHAPES`, as a factor.
    """

    first: Floats
    first_err: Floats
    log_weight: Floats
    by_margin: Floats


def _look(cells: _Cells, series: WoundSeries, settle_days: float) -> _Look:
    """Weigh the cells by one wound.

    The first area enters as a factor, so its best value is a weighted mean; in rounds, because the
    unevenness is a part of the area itself. It is integrated out with a prior flat in its log.
    """
    days, area = series.days, series.area_mm2
    own = np.maximum(series.own_err_mm2, 1e-3)
    shape = cells.shape(days)
    uneven = cells.uneven[:, None] ** 2 + np.where(days <= settle_days, _GAPE**2, 0.0)
    first = np.full(len(cells.delay), max(float(area.max()), 1e-6))
    # The unevenness as a part of the geometric mean of seen and expected, so that half and twice as
    # much as expected are equally far off.
    seen = np.maximum(area, own)
    for _ in range(3):
        variance = own**2 + uneven * first[:, None] * shape * seen
        information = np.maximum((shape**2 / variance).sum(axis=1), 1e-12)
        first = np.maximum((shape * area / variance).sum(axis=1) / information, 1e-6)
    off = area - first[:, None] * shape
    log_weight = (
        cells.log_prior
        - 0.5 * (off**2 / variance + np.log(own**2 + uneven * seen**2)).sum(axis=1)
        - 0.5 * np.log(information)
        - np.log(first)
    )
    if series.still_prior is not None:
        odds = series.still_prior / _STILL_PRIOR
        rest = (1 - series.still_prior) / (1 - _STILL_PRIOR)
        log_weight = log_weight + np.log(np.where(cells.still, odds, rest))
    return _Look(
        first=first,
        first_err=1 / np.sqrt(information),
        log_weight=log_weight,
        by_margin=_by_margin(series),
    )


def _by_margin(series: WoundSeries) -> Floats:
    """Return how much the margin's length speaks for each of `_SHAPES`, as a factor about 1.

    Relative to what all shapes together say, so that it neither favours nor disfavours a wound
    that stands still.
    """
    ones = np.ones(len(_SHAPES))
    if series.margin_mm is None:
        return ones
    with np.errstate(invalid="ignore"):
        known = (series.margin_mm > 0) & (series.area_mm2 > 2 * series.own_err_mm2)
    if known.sum() < 3:
        return ones
    area, margin = np.log(series.area_mm2[known]), np.log(series.margin_mm[known])
    relative = series.own_err_mm2[known] / series.area_mm2[known]
    log_fit = np.zeros(len(_SHAPES))
    for index, (_, power) in enumerate(_SHAPES):
        share = 1 - 1 / power
        part = 1 / (_MARGIN_ERR**2 + (share * relative) ** 2)
        off = margin - share * area
        off = off - (part * off).sum() / part.sum()
        log_fit[index] = 0.5 * (np.log(part) - part * off**2).sum() - 0.5 * np.log(part.sum())
    fit = np.exp(log_fit - log_fit.max())
    return np.asarray(np.maximum(fit / fit.mean(), 1e-12))


def _kind_evidence(cells: _Cells, look: _Look) -> Floats:
    """Return the log evidence (shapes + 1, kinds) of one wound for every kind of plate.

    In the last row the margin's length tells the shape. In the others it does not, because the
    margin slows down: then its length follows any of the shapes, the same on the whole plate.
    """
    top = look.log_weight.max()
    weight = np.exp(look.log_weight - top)
    moving = ~cells.still
    densities, _ = _plate_priors()
    by_place = np.bincount(cells.place[moving], weight[moving], minlength=densities.shape[1])
    told = by_place * np.repeat(look.by_margin, len(_CLOSING_DAYS))
    still = weight[cells.still].sum()
    untold = np.log(densities @ by_place + still) + np.log(look.by_margin)[:, None]
    return np.asarray(np.vstack([untold, np.log(densities @ told + still)]) + top)


def _place_prior(looks: Sequence[_Look], evidence: Floats, index: int) -> tuple[Floats, float]:
    """Return the prior of shape and closing time of one wound, as the others on its plate tell.

    ``evidence`` (wounds, shapes + 1, kinds). The wound's own margin is counted in; its own areas
    are not. The second value is what its margin leaves to a wound that stands still.
    """
    densities, known = _plate_priors()
    n = len(_SHAPES)
    trust = np.log(np.r_[np.full(n, (1 - _MARGIN_TRUST) / n), _MARGIN_TRUST])
    others = known + trust[:, None] + np.delete(evidence, index, axis=0).sum(axis=0)
    kinds = np.exp(others - others.max())
    kinds /= kinds.sum()
    own = looks[index].by_margin
    untold = own @ kinds[:-1]
    told = np.repeat(own, len(_CLOSING_DAYS)) * (kinds[-1] @ densities)
    return np.asarray(untold @ densities + told), float(untold.sum() + kinds[-1].sum())


def _steps(values: Floats, weights: Floats, n: int) -> tuple[Floats, Floats]:
    """Return a distribution as n days and the weight reached by each; values may be inf."""
    possible = np.isfinite(values) & (weights > 0)
    order = np.argsort(values[possible], kind="stable")
    values, weights = values[possible][order], weights[possible][order]
    if len(values) == 0:
        return np.zeros(1), np.zeros(1)
    reached = np.cumsum(weights)
    levels = reached[-1] * np.r_[0.0, np.linspace(0.002, 0.998, n - 2), 1.0]
    return np.interp(levels, reached - weights / 2, values), levels


def fit_closures(
    wounds: Sequence[WoundSeries], *, least_mm2: float, settle_days: float = 7.0
) -> tuple[ClosureFit, ...]:
    """Weigh the forms in which the wounds of one plate may close.

    The wounds of a plate lie in the same water under the same light, so how fast the others close
    tells how fast this one may: they share the middle and the spread of their closing times.

    Parameters
    ----------
    wounds : sequence of WoundSeries
        Of one plate; one alone will do.
    least_mm2 : float
        Closed is a wound below this area.
    settle_days : float
        So long a wound may gape.

    Returns
    -------
    tuple of ClosureFit
        One per wound.
    """
    cells = _grid()
    looks = [_look(cells, one, settle_days) for one in wounds]
    evidence = np.array([_kind_evidence(cells, look) for look in looks])
    fits = []
    for index, (series, look) in enumerate(zip(wounds, looks, strict=True)):
        by_place, still = _place_prior(looks, evidence, index)
        prior = np.log(np.maximum(by_place, 1e-300))
        log_weight = look.log_weight + np.where(cells.still, np.log(still), prior[cells.place])
        weight = np.exp(log_weight - log_weight.max())
        fits.append(_fit(cells, series, look, weight, least_mm2))
    return tuple(fits)


def _fit(
    cells: _Cells, series: WoundSeries, look: _Look, weight: Floats, least_mm2: float
) -> ClosureFit:
    # Three points stand for the spread of what is left at closing (Gauss-Hermite).
    relative = np.minimum(np.hypot(look.first_err / look.first, series.common_err), 1.0)
    nodes, parts = np.array([-np.sqrt(3), 0, np.sqrt(3)]), np.array([1 / 6, 2 / 3, 1 / 6])
    closes = np.concatenate(
        [cells.days_until(least_mm2 / look.first * np.exp(node * relative)) for node in nodes]
    )
    spread = np.concatenate([part * weight for part in parts])
    if series.open_until is not None:
        possible = np.where(closes > series.open_until, spread, 0.0)
        if possible.sum() > 0:
            spread = possible
    spread /= spread.sum()
    form = np.tile(cells.form, len(nodes))
    weights: list[tuple[ClosureModel, float]] = [
        (name, float(spread[form == name].sum())) for name in ("margin", "exponential", "still")
    ]
    table_days, probability = _steps(closes, spread, 120)
    cell_weight = spread.reshape(len(nodes), -1).sum(axis=0)
    return ClosureFit(
        model=max(weights, key=lambda one: one[1])[0],
        weights=tuple(weights),
        days=table_days,
        probability=probability,
        **_curve(cells, look.first, cell_weight, float(series.days.max())),
    )


def _curve(cells: _Cells, first: Floats, weight: Floats, last_day: float) -> dict[str, Floats]:
    """Return the expected area against day, and its limits, over the cells that matter."""
    days = np.linspace(0.0, max(2 * last_day, 14.0), 60)
    kept = np.argsort(-weight, kind="stable")[:400]
    part = weight[kept] / weight[kept].sum()
    areas = (first[:, None] * cells.shape(days))[kept]
    order = np.argsort(areas, axis=0)
    ranked = np.take_along_axis(areas, order, axis=0)
    reached = np.cumsum(part[order], axis=0)
    low, high = (
        np.array([ranked[np.searchsorted(reached[:, d], level), d] for d in range(len(days))])
        for level in (0.025, 0.975)
    )
    return {
        "curve_days": days,
        "curve_mm2": part @ areas,
        "curve_low_mm2": low,
        "curve_high_mm2": high,
    }
