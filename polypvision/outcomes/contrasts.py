"""Whether two groups of pieces differ, and how many more would tell."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, exp, inf, isfinite, log, nan, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from polypvision.outcomes.curves import Span, in_days, turnbull

ALPHA = 0.05
POWER = 0.8
"""Customary: a difference that is there is to be told four times out of five."""
_RESAMPLES = 9999
_MANY = 500
"""Pieces in each group from which on the formula for many holds, and nothing is shuffled (own
choice)."""
_SHUFFLED_TOGETHER = 20_000_000
"""Scores held at once, of all shufflings; some 160 megabytes."""


@dataclass(frozen=True, kw_only=True)
class Contrast:
    """Two groups compared in one respect.

    Attributes
    ----------
    first, second : str
        Names of the groups.
    difference : float
        Of the first to the second: of shares in parts of 1, of growth in percent a week; of times
        the logarithm of the hazard ratio, above 0 where the first is faster. NaN if unknown.
    p : float
        How often chance alone would give a difference like this; NaN if it cannot be said.
    n_more : int or None
        Pieces per group, beyond the smaller one of the two, that would tell a difference as large
        as the one seen four times out of five; None if none is seen or it was told.
    """

    first: str
    second: str
    difference: float
    p: float
    n_more: int | None = None

    @property
    def told(self) -> bool:
        """Whether the groups differ by more than chance makes likely."""
        return self.p < ALPHA


def fisher_p(table: Sequence[Sequence[int]]) -> float:
    """Return the two-sided p of Fisher's exact test of a table of two rows and two columns.

    Examples
    --------
    >>> round(fisher_p([[3, 1], [1, 3]]), 6)
    0.485714
    """
    return float(stats.fisher_exact(table).pvalue)


def pieces_for_shares(first: float, second: float) -> float:
    """Return the pieces per group at which Fisher's exact test tells two shares apart with `POWER`.

    Parameters
    ----------
    first, second : float
        The two shares, 0 to 1.

    Returns
    -------
    float
        Infinite if they are the same.

    Notes
    -----
    The usual formula for two shares, by statsmodels, with the continuity correction of Fleiss JL,
    Tytun A, Ury HK 1980, Biometrics 36:343-346 (from memory), which makes it fit the exact test.
    """
    from statsmodels.stats.proportion import samplesize_proportions_2indep_onetail

    gap = abs(first - second)
    if gap == 0:
        return inf
    plain = float(
        samplesize_proportions_2indep_onetail(gap, min(first, second), POWER, ratio=1, alpha=ALPHA)
    )
    return plain / 4 * (1 + sqrt(1 + 4 / (plain * gap))) ** 2


def share_contrast(
    names: tuple[str, str], counts: tuple[int, int], numbers: tuple[int, int]
) -> Contrast:
    """Compare two shares by Fisher's exact test.

    Parameters
    ----------
    names : tuple of 2 str
    counts, numbers : tuple of 2 int
        How many, and out of how many.
    """
    if min(numbers) == 0:
        return Contrast(first=names[0], second=names[1], difference=nan, p=nan)
    table = [[k, n - k] for k, n in zip(counts, numbers, strict=True)]
    # Drawn towards the middle, as Wilson's interval is: of few pieces "all" is not yet 100 %.
    first, second = ((k + 2) / (n + 4) for k, n in zip(counts, numbers, strict=True))
    return Contrast(
        first=names[0],
        second=names[1],
        difference=counts[0] / numbers[0] - counts[1] / numbers[1],
        p=fisher_p(table),
        n_more=_more(pieces_for_shares(first, second), min(numbers)),
    )


def _more(needed: float, there: int) -> int | None:
    return max(ceil(needed) - there, 1) if isfinite(needed) else None


def log_rank_p(first: Sequence[Span], second: Sequence[Span]) -> tuple[float, float]:
    """Return chi-square (1 degree of freedom) and p of the log-rank test, for known days.

    Notes
    -----
    By statsmodels. Mantel N 1966, Cancer Chemotherapy Reports 50:163-170 (from memory).
    """
    from statsmodels.duration.survfunc import survdiff

    spans = (*first, *second)
    days = np.array([span.high if span.happened else span.low for span in spans])
    happened = np.array([span.happened for span in spans], dtype=np.int64)
    group = np.repeat([0, 1], [len(first), len(second)])
    statistic, p = survdiff(days, happened, group)
    return float(statistic), float(p)


def log_rank_scores(spans: Sequence[Span]) -> NDArray[np.float64]:
    """Return the log-rank score of every span in its pool: above 0 for early, below for late.

    Returns
    -------
    ndarray (n,) of float64
        They sum to 0.

    Notes
    -----
    ``[S(L) ln S(L) - S(R) ln S(R)] / [S(L) - S(R)]`` of Turnbull's S: Finkelstein DM 1986,
    Biometrics 42:845-854; Fay MP, Shaw PA 2010, Journal of Statistical Software 36(2) (both from
    memory).
    """
    pooled = turnbull(spans)
    known: dict[Span, float] = {}

    def entropy(left: float) -> float:
        return left * log(left) if left > 1e-12 else 0.0

    for span in set(spans):
        # A known day begins with all those left who were left the day before.
        known_day = span.low == span.high
        fallen = pooled.right < span.low if known_day else pooled.right <= span.low
        before = 1.0 - float(pooled.mass[fallen].sum())
        after = (
            0.0 if span.high == inf else 1.0 - float(pooled.mass[pooled.right <= span.high].sum())
        )
        fall = before - after
        known[span] = (entropy(before) - entropy(after)) / fall if fall > 1e-12 else -1.0
    return np.array([known[span] for span in spans], dtype=np.float64)


def time_contrast(
    names: tuple[str, str],
    first: Sequence[Span],
    second: Sequence[Span],
    rng: np.random.Generator | None = None,
) -> Contrast:
    """Compare how long two groups take.

    The log-rank test where all days are known, else its scores for spans, shuffled between the
    groups: with few pieces that holds where formulas for many do not. With many in both, their sum
    is normal, with the variance that shuffling gives it. It supposes that both groups were
    photographed about as often.

    Parameters
    ----------
    names : tuple of 2 str
    first, second : sequence of Span
        Two at least in each, or no p is given.
    rng : numpy.random.Generator, optional
        For the shuffling, where there are too many ways to try them all.

    References
    ----------
    Fay MP, Shaw PA 2010, Journal of Statistical Software 36(2): the permutation test and its form
    for many (from memory).
    """
    spans = (*first, *second)
    if min(len(first), len(second)) < 2 or not any(span.happened for span in spans):
        return Contrast(first=names[0], second=names[1], difference=nan, p=nan)
    scores = log_rank_scores(in_days(spans))
    n, n1 = len(spans), len(first)
    spread = float(np.sum((scores - scores.mean()) ** 2)) * n1 * (n - n1) / (n * (n - 1))
    if spread < 1e-12:
        return Contrast(first=names[0], second=names[1], difference=0.0, p=1.0)
    ahead = float(np.sum(scores[:n1] - scores.mean()))
    if all(span.exact for span in spans):
        _, p = log_rank_p(first, second)
    elif min(len(first), len(second)) >= _MANY:
        p = float(stats.chi2.sf(ahead**2 / spread, 1))
    else:
        p = _shuffled_p(scores[:n1], scores[n1:], rng or np.random.default_rng(0))
    # One-step estimate (Peto); good enough for "how many more".
    ratio = ahead / spread
    happened = sum(span.happened for span in spans) / n
    return Contrast(
        first=names[0],
        second=names[1],
        difference=ratio,
        p=p,
        n_more=_more(pieces_for_times(ratio, happened), min(n1, n - n1)),
    )


def _shuffled_p(
    first: NDArray[np.float64], second: NDArray[np.float64], rng: np.random.Generator
) -> float:
    def gap(a: NDArray[np.float64], b: NDArray[np.float64], axis: int = -1) -> NDArray[np.float64]:
        return np.asarray(np.abs(a.mean(axis=axis) - b.mean(axis=axis)))

    result = stats.permutation_test(
        (first, second),
        gap,
        permutation_type="independent",
        vectorized=True,
        n_resamples=_RESAMPLES,
        batch=max(1, _SHUFFLED_TOGETHER // (len(first) + len(second))),
        alternative="greater",
        rng=rng,
    )
    return float(result.pvalue)


def pieces_for_times(log_ratio: float, happened: float) -> float:
    """Return the pieces per group that tell a ratio of hazards with `POWER`.

    Parameters
    ----------
    log_ratio : float
        Logarithm of the hazard ratio.
    happened : float
        Part of the pieces to which it will have happened, 0 to 1.

    Notes
    -----
    ``4 (z_a + z_b)^2 / ln(ratio)^2`` events in both groups together: Schoenfeld D 1983, Biometrics
    39:499-503 (from memory).

    Examples
    --------
    >>> round(pieces_for_times(log(2), 1.0))
    33
    """
    if log_ratio == 0 or happened <= 0:
        return inf
    z = float(stats.norm.ppf(1 - ALPHA / 2) + stats.norm.ppf(POWER))
    return 2 * (z / log_ratio) ** 2 / happened


def mean_contrast(
    names: tuple[str, str], first: Sequence[float], second: Sequence[float]
) -> Contrast:
    """Compare two means by Welch's test; needs three values in each."""
    if min(len(first), len(second)) < 3:
        return Contrast(first=names[0], second=names[1], difference=nan, p=nan)
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    gap = float(a.mean() - b.mean())
    sd_a, sd_b = float(a.std(ddof=1)), float(b.std(ddof=1))
    scatter = sqrt((sd_a**2 + sd_b**2) / 2)
    if scatter <= 1e-9 * max(abs(float(a.mean())), abs(float(b.mean())), 1e-9):
        return Contrast(first=names[0], second=names[1], difference=gap, p=nan)
    return Contrast(
        first=names[0],
        second=names[1],
        difference=gap,
        # From the figures and not from the values: it does not mind values that are all alike.
        p=float(
            stats.ttest_ind_from_stats(
                a.mean(), sd_a, len(a), b.mean(), sd_b, len(b), equal_var=False
            ).pvalue
        ),
        n_more=_more(pieces_for_means(gap / scatter), min(len(a), len(b))),
    )


