"""Regions of two looks: those that exclude each other, and the best that can stand together."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from map_makers import blank_view, perfect_maps
from scipy.optimize import linear_sum_assignment

from polypvision.segment.choice import Region, best_together, clashes
from polypvision.segment.discs import Candidate, choose, find_candidates, segment_polyps
from polypvision.segment.levels import Levels, Weights, neutral_levels
from polypvision.segment.maps import PlateMaps


def _region(top: int, left: int, height: int, width: int) -> Region:
    return (slice(top, top + height), slice(left, left + width)), np.ones((height, width), np.bool_)


def test_regions_clash_from_a_seventh_of_the_smaller_one() -> None:
    near = [_region(0, 0, 10, 10), _region(0, 40, 10, 10)]
    #         15 of 100 px shared   16 of them            touches the second  apart
    wide = [
        _region(7, 5, 20, 20),
        _region(8, 2, 20, 20),
        _region(0, 50, 9, 9),
        _region(90, 0, 5, 5),
    ]
    assert clashes(near, wide).tolist() == [[0, 1]]
    assert clashes([], wide).shape == (0, 2)


@pytest.mark.parametrize("seed", range(12))
def test_the_best_together_are_those_of_every_way_tried(seed: int) -> None:
    rng = np.random.default_rng(seed)
    near, wide = rng.uniform(-0.4, 1, 6), rng.uniform(-0.4, 1, 5)
    clashing = np.argwhere(rng.random((6, 5)) < 0.35)
    worth = np.append(near, wide)
    best = max(
        float(worth @ way)
        for way in product((0, 1), repeat=11)
        if not any(way[a] and way[6 + b] for a, b in clashing)
    )
    chosen = np.concatenate(best_together(near, wide, clashing))
    assert worth @ chosen == pytest.approx(best)
    assert not any(chosen[a] and chosen[6 + b] for a, b in clashing)


def test_with_one_worth_the_dearest_chain_is_what_is_left_of_a_matching() -> None:
    # König's theorem (Bondy and Murty 1976, Graph Theory with Applications, theorem 5.3, from
    # memory): of vertices alike, the most that stand apart are all less a largest matching.
    rng = np.random.default_rng(4)
    edges = rng.random((40, 30)) < 0.06
    chosen = best_together(np.ones(40), np.ones(30), np.argwhere(edges))
    rows, columns = linear_sum_assignment(edges, maximize=True)
    assert sum(int(one.sum()) for one in chosen) == 70 - edges[rows, columns].sum()


def _both(near: PlateMaps, wide: PlateMaps, levels: Levels) -> PlateMaps:
    return replace(near, other=wide, levels=levels)


def _levels(near: float, wide: float) -> Levels:
    """Levels by which all that a look tells apart is as likely a polyp as these log-odds say."""
    plain = neutral_levels(looks=2)

    def sure(odds: float, look: Weights) -> Weights:
        return replace(look, polyp=np.append(odds, np.zeros(len(look.polyp) - 1)))

    return replace(plain, looks=(sure(near, plain.looks[0]), sure(wide, plain.looks[1])))


@pytest.mark.parametrize(
    ("near", "wide", "expected"), [(0.3, 2.5, 1), (2.0, 2.5, 2), (0.3, 0.2, 2)]
)
def test_a_large_disc_is_told_by_whichever_look_is_surer(
    near: float, wide: float, expected: int
) -> None:
    # The near look takes two lobes for polyps: together they are worth 2 (2 p - 1) of its p.
    view = blank_view(60, 40)
    lobes = perfect_maps(view, [(20, 20, 16), (36, 20, 16)])
    whole = perfect_maps(view, [(28, 20, 32)])
    found = segment_polyps(view, _both(lobes, whole, _levels(near, wide)))
    assert found.labels.max() == expected


def test_what_one_look_alone_sees_is_kept_and_no_pixel_is_given_twice() -> None:
    view = blank_view(80, 40)
    here = perfect_maps(view, [(20, 20, 16)])
    there = perfect_maps(view, [(34.5, 20, 16), (60, 20, 10)])  # laps over the first by 1.5 mm
    maps = _both(here, there, _levels(2.0, 1.5))
    kept = choose(find_candidates(view, maps), maps.levels)
    assert [one.look for one in kept] == [0, 1, 1]
    taken = np.zeros(view.valid.shape, np.int64)
    for one in kept:
        taken[one.window] += one.mask
    assert taken.max() == 1
    whole = [one for one in find_candidates(view, maps) if one.look == 0]
    np.testing.assert_array_equal(kept[0].mask, whole[0].mask)  # the likelier one has it all


def test_without_a_wide_look_a_score_decides_alone() -> None:
    levels = neutral_levels(looks=1)
    levels = replace(
        levels, looks=(replace(levels.looks[0], polyp=np.array([0.0, 1, 0, 0, 0, 0])),)
    )
    window, mask = _region(0, 0, 4, 4)
    found = [
        Candidate(window=window, mask=mask, evidence=np.array([odds, 0, 0, 0, 0]))
        for odds in (-1.0, 0.1, 3.0)
    ]
    assert choose(found, levels) == found[1:]
    assert choose([], levels) == []
