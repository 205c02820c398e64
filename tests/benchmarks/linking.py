"""Who is who through time: ours against a linking library, in one run and one table.

Run it with ``python tests/benchmarks/linking.py [SERIES]`` (laptrack must be installed: pip install
laptrack). Each way follows the same invented series; identity kept, F1 of divisions, losses and
births, what became of pieces that changed places, and seconds are printed. It tests nothing.

The library (laptrack, BSD-3; linear assignment with gap closing and splitting after Jaqaman et al.
2008, Nature Methods 5:695-702) is given the same scaled differences that ours uses: once with the
places as read, once with the plate's own motion already removed by ours.
"""

import sys
import warnings
from collections import defaultdict
from collections.abc import Callable, Sequence
from time import perf_counter

import networkx as nx
import numpy as np
from laptrack import LapTrack
from numpy.typing import NDArray

from polypvision.evaluate.follow import Follow, FollowScores, score_following
from polypvision.events import SeenEvent, SeenKind
from polypvision.reading import PlateReading
from polypvision.render.series import SeriesSettings, simulate_series
from polypvision.track import (
    Individual,
    PlateMotion,
    PlateTracks,
    TrackedPhoto,
    TrackSettings,
    days_between,
    link_readings,
)
from polypvision.track.assign import assign

Node = tuple[int, int]
CASES = {
    "plain": SeriesSettings(turned_share=0.0),
    "any turn in 30 %": SeriesSettings(),
    "twice the mistakes": SeriesSettings(missed_rate=0.02, false_rate=0.01),
    "2 pieces change places": SeriesSettings(rearranged_at=4, n_rearranged=2),
    "3 pieces change places": SeriesSettings(rearranged_at=4, n_rearranged=3),
    "6 pieces change places": SeriesSettings(rearranged_at=4, n_rearranged=6),
}
WORKED = {
    # Assignment totals: hand-checked, and scipy's documentation for the second.
    "3 x 3": ([[4, 1, 3], [2, 0, 5], [3, 2, 2]], 5),
    "3 x 3, large": ([[250, 400, 350], [400, 600, 350], [200, 400, 250]], 950),
    "greedy trap": ([[1, 2], [2, 100]], 4),
}


