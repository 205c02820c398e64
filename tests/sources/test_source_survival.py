"""Survival, shares and exact tests: values that others have published."""

from math import inf

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from polypvision.outcomes import Span, curve, kaplan_meier, log_rank_p, turnbull, wilson_interval
from polypvision.outcomes.contrasts import fisher_p, log_rank_scores, time_contrast
from polypvision.plan.losses import LossRecord, learn_losses

# Freireich EJ et al. 1963, Blood 21:699-716: weeks of remission under 6-MP (a plus: still in
# remission) and under placebo.
SIX_MP = "6 6 6 7 10 13 16 22 23 6+ 9+ 10+ 11+ 17+ 19+ 20+ 25+ 32+ 32+ 34+ 35+"
PLACEBO = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"

# Finkelstein DM, Wolfe RA 1985, Biometrics 41:933-945: months to breast retraction after
# radiotherapy alone, seen at visits (46 patients).
COSMESIS_LEFT = (
    "45 6 0 46 46 7 17 7 37 0 4 15 11 22 46 46 25 46 26 46 27 36 46 36 37 40 17 46 11 38 5 37 0 18 "
    "24 36 5 19 17 24 32 33 19 37 34 36"
)
COSMESIS_RIGHT = (
    "inf 10 7 inf inf 16 inf 14 44 8 11 inf 15 inf inf inf 37 inf 40 inf 34 44 inf 48 inf inf 25 "
    "inf 18 inf 12 inf 5 inf inf inf 11 35 25 inf inf inf 26 inf inf inf"
)


def exact(text: str) -> list[Span]:
    spans = []
    for word in text.split():
        week = float(word.rstrip("+"))
        spans.append(Span(low=week, high=inf if word.endswith("+") else week))
    return spans


def cosmesis() -> list[Span]:
    ends = zip(COSMESIS_LEFT.split(), COSMESIS_RIGHT.split(), strict=True)
    return [Span(low=float(low), high=float(high)) for low, high in ends]


def test_kaplan_meier_of_the_6_mp_arm_with_greenwood_errors() -> None:
    fitted = curve(exact(SIX_MP))
    assert fitted.method == "Kaplan-Meier"
    assert fitted.right.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert fitted.after == pytest.approx(
        [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179], abs=1e-6
    )
    assert fitted.after_err == pytest.approx(
        [0.076360, 0.086935, 0.096350, 0.106815, 0.114054, 0.128234, 0.134591], abs=1e-6
    )
    median, placebo = fitted.median(), kaplan_meier(exact(PLACEBO)).median()
    assert median is not None
    assert placebo is not None
    # Medians of 23 and 8 weeks.
    assert (median.high, placebo.high) == (23, 8)


def test_log_rank_of_6_mp_against_placebo() -> None:
    statistic, p = log_rank_p(exact(SIX_MP), exact(PLACEBO))
    assert statistic == pytest.approx(16.792941, abs=1e-6)
    assert p == pytest.approx(4.1688e-5, rel=1e-4)
    contrast = time_contrast(("6-MP", "placebo"), exact(SIX_MP), exact(PLACEBO))
    assert contrast.p == pytest.approx(p)
    assert contrast.difference < 0  # Relapses come more slowly under 6-MP.


def test_log_rank_scores_of_known_weeks_add_up_to_observed_less_expected() -> None:
    # Of the 6-MP arm 9 relapses were seen and 19.250501 expected. The scores treat ties as an
    # exponential model does, and so lie within a twentieth of it.
    scores = log_rank_scores([*exact(SIX_MP), *exact(PLACEBO)])
    assert scores.sum() == pytest.approx(0, abs=1e-9)
    assert scores[:21].sum() == pytest.approx(9 - 19.250501, rel=0.07)


def test_turnbull_masses_of_the_breast_cosmesis_data() -> None:
    # Fay MP, Shaw PA 2010, Journal of Statistical Software 36(2), table of the NPMLE (from memory,
    # reproduced by another library).
    fitted = curve(cosmesis())
    assert fitted.method == "Turnbull"
    places = list(zip(fitted.left, fitted.right, strict=True))
    assert places == [(4, 5), (6, 7), (7, 8), (11, 12), (24, 25), (33, 34), (38, 40), (46, 48)]
    assert fitted.mass == pytest.approx(
        [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656], abs=5e-5
    )
    assert fitted.after[:7] == pytest.approx(
        [0.9537, 0.9203, 0.8316, 0.7609, 0.6682, 0.5864, 0.4656], abs=5e-5
    )
    chances = [
        sum(m for a, b, m in zip(fitted.left, fitted.right, fitted.mass, strict=True)
            if one.low <= a and b <= one.high)
        for one in cosmesis()
    ]  # fmt: skip
    assert float(np.sum(np.log(chances))) == pytest.approx(-58.06002, abs=1e-4)


