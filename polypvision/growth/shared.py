"""Growth of a plate's polyps and what they do together on one photo, estimated jointly.

Discs open and close with light, flow and disturbance, all of a plate at once, so one photo's
diameters may all be small. With y the log of a diameter::

    y[i, j] = a[i] + b[i] t[j] + u[j] + e[i, j]

for polyp i on photo j: its own line, the expansion u that all share, and what is left.

In two steps. First everything that the data fix: u by weighted least squares with every polyp's own
line taken out, robust against single odd sizes. A level and a trend common to all u cannot be told
from the polyps' own; in the second step they are weighed by what expansion is like: most photos
show discs about as open as usual, some show them contracted, hardly any blown up. A photo that is
far below the others then no longer turns every line, as it does where each polyp is fitted alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import special

from polypvision.growth.nodes import GrowthLine, GrowthNodes

Floats = NDArray[np.float64]

LEAST_POLYPS = 3
"""What is common to fewer cannot be told from what each does."""
_LEAST_DATES = 3
_HUBER = 2.0
"""A size further from its line than so many standard deviations counts less (Huber 1964)."""
_ROUNDS = 12
_USUAL_SD = np.array([0.005, 0.01, 0.02, 0.04, 0.08])
_USUAL_PRIOR = np.array([0.18, 0.22, 0.22, 0.22, 0.16])
"""How far the discs of an ordinary photo are from their usual size, as ln (own choice)."""
_CONTRACTED_SHARE = np.array([0.05, 0.2, 0.4])
_CONTRACTED_MEAN = np.array([0.06, 0.15])
"""Share of photos with contracted discs, and by how much on average, as ln (own choice; that discs
contract together and by that much is common practice, no source)."""
_RATE_MIDDLE, _RATE_SPREAD = 0.002, 0.006
"""Growth a day of a plate's diameters before they are looked at: from -1 to +1.4 % covers 19 of 20
(own choice; the fastest published doubling of numbers is two months, 1.1 % a day)."""
_GRID = 31
_NODES = 120


@dataclass(frozen=True, kw_only=True, eq=False)
class SizeTable:
    """Sizes of a plate's polyps, one row per sighting.

    Attributes
    ----------
    polyp, photo : ndarray (n,) of int
        Which, counted from 0.
    log_size : ndarray (n,) of float64
        Natural logarithm of the diameter.
    days : ndarray (photos,) of float64
        Of each photo.
    n_polyps : int
    """

    polyp: NDArray[np.intp]
    photo: NDArray[np.intp]
    log_size: Floats
    days: Floats
    n_polyps: int


@dataclass(frozen=True, kw_only=True, eq=False)
class CommonEffects:
    """What the sizes alone fix: photo effects but for a level and a trend, and lines beside them.

    Attributes
    ----------
    middle_day : float
        Days count from here.
    effect : ndarray (photos,) of float64
        Shared part of ln(size), without level and trend.
    effect_cov : ndarray (photos, photos)
        For a residual variance of 1.
    level, slope : ndarray (polyps,) of float64
        Line of each polyp beside the effects; NaN where a polyp has too few dates.
    line_cov : ndarray (polyps, 2, 2)
        Of level and slope, for a residual variance of 1.
    polyp : ndarray (n,) of int
        As in the table.
    residual : ndarray (n,) of float64
        In the order of the table.
    residual_var : float
    freedom : int
        Degrees of freedom of it.
    """

    middle_day: float
    effect: Floats
    effect_cov: Floats
    level: Floats
    slope: Floats
    line_cov: Floats
    polyp: NDArray[np.intp]
    residual: Floats
    residual_var: float
    freedom: int


def common_effects(table: SizeTable, *, robust: bool = True) -> CommonEffects | None:
    """Split sizes into each polyp's line and what all share on a photo.

    Parameters
    ----------
    table : SizeTable
    robust : bool
        Give single odd sizes less weight.

    Returns
    -------
    CommonEffects or None
        None with too few polyps that have three dates.

    Notes
    -----
    With ``robust=False`` and every polyp on every photo this is the classical two-way analysis of
    variance with a line per row; `photo_variance` is then the restricted maximum likelihood
    estimate of the variance of u.
    """
    used = _enough_dates(table)
    n_used = len(np.unique(table.polyp[used]))
    if n_used < LEAST_POLYPS:
        return None
    middle = float(np.mean(table.days))
    time = table.days - middle
    weight = np.where(used, 1.0, 0.0)
    for _ in range(_ROUNDS if robust else 1):
        effect, effect_cov = _photo_effects(table, time, weight)
        level, slope, line_cov = _lines(table, time, weight, effect, effect_cov)
        fitted = level[table.polyp] + slope[table.polyp] * time[table.photo] + effect[table.photo]
        residual = table.log_size - fitted
        scale = 1.4826 * float(np.median(np.abs(residual[used])))
        # Polyps with three dates leave little residual, which makes the median too small.
        n_effects = len(np.unique(table.photo[used])) - 2
        freedom = int(used.sum()) - 2 * n_used - n_effects
        if freedom < 1:
            return None
        scale = max(scale * float(np.sqrt(used.sum() / freedom)), 1e-9)
        if robust:
            far = np.maximum(np.abs(np.where(used, residual, 0.0)) / scale, 1e-9)
            weight = np.where(used, np.minimum(_HUBER / far, 1.0), 0.0)
    variance = float((weight * np.where(used, residual, 0.0) ** 2).sum() / freedom)
    return CommonEffects(
        middle_day=middle,
        effect=effect,
        effect_cov=effect_cov,
        level=level,
        slope=slope,
        line_cov=line_cov,
        polyp=table.polyp,
        residual=residual,
        residual_var=variance,
        freedom=freedom,
    )


def _enough_dates(table: SizeTable) -> NDArray[np.bool_]:
    """Return which rows belong to a polyp seen on three dates or more."""
    enough = np.zeros(table.n_polyps, np.bool_)
    for polyp in range(table.n_polyps):
        days = np.floor(table.days[table.photo[table.polyp == polyp]])
        enough[polyp] = len(np.unique(days)) >= _LEAST_DATES
    return np.asarray(enough[table.polyp] & np.isfinite(table.log_size))


def _photo_effects(table: SizeTable, time: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Return the effects (photos,) and their covariance, every polyp's own line taken out."""
    n_photos = len(time)
    normal, right = np.zeros((n_photos, n_photos)), np.zeros(n_photos)
    for polyp in range(table.n_polyps):
        rows = np.flatnonzero((table.polyp == polyp) & (weight > 0))
        if len(rows) == 0:
            continue
        photo, w = table.photo[rows], weight[rows]
        x = np.column_stack([np.ones(len(rows)), time[photo]])
        weighted = x * w[:, None]
        left = np.diag(w) - weighted @ np.linalg.pinv(x.T @ weighted) @ weighted.T
        np.add.at(normal, (photo[:, None], photo[None, :]), left)
        np.add.at(right, photo, left @ np.nan_to_num(table.log_size[rows]))
    inverse = np.linalg.pinv(normal, rcond=1e-9, hermitian=True)
    effect = inverse @ right
    # No level and no trend over the photos; the polyps' lines carry them.
    x = np.column_stack([np.ones(n_photos), time])
    clear = np.eye(n_photos) - x @ np.linalg.pinv(x)
    return clear @ effect, clear @ inverse @ clear.T


