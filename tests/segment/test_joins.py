"""Pieces of one polyp joined again."""

from dataclasses import replace

import numpy as np
import pytest
from map_makers import blank_view, perfect_maps
from numpy.typing import NDArray

from polypvision.segment.joins import join_pieces, measure_pieces
from polypvision.segment.levels import (
    JOIN_EVIDENCE,
    OTHER_JOIN_EVIDENCE,
    Levels,
    levels_from_json,
    levels_to_json,
)
from polypvision.segment.maps import CLOSEUP_READER, PLATE_READER, PlateMaps, Reader, levels_of
from polypvision.segment.seeds import cut_pieces


def joining(maps: PlateMaps, join: NDArray[np.float64]) -> Levels:
    """Return the maps' levels with other weights for joining."""
    return replace(maps.levels, looks=(replace(maps.levels.looks[0], join=join),))


def _halves(x_mm: float) -> NDArray[np.int32]:
    """A view's disc of 16 mm round (20, 20), cut by a line at x."""
    view = blank_view(40, 40)
    rows, columns = np.mgrid[: view.valid.shape[0], : view.valid.shape[1]] / view.px_per_mm
    inside = np.hypot(columns - 20, rows - 20) <= 8
    return np.where(inside, np.where(columns < x_mm, 1, 2), 0).astype(np.int32)


@pytest.mark.parametrize("x_mm", [15.0, 18.0, 20.0])
def test_parts_of_a_disc_whose_ways_agree_are_one(x_mm: float) -> None:
    maps = perfect_maps(blank_view(40, 40), [(20, 20, 16)])
    assert join_pieces(_halves(x_mm), maps)[0].max() == 1


def test_two_discs_that_touch_stay_two() -> None:
    view = blank_view(60, 40)
    maps = perfect_maps(view, [(20, 20, 16), (36, 20, 16)])
    pieces = cut_pieces(maps.tissue > 0.5, maps, view.px_per_mm)
    assert join_pieces(pieces, maps)[0].max() == 2


def test_contacts_are_counted_by_pixel_edges() -> None:
    # Two squares of 4 and 6 pixels a side, side by side: they share 4 edges.
    labels = np.zeros((10, 14), np.int32)
    labels[2:6, 2:6], labels[2:8, 6:12] = 1, 2
    maps = perfect_maps(blank_view(14 / 6, 10 / 6), [])
    pieces = measure_pieces(labels, maps)
    assert pieces.pairs.tolist() == [[0, 1]]
    assert pieces.area_px.tolist() == [16, 36]
    # All ways are zero: the votes of neighbouring pixels lie one pixel apart.
    assert pieces.contact.tolist() == [[4.0, 4.0]]


def test_joining_goes_on_through_a_chain_and_keeps_labels_without_gaps() -> None:
    view = blank_view(60, 30)
    maps = perfect_maps(view, [(30, 15, 12)])
    always = joining(maps, np.append(1.0, np.zeros(len(JOIN_EVIDENCE))))
    labels = np.zeros(view.valid.shape, np.int32)
    for number in range(5):
        labels[60:90, 30 * number + 60 : 30 * number + 90] = number + 1
    labels[120:150, 60:90] = 6  # touches none
    joined, windows = join_pieces(labels, replace(maps, levels=always))
    assert sorted(np.unique(joined)) == [0, 1, 2]
    assert windows == [(slice(60, 90), slice(60, 210)), (slice(120, 150), slice(60, 90))]
    never = joining(maps, np.append(-1.0, np.zeros(len(JOIN_EVIDENCE))))
    np.testing.assert_array_equal(join_pieces(labels, replace(maps, levels=never))[0], labels)


def test_a_wide_look_may_see_one_disc_where_the_near_one_sees_two() -> None:
    view = blank_view(60, 40)
    near = perfect_maps(view, [(20, 20, 16), (36, 20, 16)])
    one = perfect_maps(view, [(28, 20, 32)])
    pieces = cut_pieces(near.tissue > 0.5, near, view.px_per_mm)
    assert pieces.max() == 2
    weights = dict.fromkeys((*JOIN_EVIDENCE, *OTHER_JOIN_EVIDENCE), 0.0) | {
        "other_log_votes_apart": -1.0
    }
    levels = joining(near, np.array([-1.0, *weights.values()]))
    for wide, expected in ((one, 1), (near, 2)):
        assert join_pieces(pieces, replace(near, other=wide, levels=levels))[0].max() == expected


def test_crumbs_go_to_the_nearest_piece_or_are_dropped() -> None:
    view = blank_view(60, 30)
    maps = perfect_maps(view, [(20, 15, 12)])
    tissue = maps.tissue > 0.5
    tissue[2:5, 340:343] = True  # 0.25 mm2, far from all
    pieces = cut_pieces(tissue, maps, view.px_per_mm)
    assert pieces.max() == 1
    assert not pieces[2:5, 340:343].any()


@pytest.mark.parametrize("reader", [PLATE_READER, CLOSEUP_READER])
def test_levels_of_each_network_survive_being_written(reader: Reader) -> None:
    levels = levels_of(reader)
    again = levels_from_json(levels_to_json(levels))
    assert again.even == pytest.approx(levels.even, abs=5e-4)
    for look, as_written in zip(levels.looks, again.looks, strict=True):
        np.testing.assert_allclose(as_written.join, look.join, atol=5e-4)
        np.testing.assert_allclose(as_written.polyp, look.polyp, atol=5e-4)


def test_a_missing_weight_is_not_guessed() -> None:
    text = levels_to_json(levels_of(PLATE_READER)).replace('"solidity"', '"roundness"')
    with pytest.raises(KeyError, match="solidity"):
        levels_from_json(text)


def test_middles_without_any_tissue_are_nothing() -> None:
    view = blank_view(40, 40)
    maps = perfect_maps(view, [(12, 20, 12), (30, 20, 12)])
    assert not cut_pieces(np.zeros(view.valid.shape, np.bool_), maps, view.px_per_mm).any()
