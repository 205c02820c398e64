"""Standard measures of tracking: how much must be mended in a found graph to get the true one."""

from collections.abc import Hashable, Mapping, Set
from dataclasses import dataclass
from typing import Literal

from polypvision.evaluate.scores import Detection

Edge = tuple[Hashable, Hashable]
Semantic = Literal["same", "parent"]
"""What an edge says: the same polyp on the next photo, or a parent and its child."""

_MISSING_NODE, _EXTRA_NODE = 10.0, 1.0
_MISSING_EDGE, _EXTRA_EDGE, _WRONG_SEMANTIC = 1.5, 1.0, 1.0
"""Weights of the cell tracking challenge's measures (Matula et al. 2015, PLoS ONE 10:e0144959).
Splitting one detection into two does not occur: a reading is matched to one polyp at most."""


@dataclass(frozen=True, kw_only=True)
class GraphScores:
    """What differs between a found graph and the true one.

    Attributes
    ----------
    nodes, edges : Detection
    wrong_semantics : int
        Edges in both that say "same" in the one and "parent" in the other.
    """

    nodes: Detection
    edges: Detection
    wrong_semantics: int

    @property
    def _node_cost(self) -> float:
        return _MISSING_NODE * self.nodes.fn + _EXTRA_NODE * self.nodes.fp

    @property
    def _edge_cost(self) -> float:
        return (
            _MISSING_EDGE * self.edges.fn
            + _EXTRA_EDGE * self.edges.fp
            + _WRONG_SEMANTIC * self.wrong_semantics
        )

    @property
    def aogm(self) -> float:
        """Acyclic oriented graph matching measure: weighted number of mendings."""
        return self._node_cost + self._edge_cost

    @property
    def tra(self) -> float:
        """Tracking accuracy: 1 for a perfect graph, 0 for one no better than none."""
        nothing = _MISSING_NODE * _true(self.nodes) + _MISSING_EDGE * _true(self.edges)
        return _share(self.aogm, nothing)

    @property
    def det(self) -> float:
        """Detection accuracy: the same of the nodes alone."""
        return _share(self._node_cost, _MISSING_NODE * _true(self.nodes))

    @property
    def lnk(self) -> float:
        """Linking accuracy: the same of the edges alone."""
        return _share(self._edge_cost, _MISSING_EDGE * _true(self.edges))


def _true(one: Detection) -> int:
    return one.tp + one.fn


def _share(cost: float, nothing: float) -> float:
    return 1 - min(cost, nothing) / nothing if nothing else float("nan")


def compare_graphs(
    found_nodes: Set[Hashable],
    true_nodes: Set[Hashable],
    found_edges: Mapping[Edge, Semantic],
    true_edges: Mapping[Edge, Semantic],
) -> GraphScores:
    """Return what differs; nodes and edges that are the same thing have the same name in both.

    An extra edge counts only between nodes that are there: removing an extra node removes its
    edges.
    """
    both = found_nodes & true_nodes
    common = found_edges.keys() & true_edges.keys()
    extra = [one for one in found_edges.keys() - true_edges.keys() if set(one) <= both]
    return GraphScores(
        nodes=Detection(tp=len(both), fp=len(found_nodes - both), fn=len(true_nodes - both)),
        edges=Detection(
            tp=len(common), fp=len(extra), fn=len(true_edges.keys() - found_edges.keys())
        ),
        wrong_semantics=sum(found_edges[one] != true_edges[one] for one in common),
    )


def branching_correctness(divisions: Detection) -> float:
    """Return the mitotic branching correctness, TP / (TP + FP + FN); NaN without any division
    (Ulicna et al. 2021, Front Comput Sci 3:734559)."""
    whole = divisions.tp + divisions.fp + divisions.fn
    return divisions.tp / whole if whole else float("nan")
