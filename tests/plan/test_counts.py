import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from polypvision.plan.counts import CountTally, count_law, interval


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


@pytest.mark.parametrize("n", [300, 3000])
def test_many_pieces_have_the_law_of_scipy(n: int) -> None:
    """Against `scipy.stats.poisson_binom`, world by world."""
    rng = np.random.default_rng(n)
    chances = np.clip(rng.random((n, 1, 1)) + np.array([-0.4, 0.0, 0.5])[None, :, None], 0, 1)
    numbers = np.arange(n + 1)
    expected = np.mean(
        [stats.poisson_binom(chances[:, world, 0]).pmf(numbers) for world in range(3)], axis=0
    )
    (law,) = count_law(chances)
    assert law == pytest.approx(expected, abs=1e-12)
    assert law.sum() == pytest.approx(1.0, abs=1e-12)


def test_many_pieces_that_are_all_but_sure() -> None:
    """Nearly no spread, and far from the middle: what is added comes from the binomial law."""
    chances = np.concatenate([np.ones((5000, 2, 1)), np.full((400, 2, 1), 0.001)])
    (law,) = count_law(chances)
    assert law[5000:] == pytest.approx(stats.binom.pmf(np.arange(401), 400, 0.001), abs=1e-12)
    assert interval(law) == (5000, 5002)  # 0, 1 or 2 of 400: 0.992; 0 or 1 only 0.939.


@given(
    parts=st.lists(st.integers(0, 400), min_size=1, max_size=4), expected=st.sampled_from([0, 900])
)
def test_in_how_many_parts_they_are_added_changes_nothing(parts: list[int], expected: int) -> None:
    chances = np.random.default_rng(0).random((sum(parts), 2, 2))
    tally, at = CountTally(expected), 0
    for part in parts:
        tally.add(chances[at : at + part])
        at += part
    assert tally.n == sum(parts)
    assert tally.law() == pytest.approx(count_law(chances), abs=1e-12)
