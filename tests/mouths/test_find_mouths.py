"""Mouths counted on maps whose truth is known."""

import numpy as np
import pytest
from map_makers import blank_view, perfect_maps

from polypvision.mouths.find import PolypMouths, count_mouths, find_mouths
from polypvision.segment.discs import segment_polyps


def _mouths(mouths: list[tuple[float, float]], diameter: float = 20.0) -> PolypMouths:
    view = blank_view(40, 40)
    maps = perfect_maps(view, [(20, 20, diameter)], mouths=mouths)
    [found] = find_mouths(view, maps, segment_polyps(view, maps))
    return found


def test_one_mouth_is_found_where_it_is() -> None:
    found = _mouths([(21.0, 18.5)])
    assert found.places_xy / 6 == pytest.approx(np.array([[21.0, 18.5]]), abs=0.2)
    assert found.two_mouths_probability < 0.1


def test_no_mouth_is_an_empty_answer() -> None:
    found = _mouths([])
    assert found.places_xy.shape == (0, 2)
    assert found.scores == ()
    # Never none: on some painted discs with two mouths neither is seen.
    assert 0.0 <= found.two_mouths_probability < 0.1


def test_two_mouths_are_two_and_likely() -> None:
    found = _mouths([(15.0, 20.0), (25.0, 20.0)])
    assert len(found.places_xy) == 2
    assert found.two_mouths_probability > 0.5


def test_four_mouths_are_four() -> None:
    places = [(16.0, 16.0), (24.0, 16.0), (16.0, 24.0), (24.0, 24.0)]
    assert len(_mouths(places, diameter=24.0).places_xy) == 4


def test_a_neighbour_s_mouth_is_not_counted() -> None:
    view = blank_view(60, 40)
    maps = perfect_maps(view, [(18, 20, 16), (42, 20, 16)], mouths=[(42.0, 20.0)])
    first, second = find_mouths(view, maps, segment_polyps(view, maps))
    assert len(first.places_xy) == 0
    assert len(second.places_xy) == 1


@pytest.mark.parametrize(
    ("strengths", "two", "mouths"),
    [
        ([], 0.02, 0),
        ([0.4], 0.02, 0),
        ([0.8], 0.02, 1),
        ([0.8, 0.6], 0.3, 1),  # a second that looks like one, and mostly is none
        ([0.8, 0.45], 0.6, 2),  # and the other way round
        ([0.8, 0.7, 0.6, 0.1], 0.9, 3),
    ],
)
def test_two_are_counted_where_two_are_likelier(
    strengths: list[float], two: float, mouths: int
) -> None:
    assert count_mouths(np.array(strengths), two) == mouths
