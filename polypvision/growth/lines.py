"""Rates between two dates, and lines through many."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, sqrt

import numpy as np
from scipy import stats


def specific_growth_rate(size1: float, size2: float, days: float) -> float:
    """Return ln(X2 / X1) / days, per day: the growth in proportion to the size.

    Raises
    ------
    ValueError
        If a size or the number of days is not above 0.

    Examples
    --------
    >>> round(specific_growth_rate(20.0, 35.0, 90.0), 9)
    0.006217953
    """
    if not (size1 > 0 and size2 > 0 and days > 0):
        raise ValueError(f"sizes and days must be above 0, got {size1}, {size2} and {days}")
    return log(size2 / size1) / days


def doubling_days(rate_per_day: float) -> float:
    """Return the days in which a size doubles at this specific growth rate.

    Raises
    ------
    ValueError
        If the rate is not above 0.
    """
    if not rate_per_day > 0:
        raise ValueError(f"nothing doubles at a rate of {rate_per_day} per day")
    return log(2) / rate_per_day


@dataclass(frozen=True, kw_only=True)
class LineFit:
    """Straight line by ordinary least squares, with standard errors.

    Attributes
    ----------
    slope, slope_err, intercept, intercept_err : float
    residual_sd : float
        With n - 2 degrees of freedom.
    n : int
    """

    slope: float
    slope_err: float
    intercept: float
    intercept_err: float
    residual_sd: float
    n: int


def fit_line(x: Sequence[float], y: Sequence[float]) -> LineFit:
    """Return the least-squares line y = intercept + slope x.

    Parameters
    ----------
    x, y : sequence of float
        At least three points, not all at the same x.

    Raises
    ------
    ValueError
        If there are fewer points or x does not vary.
    """
    if len(x) < 3 or len(set(x)) < 2:
        raise ValueError("a line with its error needs three points at two places or more")
    n = len(x)
    fit = stats.linregress(x, y)
    residuals = np.asarray(y) - fit.intercept - fit.slope * np.asarray(x)
    residual_sd = float(np.sqrt(np.sum(residuals**2) / (n - 2)))
    # Not linregress's own errors: they are NaN where y does not vary at all.
    mean = float(np.mean(x))
    sxx = float(np.sum((np.asarray(x) - mean) ** 2))
    return LineFit(
        slope=float(fit.slope),
        slope_err=residual_sd / sqrt(sxx),
        intercept=float(fit.intercept),
        intercept_err=residual_sd * sqrt(1 / n + mean**2 / sxx),
        residual_sd=residual_sd,
        n=n,
    )


@dataclass(frozen=True, kw_only=True)
class TheilSenFit:
    """Median of the slopes between all pairs, and its confidence limits."""

    slope: float
    intercept: float
    low: float
    high: float


def fit_theil_sen(
    x: Sequence[float], y: Sequence[float], *, confidence: float = 0.95
) -> TheilSenFit:
    """Return the line that one odd point cannot turn.

    Parameters
    ----------
    x, y : sequence of float
    confidence : float
        Of the limits, 0 to 1.

    Notes
    -----
    Sen PK 1968, Journal of the American Statistical Association 63:1379-1389 (from memory), by
    `scipy.stats.theilslopes`.
    """
    fit = stats.theilslopes(y, x, confidence)
    return TheilSenFit(
        slope=float(fit.slope),
        intercept=float(fit.intercept),
        low=float(fit.low_slope),
        high=float(fit.high_slope),
    )
