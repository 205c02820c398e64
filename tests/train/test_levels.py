import numpy as np
import pytest

from polypvision.train.levels import fit_logistic


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
