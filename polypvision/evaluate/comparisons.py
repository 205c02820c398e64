"""Ways of measuring compared: limits of agreement, intraclass correlation, kappa, repeatability.

The one place of these formulas; who is compared with whom is for others to say.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2
from scipy.stats import f as fisher
from scipy.stats import t as student

NAN = float("nan")
Interval = tuple[float, float]
_NO_INTERVAL: Interval = (NAN, NAN)
_LIMIT = 1.96
"""Standard deviations of the limits: 95 % of a normal distribution. Bland and Altman wrote 2."""


@dataclass(frozen=True, kw_only=True)
class BlandAltman:
    """Differences between two ways of measuring the same things; NaN where too few.

    Attributes
    ----------
    n : int
    bias, sd : float
        Mean and standard deviation of the differences.
    low, high : float
        Limits of agreement: bias -+ 1.96 sd.
    bias_ci, low_ci, high_ci : tuple of 2 floats
        95 % confidence intervals.

    References
    ----------
    Bland JM, Altman DG 1986, Statistical methods for assessing agreement between two methods of
    clinical measurement, Lancet i:307-310.
    """

    n: int
    bias: float = NAN
    sd: float = NAN
    low: float = NAN
    high: float = NAN
    bias_ci: Interval = _NO_INTERVAL
    low_ci: Interval = _NO_INTERVAL
    high_ci: Interval = _NO_INTERVAL


def bland_altman(differences: Sequence[float]) -> BlandAltman:
    """Return bias and limits of agreement of differences (one way minus the other).

    Intervals are by Student's t with n - 1 degrees of freedom; the standard error of a limit is
    sqrt(3 sd^2 / n).

    Examples
    --------
    >>> found = bland_altman([-1.0, 0.0, 1.0, 2.0])
    >>> found.bias, round(found.sd, 4), round(found.high, 4)
    (0.5, 1.291, 3.0303)
    """
    values = np.asarray(differences, np.float64)
    n = len(values)
    if n < 2:
        return BlandAltman(n=n, bias=float(values.mean()) if n else NAN)
    bias, sd = float(values.mean()), float(values.std(ddof=1))
    low, high = bias - _LIMIT * sd, bias + _LIMIT * sd
    quantile = float(student.ppf(0.975, n - 1))
    of_bias, of_limit = quantile * sd / np.sqrt(n), quantile * sd * np.sqrt(3 / n)
    return BlandAltman(
        n=n,
        bias=bias,
        sd=sd,
        low=low,
        high=high,
        bias_ci=(bias - of_bias, bias + of_bias),
        low_ci=(low - of_limit, low + of_limit),
        high_ci=(high - of_limit, high + of_limit),
    )


def limits_sentence(what: str, of: BlandAltman, *, who: str, unit: str = " mm") -> str:
    """Return limits of agreement as a sentence.

    Parameters
    ----------
    what : str
        What was measured, as the sentence begins.
    of : BlandAltman
    who : str
        Whose less whose: "machine minus people".
    unit : str
        With its blank before it; empty for numbers.
    """
    if of.n < 2:
        return f"{what}: {of.n}, too few to compare."
    return (
        f"{what} ({of.n}), {who}: bias {of.bias:+.2f}{unit} (95 % CI "
        f"{of.bias_ci[0]:+.2f} to {of.bias_ci[1]:+.2f}), limits of agreement {of.low:+.2f} "
        f"({of.low_ci[0]:+.2f} to {of.low_ci[1]:+.2f}) and {of.high:+.2f} "
        f"({of.high_ci[0]:+.2f} to {of.high_ci[1]:+.2f}){unit}."
    )


def cohen_kappa(table: NDArray[np.int64]) -> float:
    """Return Cohen's kappa of a square table of counts; NaN where chance alone agrees in all.

    References
    ----------
    Cohen J 1960, A coefficient of agreement for nominal scales, Educ Psychol Meas 20:37-46.

    Examples
    --------
    >>> round(cohen_kappa(np.array([[20, 5], [10, 15]])), 4)
    0.4
    """
    total = float(table.sum())
    if not total:
        return NAN
    seen = float(np.trace(table)) / total
    chance = float((table.sum(axis=0) * table.sum(axis=1)).sum()) / total**2
    return (seen - chance) / (1 - chance) if chance < 1 else NAN


@dataclass(frozen=True, kw_only=True)
class MeanSquares:
    """Mean squares of a two-way table, things measured by ways of measuring.

    Attributes
    ----------
    between : float
        Of the things.
    within : float
        Within each thing, the ways not told apart.
    ways, residual : float
        Of the ways, and of what is left.
    """

    between: float
    within: float
    ways: float
    residual: float


def mean_squares(table: NDArray[np.float64]) -> MeanSquares:
    """Return the mean squares of a table (things, ways), both at least 2."""
    n, k = table.shape
    grand, things, ways = table.mean(), table.mean(axis=1), table.mean(axis=0)
    between, of_ways = k * float(((things - grand) ** 2).sum()), float(((ways - grand) ** 2).sum())
    left = float(((table - things[:, None] - ways[None, :] + grand) ** 2).sum())
    return MeanSquares(
        between=between / (n - 1),
        within=float(((table - things[:, None]) ** 2).sum()) / (n * (k - 1)),
        ways=n * of_ways / (k - 1),
        residual=left / ((n - 1) * (k - 1)),
    )


@dataclass(frozen=True, kw_only=True)
class Icc:
    """Intraclass correlation ICC(2,1) and its 95 % confidence interval; NaN where unknown."""

    value: float = NAN
    ci: Interval = _NO_INTERVAL


def icc_2_1(table: NDArray[np.float64]) -> Icc:
    """Return the intraclass correlation ICC(2,1): two-way random, absolute, of one measurement.

    A constant difference between the ways counts against it.

    Parameters
    ----------
    table : ndarray (n, k) of float64
        n things, each measured in k ways.

    References
    ----------
    Shrout PE, Fleiss JL 1979, Intraclass correlations: uses in assessing rater reliability,
    Psychol Bull 86:420-428; the interval (their Case 2) from memory.
    """
    n, k = table.shape if table.ndim == 2 else (0, 0)
    if n < 2 or k < 2:
        return Icc()
    ms = mean_squares(table)
    whole = ms.between + (k - 1) * ms.residual + k * (ms.ways - ms.residual) / n
    if not whole > 0:
        return Icc()
    value = (ms.between - ms.residual) / whole
    if not ms.residual > 0:
        return Icc(value=value)
    ratio = ms.ways / ms.residual
    share = k * value * ratio + n * (1 + (k - 1) * value) - k * value
    freedom = ((k - 1) * (n - 1) * share**2) / (
        (n - 1) * (k * value * ratio) ** 2 + (n * (1 + (k - 1) * value) - k * value) ** 2
    )
    above = float(fisher.ppf(0.975, n - 1, freedom))
    below = float(fisher.ppf(0.975, freedom, n - 1))
    spread = k * ms.ways + (k * n - k - n) * ms.residual
    low = n * (ms.between - above * ms.residual) / (above * spread + n * ms.between)
    high = n * (below * ms.between - ms.residual) / (spread + n * below * ms.between)
    return Icc(value=value, ci=(low, high))


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """How much readings of one and the same thing differ; NaN where too few.

    Attributes
    ----------
    n : int
        Things read at least twice.
    freedom : int
        Degrees of freedom: readings less things.
    sd : float
        Repeatability standard deviation: root of the pooled variance within things.
    sd_ci : tuple of 2 floats
        95 % confidence interval, by chi squared.
    mean : float
        Of the things' means.
    """

    n: int
    freedom: int
    sd: float = NAN
    sd_ci: Interval = _NO_INTERVAL
    mean: float = NAN

    @property
    def detectable(self) -> float:
        """Smallest detectable change: 1.96 sqrt(2) sd.

        By so much two single readings of a thing that did not change differ in 1 of 20 cases
        (Bland and Altman 1986 call twice the standard deviation of such differences the coefficient
        of repeatability; ISO 5725-6 rounds to 2.8 sd, from memory).
        """
        return _LIMIT * float(np.sqrt(2)) * self.sd

    @property
    def percent(self) -> float:
        """The standard deviation in percent of the mean."""
        return 100 * self.sd / self.mean if self.mean > 0 else NAN


def repeatability(readings: Sequence[Sequence[float]]) -> Repeatability:
    """Return the repeatability of readings.

    Parameters
    ----------
    readings : sequence of sequence of float
        Of each thing; those read fewer than twice say nothing and are left out.

    Examples
    --------
    >>> found = repeatability([[10.0, 10.2], [20.0, 19.8], [5.0]])
    >>> found.n, found.freedom, round(found.sd, 4), round(found.detectable, 4)
    (2, 2, 0.1414, 0.392)
    """
    several = [np.asarray(one, np.float64) for one in readings if len(one) > 1]
    freedom = sum(len(one) - 1 for one in several)
    if not several:
        return Repeatability(n=0, freedom=0)
    squares = sum(float(((one - one.mean()) ** 2).sum()) for one in several)
    low, high = (float(chi2.ppf(p, freedom)) for p in (0.975, 0.025))
    return Repeatability(
        n=len(several),
        freedom=freedom,
        sd=float(np.sqrt(squares / freedom)),
        sd_ci=(float(np.sqrt(squares / low)), float(np.sqrt(squares / high))),
        mean=float(np.mean([one.mean() for one in several])),
    )
