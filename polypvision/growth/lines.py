"""Rates between two dates, and lines through many."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, log, sqrt

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
    mean_x, sxx : float
        Mean of x, and the sum of its squared deviations from it.
    """

    slope: float
    slope_err: float
    intercept: float
    intercept_err: float
    residual_sd: float
    n: int
    mean_x: float
    sxx: float

    def at(self, x: float) -> float:
        """Return the line's value at x."""
        return self.intercept + self.slope * x

    def interval(
        self, x: float, *, confidence: float = 0.95, of_a_reading: bool = False
    ) -> tuple[float, float]:
        """Return the confidence limits of the line at x, or those for a single new reading there.

        Notes
        -----
        Student's t with n - 2 degrees of freedom; any textbook of regression.
        """
        half = self._t(confidence) * self.residual_sd
        half *= sqrt(of_a_reading + 1 / self.n + (x - self.mean_x) ** 2 / self.sxx)
        return self.at(x) - half, self.at(x) + half

    def reached(
        self, y: float, *, confidence: float = 0.95, by_a_reading: bool = False
    ) -> tuple[float, float, float] | None:
        """Return where the line reaches y, and the limits of that place (inverse prediction).

        Parameters
        ----------
        y : float
        confidence : float
        by_a_reading : bool
            A single new reading reads y, instead of the line itself being there.

        Returns
        -------
        tuple of float or None
            Place, low and high; not symmetric. None where the slope is not different from zero at
            this confidence: then no place can be given.

        Notes
        -----
        Fieller EC 1954, Journal of the Royal Statistical Society B 16:175-185.
        """
        t = self._t(confidence)
        g = (t * self.slope_err / self.slope) ** 2 if self.slope != 0 else inf
        if g >= 1:
            return None
        off = (y - self.at(self.mean_x)) / self.slope
        reach = (t * self.residual_sd / self.slope) * sqrt(
            off**2 / self.sxx + (1 - g) * (by_a_reading + 1 / self.n)
        )
        low, high = sorted((off + sign * reach) / (1 - g) for sign in (-1, 1))
        return self.mean_x + off, self.mean_x + low, self.mean_x + high

    def _t(self, confidence: float) -> float:
        return float(stats.t.ppf(0.5 + confidence / 2, self.n - 2))


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
        mean_x=mean,
        sxx=sxx,
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