def _lines(
    table: SizeTable, time: Floats, weight: Floats, effect: Floats, effect_cov: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return level, slope (polyps,) and their covariance (polyps, 2, 2) beside the effects."""
    n = table.n_polyps
    level, slope, cov = np.full(n, np.nan), np.full(n, np.nan), np.full((n, 2, 2), np.nan)
    for polyp in range(n):
        rows = np.flatnonzero((table.polyp == polyp) & (weight > 0))
        if len(rows) == 0:
            continue
        photo, w = table.photo[rows], weight[rows]
        x = np.column_stack([np.ones(len(rows)), time[photo]])
        inverse = np.linalg.inv((x * w[:, None]).T @ x)
        take = inverse @ (x * w[:, None]).T
        level[polyp], slope[polyp] = take @ (table.log_size[rows] - effect[photo])
        cov[polyp] = inverse + take @ effect_cov[np.ix_(photo, photo)] @ take.T
    return level, slope, cov


def photo_variance(effects: CommonEffects, n_polyps: int) -> float:
    """Return the variance of a normal photo effect, every polyp being on every photo.

    Mean square of the effects over photos less the residual's share of it, not below 0: the
    restricted maximum likelihood estimate of balanced data.

    Parameters
    ----------
    effects : CommonEffects
        Of a balanced table, not robust.
    n_polyps : int
    """
    between = float((effects.effect**2).sum()) / (len(effects.effect) - 2)
    return max(between - effects.residual_var / n_polyps, 0.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class SharedGrowth:
    """Lines of a plate's polyps and the expansion of each photo.

    Attributes
    ----------
    effects : CommonEffects
    level, trend, weight : ndarray (k,) of float64
        Level and trend to be added to the effects, and how probable; the weights sum to 1.
    time : ndarray (photos used,) of float64
        Days of the photos with an effect, from the middle day on.
    photos : ndarray (photos used,) of int
        Which photos those are; the others show no polyp that was seen often enough.
    """

    effects: CommonEffects
    level: Floats
    trend: Floats
    weight: Floats
    time: Floats
    photos: NDArray[np.intp]

    @cached_property
    def expansion(self) -> tuple[Floats, Floats]:
        """Expansion of each photo used as ln against the usual one, and its standard error."""
        each = (
            self.effects.effect[None, :]
            + self.level[:, None]
            + self.trend[:, None] * self.time[None, :]
        )
        mean = self.weight @ each
        var = self.weight @ (each - mean) ** 2
        own = self.effects.residual_var * np.diag(self.effects.effect_cov)
        return mean, np.sqrt(var + own)

    def rate_cdf(self, polyp: int, rates: Floats) -> Floats:
        """Return the probability that a polyp's growth a day is at most each of the rates."""
        error = np.sqrt(self.effects.residual_var * self.effects.line_cov[polyp, 1, 1])
        centre = self.effects.slope[polyp] - self.trend
        each = (rates[:, None] - centre[None, :]) / max(error, 1e-12)
        return np.asarray(special.stdtr(self.effects.freedom, each) @ self.weight)

    def rate(self, polyp: int, confidence: float = 0.95) -> tuple[float, float, float, float]:
        """Return a polyp's growth a day: mean, standard deviation, and limits.

        Raises
        ------
        ValueError
            If the polyp has too few dates.
        """
        if not np.isfinite(self.effects.slope[polyp]):
            raise ValueError("a polyp seen on fewer than three dates has no growth rate")
        error = np.sqrt(self.effects.residual_var * self.effects.line_cov[polyp, 1, 1])
        centre = self.effects.slope[polyp] - self.trend
        mean = float(self.weight @ centre)
        spread = float(np.sqrt(self.weight @ (centre - mean) ** 2 + error**2))
        # Student's t of one degree of freedom has its limits at 12.7 errors.
        reach = 5 * spread + (14 * error if self.effects.freedom < 5 else 0.0) + 1e-9
        rates = np.linspace(mean - reach, mean + reach, 301)
        cdf = self.rate_cdf(polyp, rates)
        tail = (1 - confidence) / 2
        low, high = np.interp([tail, 1 - tail], np.maximum.accumulate(cdf), rates)
        return mean, spread, float(low), float(high)

    def reached(self, polyp: int, log_size: float, days: Floats, *, linear: bool) -> Floats:
        """Return the probability that a polyp's expanded size is at least this on each day.

        Parameters
        ----------
        polyp : int
        log_size : float
            ln of the diameter asked for.
        days : ndarray (m,) of float64
        linear : bool
            The diameter itself grows evenly from now on, not its logarithm.
        """
        by_node = self.nodes.reached(self.line(polyp), log_size, days, linear=linear)
        return np.asarray(by_node @ self.weight)

    @property
    def nodes(self) -> GrowthNodes:
        """What all polyps may share."""
        return GrowthNodes(
            middle_day=self.effects.middle_day,
            freedom=self.effects.freedom,
            level=self.level,
            trend=self.trend,
            weight=self.weight,
        )

    def line(self, polyp: int) -> GrowthLine:
        """Return a polyp's own line."""
        cov = self.effects.residual_var * self.effects.line_cov[polyp]
        return GrowthLine(
            level=float(self.effects.level[polyp]),
            slope=float(self.effects.slope[polyp]),
            level_var=float(cov[0, 0]),
            level_slope_cov=float(cov[0, 1]),
            slope_var=float(cov[1, 1]),
        )


def _log_expansion(off: Floats, own_var: Floats) -> Floats:
    """Return the log density (...) of photo effects (..., photos) under every kind of plate, mixed.

    An ordinary photo is normal about 0; a contracted one has an exponential amount less. What the
    effects themselves are uncertain by widens both.
    """
    total = None
    for usual, known in zip(_USUAL_SD, _USUAL_PRIOR, strict=True):
        sd = np.sqrt(usual**2 + own_var)
        plain = -0.5 * (off / sd) ** 2 - np.log(sd) - 0.5 * np.log(2 * np.pi)
        for mean in _CONTRACTED_MEAN:
            less = (
                off / mean
                + 0.5 * (sd / mean) ** 2
                + special.log_ndtr(-(off / sd + sd / mean))
                - np.log(mean)
            )
            for share in _CONTRACTED_SHARE:
                both = np.logaddexp(np.log1p(-share) + plain, np.log(share) + less)
                one = both.sum(axis=-1) + np.log(known)
                total = one if total is None else np.logaddexp(total, one)
    assert total is not None
    return np.asarray(total)


def _weigh_level_and_trend(effects: CommonEffects, time: Floats) -> tuple[Floats, Floats, Floats]:
    """Return nodes of level and trend with their weights."""
    own_var = effects.residual_var * np.diag(effects.effect_cov)
    mean_slope = float(np.nanmedian(effects.slope))
    reach = float(np.ptp(effects.effect)) + 0.05
    span = max(float(np.ptp(time)), 1.0)
    box = np.array([[-reach, reach], [-4 * reach / span, 4 * reach / span]])
    for _ in range(4):
        level, trend = np.meshgrid(
            *(np.linspace(low, high, _GRID) for low, high in box.tolist()), indexing="ij"
        )
        # No sharper than the grid, so that no narrow peak is missed before it is zoomed upon.
        step = np.hypot(
            (box[0, 1] - box[0, 0]) / _GRID, (box[1, 1] - box[1, 0]) / _GRID * np.abs(time)
        )
        off = effects.effect + level[..., None] + trend[..., None] * time
        log_weight = _log_expansion(off, own_var + (0.5 * step) ** 2)
        log_weight -= 0.5 * ((mean_slope - trend - _RATE_MIDDLE) / _RATE_SPREAD) ** 2
        weight = np.exp(log_weight - log_weight.max())
        kept = weight > 1e-4
        steps = [(box[n, 1] - box[n, 0]) / (_GRID - 1) for n in (0, 1)]
        box = np.array(
            [
                [values[kept].min() - steps[n], values[kept].max() + steps[n]]
                for n, values in enumerate((level, trend))
            ]
        )
    weight = (weight / weight.sum()).ravel()
    return _nodes(level.ravel(), trend.ravel(), weight)


def _nodes(level: Floats, trend: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
    """Thin a grid to few nodes of equal weight, evenly along the trend, without chance."""
    order = np.lexsort((level, trend))
    reached = np.cumsum(weight[order])
    picked = order[
        np.minimum(np.searchsorted(reached, (np.arange(_NODES) + 0.5) / _NODES), len(order) - 1)
    ]
    return level[picked], trend[picked], np.full(_NODES, 1 / _NODES)


def shared_growth(table: SizeTable) -> SharedGrowth | None:
    """Estimate every polyp's growth and every photo's expansion together.

    Parameters
    ----------
    table : SizeTable

    Returns
    -------
    SharedGrowth or None
        None with fewer than three polyps on three dates, or no photo to spare.
    """
    used = _enough_dates(table)
    if not used.any():
        return None
    photos, place = np.unique(table.photo[used], return_inverse=True)
    effects = common_effects(
        SizeTable(
            polyp=table.polyp[used],
            photo=place,
            log_size=table.log_size[used],
            days=table.days[photos],
            n_polyps=table.n_polyps,
        )
    )
    if effects is None:
        return None
    time = table.days[photos] - effects.middle_day
    level, trend, weight = _weigh_level_and_trend(effects, time)
    return SharedGrowth(
        effects=effects, level=level, trend=trend, weight=weight, time=time, photos=photos
    )


def size_table(days: Sequence[float], sizes: Sequence[Sequence[tuple[int, float]]]) -> SizeTable:
    """Return the table of polyps that are each given as (photo, size) pairs.

    Parameters
    ----------
    days : sequence of float
        Of the photos.
    sizes : sequence of sequence of (int, float)
        One sequence per polyp; sizes that are not above 0 or unknown are left out.
    """
    rows = [
        (polyp, photo, np.log(size))
        for polyp, seen in enumerate(sizes)
        for photo, size in seen
        if np.isfinite(size) and size > 0
    ]
    polyp, photo, log_size = zip(*rows, strict=True) if rows else ((), (), ())
    return SizeTable(
        polyp=np.array(polyp, np.intp),
        photo=np.array(photo, np.intp),
        log_size=np.array(log_size, np.float64),
        days=np.asarray(days, np.float64),
        n_polyps=len(sizes),
    )
