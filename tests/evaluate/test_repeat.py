"""Readings of one plate against each other, and against a person's measurements."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from time_builders import START, make_polyp, make_reading

from polypvision.evaluate.by_hand import Both, HandMeasurement, compare_by_hand, hand_lines
from polypvision.evaluate.repeat import (
    compare_repeats,
    repeats_lines,
    repeats_record,
    repeats_rows,
)
from polypvision.reading import PlateReading

PLACES = [(20, 20), (50, 20), (80, 20), (20, 55), (50, 60), (80, 55)]


def shot(seed: int, sd_mm: float, *, shift: float = 0.0, lost: int | None = None) -> PlateReading:
    """The same six polyps with chance errors of the diameter."""
    rng = np.random.default_rng(seed)
    polyps = [
        make_polyp(n + 1, x + shift, y, 15 + 2 * n + rng.normal(0, sd_mm))
        for n, (x, y) in enumerate(PLACES)
        if n != lost
    ]
    return make_reading(0, polyps)


def test_readings_repeat_as_well_as_they_were_made_to() -> None:
    found = compare_repeats([shot(seed, 0.3) for seed in range(30)])
    assert len(found.polyps) == found.n_everywhere == 6
    diameter = found.sizes["diameter_mm"]
    assert diameter.freedom == 6 * 29
    assert diameter.sd_ci[0] <= 0.3 <= diameter.sd_ci[1]
    assert found.sizes["count"].sd == found.sizes["n_mouths"].sd == 0.0
    assert found.sizes["wound_mm2"].n == 0


def test_a_card_that_was_moved_and_a_polyp_that_was_overlooked() -> None:
    found = compare_repeats([shot(1, 0.1), shot(2, 0.1, shift=9.0), shot(3, 0.1, lost=4)])
    assert len(found.polyps) == 6
    assert found.n_everywhere == 5
    # Two counts of 6 and one of 5.
    assert found.sizes["count"].sd == pytest.approx(np.std([6, 6, 5], ddof=1))
    assert found.sizes["diameter_mm"].sd < 0.3
    record = repeats_record(found)
    assert record["sizes"]["wound_mm2"]["sd"] is None
    assert len(repeats_rows(found)) == 6


def test_what_is_cut_by_the_edge_says_nothing() -> None:
    cut = [make_polyp(1, 20, 20, 12 + 3 * n, flags=("touches-edge",)) for n in range(3)]
    found = compare_repeats([make_reading(0, [one]) for one in cut])
    assert found.sizes["diameter_mm"].n == 0


def test_photos_of_different_days_are_doubted() -> None:
    first, second = shot(1, 0.1), shot(2, 0.1)
    later = replace(second, facts=replace(second.facts, taken_at=START + timedelta(days=2)))
    [_, *more] = repeats_lines(compare_repeats([first, later]))
    assert any("open and close" in line for line in more)
    with pytest.raises(ValueError, match="two"):
        compare_repeats([first])


def test_the_machine_against_hands() -> None:
    rng = np.random.default_rng(3)
    lines = [
        Both(
            hand=HandMeasurement(row=n, polyp=str(n), diameter_mm=float(10 + n), mouths=1 + n // 8),
            polyp=make_polyp(n, 10, 10, 10.5 + n + rng.normal(0, 0.2), n_mouths=1 + n // 7),
        )
        for n in range(1, 11)
    ]
    found = compare_by_hand([*lines, Both(hand=HandMeasurement(row=11, count=12), count=10)])
    diameter = found.quantities["diameter_mm"]
    assert diameter.limits.bias_ci[0] < 0.5 < diameter.limits.bias_ci[1]
    assert 0.97 < diameter.icc.value < 1
    # Seven have one mouth by hand, six by machine, all machine's ones among them.
    assert found.mouths[1, 1] == 6
    assert found.mouths[2, 1] == 1
    # po 0.9; chance 0.6 x 0.7 + 0.4 x 0.3 = 0.54.
    assert found.kappa == pytest.approx((0.9 - 0.54) / (1 - 0.54))
    assert found.quantities["count"].limits.bias == -2.0
    text = "\n".join(hand_lines(found))
    assert "ICC(2,1)" in text
    assert "Mouths: 9 of 10 agree" in text
    assert "Polyps on a photo: 1, too few" in text