def pieces_for_means(effect: float) -> float:
    """Return the pieces per group at which a t-test tells two means this many standard deviations
    apart with `POWER`; infinite if they are the same."""
    from statsmodels.stats.power import TTestIndPower

    if abs(effect) < 0.02:
        return inf  # Ten thousands of pieces; the library no longer finds how many.
    if abs(effect) > 5:
        return 3.0
    return float(TTestIndPower().solve_power(abs(effect), power=POWER, alpha=ALPHA))


def holm(contrasts: Sequence[Contrast]) -> tuple[Contrast, ...]:
    """Return the contrasts with each p raised for their number, so that the more pairs are tried
    the less chance alone makes one of them differ.

    Notes
    -----
    Holm S 1979, Scandinavian Journal of Statistics 6:65-70 (from memory), by statsmodels.
    """
    from statsmodels.stats.multitest import multipletests

    known = [n for n, one in enumerate(contrasts) if isfinite(one.p)]
    raised = list(contrasts)
    if known:
        values = multipletests([contrasts[n].p for n in known], method="holm")[1]
        for n, p in zip(known, values, strict=True):
            raised[n] = replace(contrasts[n], p=float(p))
    return tuple(replace(one, n_more=None) if one.told else one for one in raised)


def hazard_ratio(contrast: Contrast) -> float:
    """Return how many times faster the first is than the second, of a contrast of times."""
    return exp(contrast.difference)