@pytest.mark.parametrize(
    ("spans", "mass"),
    [
        # By hand: (p1 + 1) / 4 = p1 at the fixed point of the EM step.
        ([(0, 14), (0, 7), (7, 14), (7, inf)], [1 / 3, 2 / 3]),
        ([(0, 7), (7, 14), (7, 14)], [1 / 3, 2 / 3]),
    ],
)
def test_turnbull_by_hand(spans: list[tuple[float, float]], mass: list[float]) -> None:
    fitted = turnbull([Span(low=low, high=high) for low, high in spans])
    assert fitted.mass == pytest.approx(mass, abs=1e-6)


def test_turnbull_of_weekly_visits_leaves_the_censored_quarter() -> None:
    fitted = turnbull(
        [Span(low=low, high=high) for low, high in [(0, 7), (7, 14), (7, 14), (14, inf)]]
    )
    assert fitted.mass == pytest.approx([0.25, 0.5], abs=1e-9)
    assert fitted.after[-1] == pytest.approx(0.25, abs=1e-9)


@pytest.mark.parametrize("text", [SIX_MP, PLACEBO])
def test_turnbull_of_known_days_is_kaplan_meier(text: str) -> None:
    a, b = turnbull(exact(text)), kaplan_meier(exact(text))
    assert a.right.tolist() == b.right.tolist()
    assert a.after == pytest.approx(b.after, abs=1e-8)


@pytest.mark.parametrize(
    ("count", "n", "low", "high"),
    [
        # Worked rows of Newcombe RG 1998, Statistics in Medicine 17:857-872.
        (81, 263, 0.255289, 0.366210),
        (15, 148, 0.062386, 0.160487),
        (0, 20, 0.0, 0.161125),
        (1, 29, 0.006113, 0.171755),
        # Computed with statsmodels.
        (18, 20, 0.698966, 0.972134),
        (10, 10, 0.722467, 1.0),
        # Wilson's interval of 73 of 99 polyps, the longitudinal fissions of Chen CLA et al. 1995,
        # Zoological Studies 34(1):29-40, by way of a handbook.
        (73, 99, 0.6430, 0.8140),
    ],
)
def test_wilson_intervals(count: int, n: int, low: float, high: float) -> None:
    tolerance = 5e-5 if n == 99 else 1e-6
    assert wilson_interval(count, n) == pytest.approx((low, high), abs=tolerance)
    assert wilson_interval(count, n) == pytest.approx(
        proportion_confint(count, n, method="wilson"), abs=1e-12
    )


@pytest.mark.parametrize(
    ("table", "p"),
    [
        # Fisher RA 1935, The Design of Experiments: the lady tasting tea, 34/70.
        ([[3, 1], [1, 3]], 34 / 70),
        # Computed with scipy.
        ([[8, 2], [1, 5]], 0.034965),
        ([[18, 2], [11, 9]], 0.030950),
    ],
)
def test_fishers_exact_test(table: list[list[int]], p: float) -> None:
    assert fisher_p(table) == pytest.approx(p, abs=1e-6)


def test_losses_turn_eight_months_into_a_year() -> None:
    # Chadwick-Furman NE, Spiegel M 2000, Invertebrate Biology 119(4): Rhodactis rhodostoma at Eilat
    # cloned at about 9 % a month and doubled in about a year. Cloning alone would double it in
    # ln 2 / ln 1.09 = 8.04 months; what lies between are losses, 2.84 % a month.
    month = 365.25 / 12
    assert np.log(2) / np.log(1.09) == pytest.approx(8.04, abs=0.01)
    loss_per_day = (np.log(1.09) - np.log(2) / 12) / month
    assert loss_per_day * month == pytest.approx(0.0284, abs=5e-5)
    seen = LossRecord(whole_days=1e7, whole_losses=1e7 * loss_per_day)
    rates = learn_losses([seen], np.random.default_rng(0))
    year = np.array([12 * month])
    alive = float(rates.alive(year, np.ones((1, 1))).mean())
    assert 1.09**12 * alive == pytest.approx(2.0, rel=0.01)
