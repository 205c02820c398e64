"""Agreement and repeatability against published tables."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypvision.evaluate.comparisons import icc_2_1, mean_squares, repeatability

# Peak expiratory flow rate, l/min, 17 people, both readings by each of two meters (Bland & Altman
# 1986, Lancet i:307-310, table 1).
LARGE = (
    (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427),
    (490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421),
)
MINI = (
    (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451),
    (525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443),
)
# Six targets, four judges (Shrout & Fleiss 1979, Psychol Bull 86:420-428, table 2).
JUDGED = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
)


@pytest.mark.parametrize(("both", "published"), [(LARGE, 43.2), (MINI, 56.4)])
def test_repeatability_as_published(both: tuple[tuple[int, ...], ...], published: float) -> None:
    found = repeatability(list(zip(*both, strict=True)))
    assert (found.n, found.freedom) == (17, 17)
    # Their coefficient of repeatability is 2 SD of the differences, and that SD is sqrt(2) times
    # the one within persons. They rounded on the way: 43.29 and 56.32 without.
    assert 2 * np.sqrt(2) * found.sd == pytest.approx(published, abs=0.2)
    assert found.detectable == pytest.approx(1.96 / 2 * published, abs=0.2)
    assert found.sd_ci[0] < found.sd < found.sd_ci[1]


def test_the_interval_of_a_repeatability_holds_the_truth() -> None:
    rng = np.random.default_rng(5)
    draws = [repeatability(rng.normal(20, 0.3, (8, 4)).tolist()) for _ in range(600)]
    held = np.mean([one.sd_ci[0] <= 0.3 <= one.sd_ci[1] for one in draws])
    assert held == pytest.approx(0.95, abs=0.03)


def test_mean_squares_and_icc_as_published() -> None:
    ms = mean_squares(JUDGED)
    # Their table 3.
    assert (ms.between, ms.within, ms.ways, ms.residual) == pytest.approx(
        (11.24, 6.26, 32.49, 1.02), abs=0.005
    )
    found = icc_2_1(JUDGED)
    # Their table 4: ICC(2,1) = .29. The interval as two statistics packages print it for these
    # data, .019 to .761 (from memory).
    assert found.value == pytest.approx(0.29, abs=0.005)
    assert found.value == pytest.approx(0.2898, abs=1e-4)
    assert found.ci == pytest.approx((0.019, 0.761), abs=0.002)


def test_icc_where_nothing_can_be_said() -> None:
    assert np.isnan(icc_2_1(np.empty((0, 2))).value)
    assert np.isnan(icc_2_1(np.array([[1.0, 2.0]])).value)
    assert np.isnan(icc_2_1(np.ones((3, 2))).value)
    alike = icc_2_1(np.array([[1.0, 1.0], [2.0, 2.0]]))
    assert alike.value == 1.0
    assert np.isnan(alike.ci[0])


def test_too_few_repeat_nothing() -> None:
    found = repeatability([[3.0], []])
    assert found.n == 0
    assert np.isnan(found.detectable)


@given(st.lists(st.lists(st.floats(1, 50), min_size=2, max_size=4), min_size=1, max_size=6))
def test_a_shift_of_every_thing_changes_no_repeatability(readings: list[list[float]]) -> None:
    moved = [[value + 7.0 * n for value in one] for n, one in enumerate(readings)]
    assert repeatability(moved).sd == pytest.approx(repeatability(readings).sd, abs=1e-6)
