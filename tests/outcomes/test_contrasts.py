from math import inf, isnan

import numpy as np
import pytest
from scipy import stats

from polypvision.outcomes.contrasts import (
    holm,
    log_rank_scores,
    mean_contrast,
    pieces_for_means,
    pieces_for_shares,
    pieces_for_times,
    share_contrast,
    time_contrast,
)
from polypvision.outcomes.curves import Span, in_days

VISITS = (0, 3, 7, 14, 21, 28, 42, 56)


def seen(days: np.ndarray) -> list[Span]:
    spans = []
    for day in days:
        after = [visit for visit in VISITS if visit >= day]
        spans.append(
            Span(low=max(visit for visit in VISITS if visit < day), high=min(after, default=inf))
        )
    return spans


@pytest.mark.parametrize(("a", "b"), [(0.9, 0.55), (0.8, 0.5), (0.95, 0.75)])
def test_so_many_pieces_tell_two_shares_apart(a: float, b: float) -> None:
    """The exact power of Fisher's test, by going through every outcome."""
    n = int(np.ceil(pieces_for_shares(a, b)))
    counts = np.arange(n + 1)
    first, second = stats.binom.pmf(counts, n, a), stats.binom.pmf(counts, n, b)
    power = 0.0
    for k in counts:
        for m in counts:
            weight = first[k] * second[m]
            if weight > 1e-9:
                told = stats.fisher_exact([[k, n - k], [m, n - m]]).pvalue < 0.05
                power += float(weight * told)
    assert power == pytest.approx(0.8, abs=0.04)


def test_so_many_pieces_tell_two_times_apart() -> None:
    rng = np.random.default_rng(1)
    ratio = 2.5
    n = int(np.ceil(pieces_for_times(np.log(ratio), 0.97)))
    told = 0
    cases = 100
    for _ in range(cases):
        fast, slow = rng.exponential(12, n), rng.exponential(12 * ratio, n)
        contrast = time_contrast(("fast", "slow"), seen(fast + 1e-9), seen(slow + 1e-9))
        told += contrast.told
        if contrast.told:
            assert contrast.difference > 0
    # Photos weeks apart cost a little of the power that known days would give.
    assert 0.64 <= told / cases <= 0.88


def test_equal_groups_differ_by_chance_one_time_in_twenty() -> None:
    rng = np.random.default_rng(2)
    cases = 150
    told = sum(
        time_contrast(
            ("a", "b"),
            seen(rng.lognormal(2.6, 0.4, 6)),
            seen(rng.lognormal(2.6, 0.4, 9)),
        ).told
        for _ in range(cases)
    )
    assert told / cases <= 0.1


def test_the_same_pieces_give_the_same_p_twice() -> None:
    rng = np.random.default_rng(4)
    a, b = seen(rng.lognormal(2.4, 0.4, 30)), seen(rng.lognormal(2.7, 0.4, 25))
    assert time_contrast(("a", "b"), a, b) == time_contrast(("a", "b"), a, b)


def test_growth_is_compared_by_welch() -> None:
    a, b = [1.0, 1.4, 1.2, 1.1], [2.0, 2.6, 2.2, 2.4, 2.1]
    contrast = mean_contrast(("a", "b"), a, b)
    assert contrast.p == pytest.approx(stats.ttest_ind(a, b, equal_var=False).pvalue)
    assert contrast.difference == pytest.approx(1.175 - 2.26)
    assert isnan(mean_contrast(("a", "b"), a[:2], b).p)
    # One standard deviation apart: 17 in each group (Cohen J 1988, Statistical Power Analysis,
    # table 2.4.1, from memory).
    assert np.ceil(pieces_for_means(1.0)) == 17


def test_a_difference_that_was_told_asks_for_no_more_pieces() -> None:
    clear = share_contrast(("a", "b"), (20, 4), (20, 20))
    open_still = share_contrast(("a", "b"), (4, 3), (4, 4))
    alike = share_contrast(("a", "b"), (4, 4), (4, 4))
    first, second, third = holm([clear, open_still, alike])
    assert first.told
    assert first.n_more is None
    assert not second.told
    assert second.n_more is not None
    assert second.n_more > 10
    assert third.n_more is None
    # Holm: the smallest p three times, the next twice.
    assert first.p == pytest.approx(3 * clear.p)
    assert isnan(share_contrast(("a", "b"), (0, 3), (0, 4)).p)


def test_of_many_pieces_the_formula_says_what_shuffling_says() -> None:
    """Against scipy's permutation test of the same scores; each has its own minute."""
    rng = np.random.default_rng(5)
    first, second = (
        [
            Span(low=span.low + rng.uniform(0, 0.3), high=span.high + rng.uniform(-0.3, 0.0))
            for span in seen(rng.gamma(8, scale, 600))
        ]
        for scale in (2.0, 2.1)
    )
    scores = log_rank_scores(in_days((*first, *second)))
    shuffled = stats.permutation_test(
        (scores[:600], scores[600:]),
        lambda a, b, axis=-1: np.abs(a.mean(axis=axis) - b.mean(axis=axis)),
        vectorized=True,
        n_resamples=9999,
        alternative="greater",
        rng=rng,
    )
    found = time_contrast(("a", "b"), first, second).p
    assert 0.01 < found < 0.5, "there is something to compare"
    # Three standard errors of the share of 9999 shufflings.
    assert found == pytest.approx(
        shuffled.pvalue, abs=3 * np.sqrt(found * (1 - found) / 9999) + 1e-3
    )
