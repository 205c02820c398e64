"""Brier score, reliability and calibration error against a library and a worked example."""

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from polypvision.evaluate.probabilities import (
    Claims,
    brier_score,
    calibration_error,
    probabilities_lines,
    probabilities_record,
    reliability,
    score_probabilities,
)


def _said(n: int, power: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(8)
    said = rng.random(n)
    return said, rng.random(n) < said**power


def test_brier_score_is_the_library_s() -> None:
    said, true = _said(500)
    assert brier_score(said, true) == pytest.approx(brier_score_loss(true, said))


def test_brier_score_of_a_worked_example() -> None:
    # Four days of 'rain with 70 %' and so on; worked by hand from Brier's (1950) definition for one
    # of two classes: (0.7 - 1)^2, (0.3 - 0)^2, (0.9 - 1)^2, (0.6 - 0)^2 are 0.09, 0.09, 0.01, 0.36.
    assert brier_score([0.7, 0.3, 0.9, 0.6], [1, 0, 1, 0]) == pytest.approx(0.55 / 4)


def test_bins_are_the_library_s_of_equal_number() -> None:
    said, true = _said(1000, power=2.0)
    share, mean = calibration_curve(true, said, n_bins=10, strategy="quantile")
    found = reliability(said, true)
    assert [one.said for one in found] == pytest.approx(mean)
    assert [one.share for one in found] == pytest.approx(share)
    # Hence the library's curve gives the same error; all bins hold 100.
    assert calibration_error(said, true) == pytest.approx(np.mean(np.abs(share - mean)))


def test_error_is_small_where_what_is_said_holds_and_large_where_not() -> None:
    assert calibration_error(*_said(20_000)) < 0.015
    # True is said^2: the mean of |p - p^2| over 0 to 1 is 1/2 - 1/3.
    assert calibration_error(*_said(20_000, power=2.0)) == pytest.approx(1 / 6, abs=0.015)


def test_interval_of_a_share_is_wilson_s() -> None:
    # Newcombe 1998 (Statistics in Medicine 17:857-872), 15 of 148, score method without correction:
    # 0.0624 to 0.1605 (from memory).
    [one] = reliability(np.full(148, 0.1), np.arange(148) < 15, bins=1)
    assert (one.low, one.high) == pytest.approx((0.0624, 0.1605), abs=5e-5)


def test_claims_of_nothing_are_unknown() -> None:
    none = Claims(before=np.zeros(0), after=np.zeros(0), true=np.zeros(0, bool))
    scores = {"polyp": {"plates": none}, "two-mouths": {"plates": none}}
    record = probabilities_record(scores)
    assert record["polyp"]["plates"]["n"] == 0
    assert record["polyp"]["plates"]["after"]["brier"] is None
    assert "nan" in probabilities_lines(scores)[-1]


def test_pictures_are_read_and_judged() -> None:
    scores = score_probabilities(1, seed=11, groups=("held-out close-ups",))
    claims = scores["polyp"]["held-out close-ups"]
    assert len(claims.true) > 0
    assert ((claims.before >= 0.6) & (claims.before <= 1)).all()
    assert ((claims.after >= 0) & (claims.after <= 1)).all()
