"""Individuals against truth: who was taken for whom, and which divisions were found.

A plate through time is a graph: every polyp on every photo is a node, and an edge leads to the
same polyp on the next photo it is on, or from a parent to its child. Comparing edges does not ask
whether a parent keeps its name when it divides.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from polypvision.evaluate.graphs import GraphScores, Semantic, compare_graphs
from polypvision.evaluate.scores import Detection, Scores
from polypvision.evaluate.truth import truth_photos

Node = tuple[str, str]
"""Hash of the photo, and the polyp's name in truth (of a polyp that is not there: its label)."""
Edge = tuple[Node, Node]


@dataclass(frozen=True, kw_only=True)
class TrackScores:
    """One plate through time.

    Attributes
    ----------
    polyps : Detection
        Nodes.
    links : Detection
        Edges: the same polyp on the next photo, or parent to child.
    switches : int
        Edges found that join two polyps which are not one and the same: identities switched.
    breaks : int
        Edges there between two polyps that were both found, but not joined.
    divisions : Detection
        Nodes with two edges onward or more, to the same polyps in both.
    graph : GraphScores
        The two graphs by the standard measures. An edge to a child is of another kind than one to
        the same polyp only where it divided: it does not matter which half keeps the name.
    """

    polyps: Detection
    links: Detection
    switches: int
    breaks: int
    divisions: Detection
    graph: GraphScores


def _edges(
    places: Mapping[str, Sequence[tuple[int, Node]]], parents: Mapping[str, Sequence[str]]
) -> set[Edge]:
    """Return the edges of individuals, given their nodes in order with the photo's number."""
    edges: set[Edge] = set()
    for name, nodes in places.items():
        edges |= {(a, b) for (_, a), (_, b) in pairwise(nodes)}
        if not nodes:
            continue
        first_photo, first = nodes[0]
        for parent in parents.get(name, ()):
            before = [node for photo, node in places.get(parent, ()) if photo < first_photo]
            if before:
                edges.add((before[-1], first))
    return edges


def _divisions(edges: set[Edge]) -> dict[Node, set[Node]]:
    onward: dict[Node, set[Node]] = {}
    for start, end in edges:
        onward.setdefault(start, set()).add(end)
    return {node: ends for node, ends in onward.items() if len(ends) >= 2}


def _semantics(edges: set[Edge]) -> dict[tuple[Hashable, Hashable], Semantic]:
    parts = _divisions(edges)
    return {one: "parent" if one[0] in parts else "same" for one in edges}


def _compare(found: set[Any], true: set[Any]) -> Detection:
    both = len(found & true)
    return Detection(tp=both, fp=len(found) - both, fn=len(true) - both)


def score_tracks(
    tracks: Mapping[str, Any],
    scores: Scores,
    truth: Sequence[Mapping[str, Any]],
    parents: Mapping[str, Sequence[str]] | None = None,
) -> TrackScores:
    """Return how well the polyps of one plate were followed.

    Parameters
    ----------
    tracks : mapping
        The record of one plate, as `polypvision.track.to_record` makes it.
    scores : Scores
        Of the readings that were tracked, against the same truth.
    truth : sequence of mapping
        Records whose polyps have a ``name`` that stays the same through time.
    parents : mapping of str to sequence of str, optional
        True name of a polyp to the names of those it came from.
    """
    order = {str(photo["sha256"]): number for number, photo in enumerate(tracks["photos"])}
    sha_of = {photo.photo: photo.sha256 for photo in scores.photos}
    name_of = {
        (sha_of[pair.photo], pair.label): pair.name
        for pair in scores.pairs
        if sha_of[pair.photo] in order
    }

    found_places: dict[str, list[tuple[int, Node]]] = {}
    for individual in tracks["individuals"]:
        places = found_places.setdefault(str(individual["name"]), [])
        for seen in individual["observations"]:
            key = (str(seen["sha256"]), int(seen["label"]))
            places.append((order[key[0]], (key[0], name_of.get(key, f"label {key[1]}"))))
    found_parents = {str(one["name"]): one["parents"] for one in tracks["individuals"]}

    true_places: dict[str, list[tuple[int, Node]]] = {}
    for photo in truth_photos(truth):
        sha = sha_of.get(photo.photo, "")
        if sha in order:
            for polyp in photo.polyps:
                true_places.setdefault(polyp.name, []).append((order[sha], (sha, polyp.name)))
    for places in (*found_places.values(), *true_places.values()):
        places.sort()

    found, true = _edges(found_places, found_parents), _edges(true_places, parents or {})
    matched = {(sha, name) for (sha, _), name in name_of.items()}
    found_divisions, true_divisions = _divisions(found), _divisions(true)
    found_nodes = {node for places in found_places.values() for _, node in places}
    true_nodes = {node for places in true_places.values() for _, node in places}
    return TrackScores(
        polyps=_compare(found_nodes, true_nodes),
        links=_compare(found, true),
        # A link over a photo on which the polyp was missed joins one and the same polyp.
        switches=sum({a, b} <= matched and a[1] != b[1] for a, b in found - true),
        breaks=sum({a, b} <= matched for a, b in true - found),
        divisions=_compare(
            {(node, frozenset(ends)) for node, ends in found_divisions.items()},
            {(node, frozenset(ends)) for node, ends in true_divisions.items()},
        ),
        graph=compare_graphs(found_nodes, true_nodes, _semantics(found), _semantics(true)),
    )
