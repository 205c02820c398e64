"""Stated uncertainties on a few drawn plates; DEVELOPERS.md has the figures of 300."""

from dataclasses import replace

import numpy as np
import pytest

from polypvision.evaluate.uncertainty import (
    Measured,
    TrialResult,
    UncertaintyScores,
    random_trial,
    score_uncertainty,
    uncertainty_lines,
    uncertainty_record,
)


@pytest.fixture(scope="module")
def scores() -> UncertaintyScores:
    return score_uncertainty(3, seed=3)


def test_intervals_hold_and_corrections_help(scores: UncertaintyScores) -> None:
    record = uncertainty_record(scores)
    assert record["plates"] == 3
    assert record["polyps"] > 10
    # All polyps of a plate share its scale, so three plates are little more than three draws.
    pulls = np.array([one.pull for one in scores.measured])
    assert np.sqrt(np.mean(pulls**2)) < 2.0
    assert record["diameter_rms_percent"] < 0.6 * record["plain_diameter_rms_percent"]
    assert record["diameter_u_percent_good"] < 1.5


def test_plates_are_the_same_for_a_seed_and_others_for_another() -> None:
    one, again, other = random_trial(5), random_trial(5), random_trial(6)
    assert one.scene == again.scene
    assert one.settings == again.settings
    assert one.scene != other.scene


def test_trials_are_as_hard_as_they_should_be() -> None:
    trials = [random_trial(seed).scene for seed in range(12)]
    assert max(t.camera.tilt_deg for t in trials) > 30
    assert max(t.disc_height_mm for t in trials) > 20
    assert max(t.water_depth_mm for t in trials) > 90
    assert any(t.camera.k1 for t in trials)
    # One small card, and the plate beyond its end.
    assert all(t.card == "small" and t.plate_x_mm > 85.6 for t in trials)


def _measured(**changes: float) -> Measured:
    base = Measured(
        x_mm=100.0,
        y_mm=0.0,
        diameter_mm=10.1,
        diameter_mm_err=0.1,
        true_diameter_mm=10.0,
        wound_mm2=5.0,
        wound_mm2_err=1.0,
        true_wound_mm2=8.0,
        plain_diameter_mm=10.5,
        parts_mm={"outline": 0.1},
        flags=("wound",),
        good=True,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def test_figures_by_hand() -> None:
    found = (_measured(), _measured(diameter_mm=10.3), _measured(diameter_mm=9.9))
    scores = UncertaintyScores(
        trials=(TrialResult(plate={}, measured=found), TrialResult(plate={}, refusal="blurred"))
    )
    record = uncertainty_record(scores)
    # 1, 3 and -1 standard uncertainties off: two of three within 1.96.
    assert record["diameter_holds"] == pytest.approx(2 / 3)
    assert record["wound_holds"] == 0
    assert record["diameter_bias_percent"] == pytest.approx(1.0)
    assert record["plain_diameter_bias_percent"] == pytest.approx(5.0)
    lines = uncertainty_lines(scores)
    assert lines[0] == "2 plates (1 refused), 3 polyps, 3 wounds"
    assert any("left out" in line and "+5.00" in line for line in lines)
