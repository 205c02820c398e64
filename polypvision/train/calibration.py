"""How often what is said is true: logistic weights, scores and curves that foretell shares."""

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression, minimize
from scipy.special import expit

from polypvision.segment.levels import Curve

RIDGE = 1e-4
"""Evidence is alike in parts, and may tell all apart: without, weights would grow without end."""
RIDGE_OF_TWO_LOOKS = 3e-3
"""A near and a wide look say the same twice: neither is to carry all. On 200 painted pictures, each
fifth judged by weights of the others, the loss is least from 0.001 to 0.003."""
_FOLDS = 3
_CURVE_GROUPS = 12


def fit_logistic(
    features: NDArray[np.float64], truth: NDArray[np.bool_], ridge: float = RIDGE
) -> NDArray[np.float64]:
    """Return weights (k + 1,) of 1 and k features that make the truth most likely.

    Parameters
    ----------
    features : ndarray (n, k)
    truth : ndarray (n,) of bool
    ridge : float
        What a weight's square costs, for a feature of unit standard deviation.
    """
    middle, spread = features.mean(axis=0), features.std(axis=0)
    spread = np.where(spread > 0, spread, 1.0)
    design = np.column_stack([np.ones(len(features)), (features - middle) / spread])
    sign = np.where(truth, 1.0, -1.0)

    def loss(weights: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        margin = sign * (design @ weights)
        small = np.append(0.0, weights[1:])
        value = np.logaddexp(0, -margin).mean() + ridge * (small @ small)
        slope = -(design * (sign * expit(-margin))[:, None]).mean(axis=0) + 2 * ridge * small
        return float(value), slope

    found = minimize(loss, np.zeros(design.shape[1]), jac=True, method="BFGS").x
    weights = found[1:] / spread
    return np.append(found[0] - weights @ middle, weights)


def log_odds(features: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the log-odds (n,) of features (n, k) by such weights."""
    return np.asarray(np.column_stack([np.ones(len(features)), features]) @ weights, np.float64)


def calibrate_score(
    evidence: NDArray[np.float64],
    right: NDArray[np.bool_],
    pictures: NDArray[np.int64],
    ridge: float = RIDGE,
) -> tuple[float, float]:
    """Return the shift and slope that make log-odds of being a polyp those found true.

    Each picture is judged by weights that the other two thirds set: one that is weighed by itself
    looks surer than it is.

    Parameters
    ----------
    evidence : ndarray (n, k)
    right : ndarray (n,) of bool
    pictures : ndarray (n,) of int
        From which picture each is.
    ridge : float
        As the weights are set with.
    """
    odds = np.empty(len(right))
    places = np.unique(pictures, return_inverse=True)[1]
    for fold in range(_FOLDS):
        out = places % _FOLDS == fold
        weights = fit_logistic(evidence[~out], right[~out], ridge)
        odds[out] = log_odds(evidence[out], weights)
    shift, slope = fit_logistic(odds[:, None], right)
    return float(shift), float(slope)


def two_mouths_curve(strengths: NDArray[np.float64], two: NDArray[np.bool_]) -> Curve:
    """Return how often discs have two mouths, by the strength (n,) of the second surest place.

    Discs without such a place are a group. All others are groups of equal parts, the mean of the
    part of all discs and of those with two mouths: most have one, and the curve is to be finest
    where it rises. Isotonic regression of their shares.
    """
    order = np.argsort(strengths, kind="stable")
    none = int(np.count_nonzero(strengths == 0))
    some = order[none:]
    parts = 1 / max(len(some), 1) + two[some] / max(int(two[some].sum()), 1)
    shares = np.cumsum(parts) / max(float(parts.sum()), 1e-9)
    ends = np.searchsorted(shares, np.arange(1, _CURVE_GROUPS) / _CURVE_GROUPS - 1e-9) + 1
    groups = [order[:none], *np.split(some, ends)]
    groups = [group for group in groups if len(group)]
    at = np.array([strengths[group].mean() for group in groups])
    weight = np.array([len(group) for group in groups], np.float64)
    # Half a case each way: nothing is sure for having never been seen (Jeffreys' rule).
    share = np.array([(two[group].sum() + 0.5) / (len(group) + 1) for group in groups])
    rising = isotonic_regression(share, weights=weight).x
    return Curve(strengths=at, probabilities=np.asarray(rising, np.float64))
