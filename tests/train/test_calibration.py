import numpy as np
import pytest

from polypvision.train.calibration import calibrate_score, fit_logistic, two_mouths_curve


def test_logistic_weights_are_recovered() -> None:
    rng = np.random.default_rng(5)
    features = rng.normal(size=(20000, 2))
    chance = 1 / (1 + np.exp(-(0.5 + features @ np.array([2.0, -1.0]))))
    weights = fit_logistic(features, rng.random(20000) < chance)
    # Standard errors of the weights at this n are about 0.03.
    assert weights == pytest.approx([0.5, 2.0, -1.0], abs=0.1)


def test_logistic_weights_agree_with_the_two_by_two_table() -> None:
    # One yes-or-no feature: the weight is the log odds ratio of the table, in closed form.
    # Table [[20, 5], [10, 15]], worked by hand.
    features = np.repeat([[1.0], [1.0], [0.0], [0.0]], [20, 5, 10, 15], axis=0)
    truth = np.repeat([True, False, True, False], [20, 5, 10, 15])
    weights = fit_logistic(features, truth)
    assert weights[1] == pytest.approx(np.log(20 * 15 / (5 * 10)), abs=0.02)
    assert weights[0] == pytest.approx(np.log(10 / 15), abs=0.02)


def test_two_mouths_curve_finds_how_often_a_strength_is_right() -> None:
    rng = np.random.default_rng(6)
    strengths = np.where(rng.random(30_000) < 0.5, 0.0, rng.random(30_000))
    chance = 0.1 + 0.8 * strengths**2
    curve = two_mouths_curve(strengths, rng.random(30_000) < chance)
    assert curve(0.0) == pytest.approx(0.1, abs=0.01)
    # Groups hold 1250 discs: standard error below 0.015.
    for strength in (0.3, 0.5, 0.7, 0.9):
        assert curve(strength) == pytest.approx(0.1 + 0.8 * strength**2, abs=0.05)
    assert (np.diff(curve.probabilities) >= 0).all()


def test_curve_is_the_library_s_isotonic_regression() -> None:
    from sklearn.isotonic import IsotonicRegression

    # Each strength is a group: 30 / 300 + 4 / 60 and 20 / 300 + 6 / 60 are both a twelfth of 2.
    kinds = [(30, 4), (20, 6), (30, 4), (30, 4), (20, 6), (20, 6)] * 2
    discs, twos = np.array(kinds).T
    places = np.arange(1, 13) / 13
    two = np.concatenate([np.arange(n) < k for n, k in kinds])
    curve = two_mouths_curve(np.repeat(places, discs), two)
    shares = (twos + 0.5) / (discs + 1)  # Jeffreys' rule
    expected = IsotonicRegression().fit_transform(places, shares, sample_weight=discs)
    assert curve.strengths == pytest.approx(places)
    assert curve.probabilities == pytest.approx(expected)


def test_curve_is_finest_where_discs_have_two_mouths() -> None:
    strengths = np.arange(1, 1001) / 1001
    curve = two_mouths_curve(strengths, strengths > 0.9)
    assert np.count_nonzero(curve.strengths > 0.9) >= 5
    assert curve(0.85) < 0.5 < curve(0.95)
    none = two_mouths_curve(strengths, np.zeros(1000, bool))
    assert len(none.strengths) == 12
    assert none.probabilities.max() < 0.01


def test_calibrated_scores_undo_too_much_faith() -> None:
    # Evidence that says nothing of other pictures: weighed by themselves few pictures seem clear.
    rng = np.random.default_rng(7)
    evidence, right = rng.normal(size=(60, 12)), rng.random(60) < 0.5
    _, slope = calibrate_score(evidence, right, np.arange(60))
    assert slope < 0.5


def test_calibrated_scores_leave_true_ones_alone() -> None:
    rng = np.random.default_rng(8)
    evidence = rng.normal(size=(20_000, 2))
    chance = 1 / (1 + np.exp(-(0.5 + evidence @ np.array([2.0, -1.0]))))
    right = rng.random(20_000) < chance
    shift, slope = calibrate_score(evidence, right, np.arange(20_000))
    assert (shift, slope) == pytest.approx((0.0, 1.0), abs=0.06)


def test_evidence_that_tells_all_apart_has_finite_weights() -> None:
    # Without a ridge the likeliest weight would be infinite.
    features = np.repeat([[-1.0], [1.0]], 20, axis=0)
    weights = fit_logistic(features, features[:, 0] > 0)
    assert 2 < weights[1] < 20
