import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypvision.track.assign import assign, reading_order


@pytest.mark.parametrize(
    ("cost", "columns", "total"),
    [
        # Worked examples of the assignment problem (Kuhn 1955, Naval Research Logistics Quarterly
        # 2:83-97, treats the method), totals checked with scipy.optimize.linear_sum_assignment.
        ([[4, 1, 3], [2, 0, 5], [3, 2, 2]], [1, 0, 2], 5),
        ([[250, 400, 350], [400, 600, 350], [200, 400, 250]], [1, 2, 0], 950),
        # A greedy choice takes the 1 first and pays 101.
        ([[1, 2], [2, 100]], [1, 0], 4),
    ],
)
def test_worked_examples(cost: list[list[float]], columns: list[int], total: float) -> None:
    matrix = np.array(cost, dtype=np.float64)
    links = assign(matrix, np.inf)
    assert [column for _, column in links] == columns
    assert sum(matrix[link] for link in links) == total


def test_gated_linking() -> None:
    # Three points and four on the next date, one far away (own example, checked by hand).
    before = np.array([[10, 10], [30, 10], [50, 10]], dtype=np.float64)
    after = np.array([[29, 11], [52, 10], [11, 9], [80, 80]], dtype=np.float64)
    distance = np.linalg.norm(before[:, None] - after[None], axis=2)
    links = assign(np.where(distance <= 10, distance, np.inf), np.inf)
    assert links == [(0, 2), (1, 0), (2, 1)]
    lengths = [float(distance[link]) for link in links]
    assert lengths == pytest.approx([1.4142, 1.4142, 2.0], abs=5e-5)


def test_a_link_dearer_than_leaving_both_is_not_made() -> None:
    cost = np.array([[0.2, 3.0], [3.0, 2.5]])
    assert assign(cost, 2.0) == [(0, 0)]
    assert assign(cost, 3.0) == [(0, 0), (1, 1)]


def test_one_good_link_beats_two_poor_ones() -> None:
    # Both chains allowed: 0 alone against 0.95 + 0.95 with 1.75 for an unmatched pair.
    cost = np.array([[0.95, np.inf], [0.0, 0.95]])
    assert assign(cost, 1.75) == [(1, 0)]


def test_nothing_to_link() -> None:
    assert assign(np.zeros((0, 3)), 1.0) == []
    assert assign(np.zeros((3, 0)), 1.0) == []
    assert assign(np.full((2, 2), np.inf), np.inf) == []


def test_exact_ties_go_to_the_lower_row_and_keep_the_order() -> None:
    assert assign(np.full((3, 1), 0.5), 1.0) == [(0, 0)]
    assert assign(np.full((4, 4), 0.5), 1.0) == [(n, n) for n in range(4)]


@given(
    st.integers(1, 5),
    st.integers(1, 5),
    st.floats(0.1, 2.0),
    st.integers(0, 2**32 - 1),
)
def test_no_other_set_of_links_is_cheaper(n: int, m: int, leave: float, seed: int) -> None:
    """Against trying out every possibility."""
    cost = np.random.default_rng(seed).uniform(0, 2, (n, m))

    def cheapest(row: int, free: frozenset[int]) -> float:
        if row == n:
            return 0.0
        skip = cheapest(row + 1, free)
        return min(
            [skip]
            + [float(cost[row, c]) - leave + cheapest(row + 1, free - {c}) for c in sorted(free)]
        )

    links = assign(cost, leave)
    got = sum(cost[link] - leave for link in links)
    assert got == pytest.approx(cheapest(0, frozenset(range(m))), abs=1e-6)


def test_reading_order_is_rows_from_the_top() -> None:
    # Two wavy rows of three; discs of 20 mm.
    points = np.array([[50.0, 44], [10, 12], [90, 8], [12, 40], [52, 10], [88, 47]])
    assert reading_order(points, np.full(6, 20.0)).tolist() == [1, 4, 2, 3, 0, 5]
    assert reading_order(np.zeros((0, 2)), np.zeros(0)).tolist() == []
