"""Polyps told apart on maps whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from map_makers import blank_view, perfect_maps
from skimage.data import coins
from skimage.filters import sobel
from skimage.measure import label as label_regions
from skimage.measure import regionprops
from skimage.segmentation import watershed

from polypvision.segment.discs import MIN_DIAMETER_MM, segment_polyps
from polypvision.segment.polyp_map import PolypMap
from polypvision.segment.runs import label_boxes


def _areas_mm2(polyp_map: PolypMap, px_per_mm: float) -> list[float]:
    counts = np.bincount(polyp_map.labels.ravel())[1:]
    return [float(count) / px_per_mm**2 for count in counts]


def test_nothing_there_is_an_empty_map() -> None:
    view = blank_view(40, 30)
    found = segment_polyps(view, perfect_maps(view, []))
    assert found.n_polyps == 0
    assert not found.labels.any()


def test_labels_follow_the_first_pixel_by_rows() -> None:
    view = blank_view(60, 50)
    found = segment_polyps(view, perfect_maps(view, [(45, 35, 10), (15, 12, 8), (40, 12, 9)]))
    firsts = [np.argmax(found.labels.ravel() == label) for label in (1, 2, 3)]
    assert found.n_polyps == 3
    assert firsts == sorted(firsts)


@pytest.mark.parametrize("gap", [-2.0, -0.5, 0.0])
def test_touching_and_overlapping_discs_are_two(gap: float) -> None:
    view = blank_view(60, 40)
    discs = [(20.0, 20.0, 16.0), (20.0 + 16.0 + gap, 20.0, 16.0)]
    found = segment_polyps(view, perfect_maps(view, discs))
    assert found.n_polyps == 2
    for area in _areas_mm2(found, view.px_per_mm):
        assert area == pytest.approx(np.pi * 64, rel=0.06)


def test_three_hundred_discs_are_three_hundred() -> None:
    view = blank_view(160, 130)
    discs = [(5.0 + 7.5 * i, 5.0 + 8.0 * j, 6.0) for i in range(20) for j in range(15)]
    assert segment_polyps(view, perfect_maps(view, discs)).n_polyps == 300


def test_two_middles_in_one_disc_are_joined_and_a_small_neighbour_is_kept() -> None:
    view = blank_view(70, 50)
    maps = perfect_maps(view, [(25, 25, 30), (44, 25, 7)])
    second = maps.centre.copy()
    rows, columns = np.mgrid[: second.shape[0], : second.shape[1]] / view.px_per_mm
    second = np.maximum(second, 0.4 * np.exp(-((columns - 21) ** 2 + (rows - 25) ** 2) / 4))
    found = segment_polyps(view, replace(maps, centre=second.astype(np.float32)))
    assert found.n_polyps == 2


def test_specks_and_doubtful_tissue_are_no_polyps() -> None:
    view = blank_view(50, 40)
    small = (12.0, 12.0, 0.8 * MIN_DIAMETER_MM)
    assert segment_polyps(view, perfect_maps(view, [small, (32, 22, 9)])).n_polyps == 1


def test_tissue_outside_the_measured_area_is_not_counted() -> None:
    view = blank_view(50, 40)
    valid = view.valid.copy()
    valid[:, : valid.shape[1] // 2] = False
    hidden = replace(view, valid=valid)
    assert segment_polyps(hidden, perfect_maps(view, [(10, 20, 9), (38, 20, 9)])).n_polyps == 1


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 3), st.booleans())
def test_turning_or_mirroring_the_plate_changes_no_count(turns: int, mirrored: bool) -> None:
    discs = [(12.0, 12.0, 12.0), (24.0, 12.0, 12.0), (18.0, 22.5, 12.0)]
    view = blank_view(40, 40)
    places = np.array(discs)
    for _ in range(turns):
        places[:, :2] = np.column_stack([40 - places[:, 1], places[:, 0]])
    if mirrored:
        places[:, 0] = 40 - places[:, 0]
    turned = [(float(x), float(y), float(d)) for x, y, d in places]
    assert segment_polyps(view, perfect_maps(view, turned)).n_polyps == 3


def test_windows_hold_their_polyp_and_stop_at_the_edge() -> None:
    labels = np.zeros((20, 30), np.int32)
    labels[0:5, 25:30] = 1
    [window] = PolypMap(labels=labels, scores=(1.0,)).windows(margin_px=3)
    assert window == (slice(0, 8), slice(22, 30))


def test_boxes_are_those_that_the_labels_show() -> None:
    # One in the dent of another, so that windows overlap; two that touch; one cut by the edge.
    view = blank_view(60, 40)
    discs = [(20.0, 20.0, 16.0), (36.0, 20.0, 16.0), (55.0, 35.0, 14.0), (45.0, 8.0, 5.0)]
    polyp_map = segment_polyps(view, perfect_maps(view, discs))
    assert polyp_map.n_polyps == 4
    assert list(polyp_map.boxes) == label_boxes(polyp_map.labels)


def test_the_24_coins_of_a_library_s_photo_are_told_apart() -> None:
    # skimage.data.coins(): 24 coins. The library's own example recipe (Sobel gradient, watershed
    # from markers < 30 and > 150, holes filled) gives the discs; from their masks ours must part
    # and count the same 24, middles and ways being those of the true coins.
    grey = coins()
    markers = np.zeros(grey.shape, np.int32)
    markers[grey < 30], markers[grey > 150] = 1, 2
    mask = watershed(sobel(grey), markers) == 2
    regions = [r for r in regionprops(label_regions(mask)) if r.area > 100]
    assert len(regions) == 24
    view = blank_view(grey.shape[1] / 6, grey.shape[0] / 6)
    discs = [
        (r.centroid[1] / 6, r.centroid[0] / 6, r.equivalent_diameter_area / 6) for r in regions
    ]
    assert segment_polyps(view, perfect_maps(view, discs)).n_polyps == 24


@pytest.mark.parametrize(("x", "counts"), [(59.0, True), (61.0, False)])
def test_of_a_polyp_cut_by_the_edge_the_middle_decides(x: float, counts: bool) -> None:
    # The view is 60 mm wide; of a disc 12 mm across between a third and two thirds are seen.
    view = blank_view(60, 40)
    found = segment_polyps(view, perfect_maps(view, [(20, 20, 12), (x, 20, 12)]))
    assert found.n_polyps == 1 + counts
    assert found.cut_off == 1 - counts
    assert bool(found.labels[:, -1].any()) == counts


def test_on_a_plate_with_its_card_what_is_cut_off_is_one_of_its_polyps() -> None:
    view = replace(blank_view(60, 40), plate="0007")
    found = segment_polyps(view, perfect_maps(view, [(20, 20, 12), (61, 20, 12)]))
    assert (found.n_polyps, found.cut_off) == (2, 0)


def test_photos_side_by_side_count_each_polyp_once() -> None:
    # The associated point rule (Miles RE 1978, J Microsc 113: 257-267; from memory): 40 discs over
    # two views that share an edge are 40 in all, however the edge cuts them.
    rng = np.random.default_rng(4)
    rows = 5 + 10 * np.arange(8)
    discs = [
        (float(x + rng.uniform(-2.5, 2.5)), float(y), 7.0)
        for y in rows
        for x in (12, 27, 42, 57, 72)
    ]
    view = blank_view(42, 80)
    left, right = (
        segment_polyps(view, perfect_maps(view, [(x - start, y, d) for x, y, d in discs]))
        for start in (0, 42)
    )
    assert left.n_polyps + right.n_polyps == 40
    assert left.cut_off + right.cut_off > 3
    assert min(left.n_polyps, right.n_polyps) > 12
