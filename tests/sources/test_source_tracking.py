"""Measures of tracking and linking against worked examples."""

import numpy as np
import pytest

from polypvision.evaluate.graphs import branching_correctness, compare_graphs
from polypvision.evaluate.scores import Detection


def test_tracking_accuracy_of_a_missed_division() -> None:
    """Truth 1-2, 2 divides into 3 and 4, 3-5, 4-6; found 1-2-3-5, a lone 4 and a stray one.

    Weights of Matula et al. 2015 (PLoS ONE 10:e0144959). Worked with an independent cell-tracking
    library (traccuracy 0.4.3), which prints AOGM 15, TRA 0.777778, DET 0.816667, linking 0.466667:
    the edge 2-3 is there but should lead to a child, which a total by hand forgets easily.
    """
    scores = compare_graphs(
        {1, 2, 3, 4, 5, "stray"},
        {1, 2, 3, 4, 5, 6},
        {(1, 2): "same", (2, 3): "same", (3, 5): "same"},
        {(1, 2): "same", (2, 3): "parent", (2, 4): "parent", (3, 5): "same", (4, 6): "same"},
    )
    assert scores.aogm == 15
    assert scores.tra == pytest.approx(0.777778, abs=5e-7)
    assert scores.det == pytest.approx(0.816667, abs=5e-7)
    assert scores.lnk == pytest.approx(0.466667, abs=5e-7)
    assert scores.nodes.f1 == pytest.approx(0.833333, abs=5e-7)
    assert scores.edges.precision == 1
    assert scores.edges.recall == pytest.approx(0.6)
    assert scores.edges.f1 == pytest.approx(0.75)


def test_a_perfect_graph_and_none_at_all() -> None:
    nodes, edges = {1, 2, 3}, {(1, 2): "same", (2, 3): "same"}
    assert compare_graphs(nodes, nodes, edges, edges).tra == 1  # type: ignore[arg-type]
    assert compare_graphs(set(), nodes, {}, edges).tra == 0  # type: ignore[arg-type]
    assert np.isnan(compare_graphs(set(), set(), {}, {}).tra)


def test_branching_correctness_is_the_share_of_all_divisions_told_or_there() -> None:
    # Ulicna et al. 2021 (Front Comput Sci 3:734559): TP / (TP + FP + FN).
    assert branching_correctness(Detection(tp=6, fp=2, fn=2)) == 0.6
    assert branching_correctness(Detection(fn=1)) == 0
    assert np.isnan(branching_correctness(Detection()))