def by_library(readings: Sequence[PlateReading], places: list[NDArray[np.float64]]) -> PlateTracks:
    """Return tracks by the library, of polyps at these places."""
    limits = TrackSettings()
    scale = limits.reach_mm(7) / 3
    coords = [
        np.column_stack(
            [
                xy / scale,
                np.log([p.diameter_mm for p in reading.polyps]) / (limits.size_sigma + 0.03),
                np.array([p.colour_lab for p in reading.polyps]) / limits.colour_sigma,
            ]
        )
        for reading, xy in zip(readings, places, strict=True)
    ]
    tracker = LapTrack(
        cutoff=limits.unmatched_cost,
        gap_closing_cutoff=limits.unmatched_cost,
        gap_closing_max_frame_count=2,
        splitting_metric=lambda a, b: float(((a[:2] - b[:2]) ** 2).sum()),
        splitting_cutoff=(10 / scale) ** 2,
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        tree = tracker.predict(coords)
    return _tracks(tree, readings)


def _tracks(tree: nx.Graph, readings: Sequence[PlateReading]) -> PlateTracks:
    """Return the library's tree as tracks, with the events that follow from it."""
    nodes = [(f, n) for f, reading in enumerate(readings) for n in range(reading.n_polyps)]
    onward: dict[Node, list[Node]] = defaultdict(list)
    before: dict[Node, Node] = {}
    for a, b in tree.edges:
        first, second = sorted(((int(a[0]), int(a[1])), (int(b[0]), int(b[1]))))
        onward[first].append(second)
        before[second] = first
    name: dict[Node, str] = {}
    parents: dict[str, str] = {}
    for node in nodes:
        source = before.get(node)
        if source is not None and len(onward[source]) == 1:
            name[node] = name[source]
        else:
            name[node] = f"P{len(set(name.values())) + 1:02d}"
            if source is not None:
                parents[name[node]] = name[source]
    when = [reading.taken_at for reading in readings if reading.taken_at is not None]
    seen: dict[str, list[Node]] = defaultdict(list)
    for node in nodes:
        seen[name[node]].append(node)
    events: list[tuple[SeenKind, int, tuple[str, ...]]] = []
    divided: dict[str, list[str]] = defaultdict(list)
    for child, parent in parents.items():
        divided[parent].append(child)
    for who, places in seen.items():
        begun, last = places[0][0], places[-1][0]
        if who in divided:
            events.append(("divided", seen[divided[who][0]][0][0], (who, *divided[who])))
        elif last < len(readings) - 1:
            events.append(("lost", last + 1, (who,)))
        if begun > 0 and who not in parents:
            events.append(("new", begun, (who,)))
    return PlateTracks(
        plate=readings[0].plate,
        photos=tuple(
            TrackedPhoto(
                reading=reading,
                taken_at=when[f],
                day=days_between(when[0], when[f]),
                motion=PlateMotion(),
                names={p.label: name[f, n] for n, p in enumerate(reading.polyps)},
            )
            for f, reading in enumerate(readings)
        ),
        individuals=tuple(Individual(name=who, observations=()) for who in seen),
        events=tuple(
            SeenEvent(
                at=when[index], after=None, kind=kind, individuals=who, confidence=1.0, evidence=""
            )
            for kind, index, who in events
        ),
    )


def library_as_read(readings: Sequence[PlateReading]) -> PlateTracks:
    """The library on places as read."""
    places = [np.array([[p.x_mm, p.y_mm] for p in one.polyps]) for one in readings]
    return by_library(readings, places)


def library_after_motion(readings: Sequence[PlateReading]) -> PlateTracks:
    """The library on places with the plate's own motion removed by ours, whose time counts too."""
    motions = [photo.motion for photo in link_readings(readings).photos]
    places = [
        motion.apply(np.array([[p.x_mm, p.y_mm] for p in one.polyps]))
        for motion, one in zip(motions, readings, strict=True)
    ]
    return by_library(readings, places)


WAYS: dict[str, Follow] = {
    "polypvision": link_readings,
    "laptrack, as read": library_as_read,
    "laptrack, our motion": library_after_motion,
}


def library_total(cost: NDArray[np.float64]) -> float:
    """Return the library's total for an assignment problem, given as distances."""

    def distance(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
        return float(cost[int(a[0]), int(b[0])])

    tracker = LapTrack(
        metric=distance,
        cutoff=1e6,
        gap_closing_cutoff=False,
        track_start_cost=1e5,
        track_end_cost=1e5,
    )
    index = np.arange(len(cost), dtype=np.float64)[:, None]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        tree = tracker.predict([index, index])
    return float(sum(cost[sorted((tuple(a), tuple(b)))[0][1], max(a, b)[1]] for a, b in tree.edges))


def worked_examples() -> None:
    """Print both ways on the worked examples."""
    print("| worked example | right | polypvision | laptrack |\n|---|---|---|---|")
    for name, (cost, right) in WORKED.items():
        matrix = np.array(cost, dtype=np.float64)
        ours = sum(matrix[link] for link in assign(matrix, np.inf))
        print(f"| {name} | {right} | {ours:.0f} | {library_total(matrix):.0f} |")


def followed(follow: Callable[..., PlateTracks], settings: SeriesSettings, count: int) -> str:
    """Return one row of the table."""
    total, seconds = FollowScores(), 0.0
    for number in range(count):
        series = simulate_series(np.random.default_rng([11, number]), settings)
        start = perf_counter()
        tracks = follow(series.readings)
        seconds += perf_counter() - start
        total = total + score_following(series, tracks)
    figures = (total.divisions.f1, total.losses.f1, total.births.f1)
    return (
        f"{100 * total.kept_share:.2f} | {total.switched} | "
        + " | ".join(f"{one:.3f}" for one in figures)
        + f" | {total.found_again}, {total.asked_about}, {total.begun_anew}, {total.silent}"
        + f" | {seconds / count:.2f}"
    )


def main(count: int) -> None:
    """Print the tables."""
    worked_examples()
    heads = ["series", "way", "identity kept %", "taken for another", "divisions F1", "losses F1"]
    heads += ["births F1", "changed places: known, asked, anew, silent", "seconds a series"]
    print(f"\n| {' | '.join(heads)} |\n|{'---|' * len(heads)}")
    for case, settings in CASES.items():
        for way, follow in WAYS.items():
            print(f"| {case} | {way} | {followed(follow, settings, count)} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
