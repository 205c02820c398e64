import numpy as np
import pytest
from scipy import stats

from polypvision.plan.counts import count_law, interval


def test_equal_chances_give_the_binomial_law() -> None:
    law = count_law(np.full((9, 1, 1), 0.3))
    assert law[0] == pytest.approx(stats.binom.pmf(np.arange(10), 9, 0.3))


def test_unequal_chances_give_the_poisson_binomial_law() -> None:
    # Three pieces, by hand.
    law = count_law(np.array([0.5, 0.2, 1.0]).reshape(3, 1, 1))
    assert law[0] == pytest.approx([0.0, 0.4, 0.5, 0.1])


def test_worlds_widen_the_law() -> None:
    # In one world all live, in the other none does.
    law = count_law(np.array([[[1.0], [0.0]]] * 6))
    assert law[0] == pytest.approx([0.5, 0, 0, 0, 0, 0, 0.5])
    assert interval(law[0]) == (0, 6)


def test_the_interval_is_the_shortest_that_holds_enough() -> None:
    law = stats.binom.pmf(np.arange(21), 20, 0.4)
    low, high = interval(law)
    assert law[low : high + 1].sum() >= 0.95
    width = high - low
    assert all(law[n : n + width].sum() < 0.95 for n in range(21 - width))
    assert interval(np.array([0.0, 1.0])) == (1, 1)


def test_no_piece_is_none() -> None:
    assert count_law(np.empty((0, 4, 2))).tolist() == [[1.0], [1.0]]
