"""Pieces that were pushed, exchanged or rearranged: told where looks decide, else left open."""

from collections.abc import Mapping, Sequence

import numpy as np
from time_builders import START, grid, make_polyp, make_reading

from polypvision.reading import PlateReading
from polypvision.track import PlateTracks, link_readings

PLACES = grid(3, 3, 36.0)
SIZES = tuple(8.0 * 1.2**n for n in range(9))
"""All unlike: each a fifth larger than the one before."""
MIXED = {0: 8, 8: 4, 4: 0, 1: 3, 3: 7, 7: 1, 2: 5, 5: 6, 6: 2}
"""Who stands where after pieces changed places; no motion of the plate explains it."""
ALIKE = (20.0,) * 9


def _plate(
    day: float, sizes: Sequence[float], stands: Mapping[int, int] | None = None
) -> PlateReading:
    """Nine discs, labels as their sizes are numbered; `stands` says who is at which place."""
    stands = stands or {}
    return make_reading(
        day,
        [
            make_polyp(n + 1, *PLACES[stands.get(n, n)], size * float(np.exp(0.002 * day)))
            for n, size in enumerate(sizes)
        ],
    )


def _names(tracks: PlateTracks, photo: int) -> list[str]:
    names = tracks.photos[photo].names
    return [names[label] for label in sorted(names)]


def test_a_pushed_piece_keeps_its_name_and_is_told() -> None:
    first = _plate(0, ALIKE)
    x, y = PLACES[4]
    pushed = [*first.polyps[:4], make_polyp(5, x + 9, y + 3, 20.0), *first.polyps[5:]]
    tracks = link_readings([first, make_reading(3, pushed)])
    assert _names(tracks, 1) == _names(tracks, 0)
    (event,) = tracks.events
    assert (event.kind, event.individuals) == ("moved", ("P05",))
    assert event.evidence.startswith("9 mm")
    assert event.after == START


def test_two_that_exchanged_places_are_known_by_their_look() -> None:
    tracks = link_readings([_plate(0, SIZES), _plate(7, SIZES, {1: 7, 7: 1})])
    assert _names(tracks, 1) == _names(tracks, 0)
    assert [(one.kind, one.individuals) for one in tracks.events] == [
        ("moved", ("P02",)),
        ("moved", ("P08",)),
    ]


def test_a_rearranged_plate_of_unlike_pieces_is_sorted_out() -> None:
    tracks = link_readings([_plate(0, SIZES), _plate(7, SIZES, MIXED), _plate(14, SIZES, MIXED)])
    assert tracks.events[0].kind == "rearranged"
    assert tracks.events[0].confidence > 0.8
    # Nobody is taken for another one, and most are known.
    names = [_names(tracks, photo) for photo in range(3)]
    pairs = list(zip(names[0], names[1], strict=True))
    known = [a == b for a, b in pairs]
    assert sum(known) >= 5
    assert not {b for a, b in pairs if a != b} & set(names[0])
    # On the next photo everybody keeps the name of the second.
    assert names[2] == names[1]


def test_whom_looks_do_not_tell_is_left_open_and_neither_lost_nor_new() -> None:
    sizes = (12.0, 12.2, 12.1, 19.0, 19.2, 19.1, 29.0, 29.2, 29.1)
    tracks = link_readings([_plate(0, sizes), _plate(7, sizes, MIXED)])
    event = tracks.events[0]
    assert event.kind == "rearranged"
    assert "cannot be told" in event.evidence
    left_open = {one.name for one in tracks.individuals if one.end == "open"}
    assert len(left_open) >= 6
    assert left_open <= set(event.individuals)
    assert {one.kind for one in tracks.events} <= {"rearranged", "moved"}
    wrong = [
        (a, b)
        for a, b in zip(_names(tracks, 0), _names(tracks, 1), strict=True)
        if a != b and b in _names(tracks, 0)
    ]
    assert wrong == []


def test_a_piece_replaced_by_one_that_looks_alike_is_asked_about() -> None:
    first = _plate(0, ALIKE)
    far = make_polyp(5, 140.0, 140.0, 20.0)
    tracks = link_readings([first, make_reading(7, [*first.polyps[:4], far, *first.polyps[5:]])])
    assert tracks.photos[1].names[5] == "P10"
    asked = next(one for one in tracks.events if one.kind == "rearranged")
    assert asked.individuals == ("P05", "P10")
    assert asked.confidence < 0.5


def test_one_that_closed_up_at_its_place_is_not_taken_for_moved() -> None:
    first = _plate(0, SIZES)
    closed = [*first.polyps[:7], make_polyp(8, *PLACES[7], 0.7 * SIZES[7]), first.polyps[8]]
    tracks = link_readings([first, make_reading(3, closed)])
    assert _names(tracks, 1) == _names(tracks, 0)
    assert tracks.events == ()


def test_a_whole_plate_that_opened_wider_looks_the_same() -> None:
    wider = tuple(size * 1.25 for size in SIZES)
    tracks = link_readings([_plate(0, SIZES), _plate(3, wider)])
    assert _names(tracks, 1) == _names(tracks, 0)
    assert tracks.events == ()
