from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from time_builders import START, grid, make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.reading import PlateReading, Polyp
from polypvision.track import PlateTracks, link_readings
from polypvision.track.division import two_mouth_share

PLACES = grid(3, 3, 36.0)
X, Y = PLACES[4]


def _plate(day: float, middle: list[Polyp]) -> PlateReading:
    """Eight calm discs of 20 mm round whatever stands in the middle."""
    others = [make_polyp(n + 1, x, y, 20.0) for n, (x, y) in enumerate(PLACES) if n != 4]
    return make_reading(day, [*others, *middle])


def _halves(apart_mm: float = 14.0, diameter_mm: float = 14.5) -> list[Polyp]:
    return [
        make_polyp(20, X - apart_mm / 2, Y, diameter_mm),
        make_polyp(21, X + apart_mm / 2, Y, diameter_mm),
    ]


def _with_history(after: list[list[Polyp]], *, mouths: int = 2) -> list[PlateReading]:
    before = [make_polyp(20, X, Y, 21.0, stretch=1.3, n_mouths=mouths)]
    return [
        _plate(0, before),
        _plate(7, before),
        *(_plate(14 + 7 * n, middle) for n, middle in enumerate(after)),
    ]


def _names(tracks: PlateTracks, photo: int, labels: tuple[int, ...]) -> list[str]:
    return [tracks.photos[photo].names[label] for label in labels]


def test_a_two_mouth_polyp_that_divides_ends_and_two_begin() -> None:
    tracks = link_readings(_with_history([_halves(), _halves(17.0, 16.0)]))
    (event,) = tracks.events
    assert event.kind == "divided"
    assert event.individuals == ("P05", "P10", "P11")
    assert event.at == START + timedelta(days=14)
    assert event.after == START + timedelta(days=7)
    assert event.confidence >= 0.8
    assert "two mouths before" in event.evidence
    assert tracks.individual("P05").end == "divided"
    assert tracks.individual("P10").parents == tracks.individual("P11").parents == ("P05",)
    assert tracks.ancestors("P10") == ("P05",)
    # Each half keeps its own name on the next photo, and nobody else's name has moved.
    assert _names(tracks, 3, (20, 21)) == ["P10", "P11"]
    assert _names(tracks, 3, (1, 2, 3, 4, 6, 7, 8, 9)) == [
        f"P{n:02d}" for n in (1, 2, 3, 4, 6, 7, 8, 9)
    ]


def test_without_a_history_of_two_mouths_the_confidence_is_less() -> None:
    (known,) = link_readings(_with_history([_halves()])).events
    (unknown,) = link_readings(_with_history([_halves()], mouths=1)).events
    assert unknown.kind == "divided"
    assert known.confidence > unknown.confidence >= 0.5


def test_a_line_with_several_mouths_is_judged_by_the_count_above_normal() -> None:
    polyp = make_polyp(1, X, Y, n_mouths=3)
    assert two_mouth_share([polyp], 1) >= 0.7
    assert two_mouth_share([polyp], 2) >= 0.7
    assert two_mouth_share([polyp], 3) == 0.0
    likely = make_polyp(1, X, Y, n_mouths=1, two_mouths_probability=0.6)
    assert two_mouth_share([likely], 1) == 0.6
    assert two_mouth_share([likely], 2) == 0.0


def test_a_foot_margin_daughter_is_no_division() -> None:
    parent = make_polyp(20, X, Y, 21.0)
    daughter = make_polyp(21, X + 13.0, Y, 7.0)
    tracks = link_readings(_with_history([[parent, daughter]], mouths=1))
    assert [one.kind for one in tracks.events] == ["new"]
    assert tracks.photos[2].names[20] == "P05"
    assert tracks.individual("P10").parents == ("P05",)


def test_two_beside_the_old_place_are_no_division() -> None:
    # Both on one side of it: somebody took the old one away and set two new ones.
    aside = [make_polyp(20, X + 8, Y - 6, 13.0), make_polyp(21, X + 8, Y + 6, 13.0)]
    tracks = link_readings(_with_history([aside], mouths=1))
    assert all(one.kind != "divided" for one in tracks.events)


@pytest.mark.parametrize(
    ("left", "right", "why"),
    [
        (21.0, 20.0, "the parent still stands at its size"),
        (19.0, 10.0, "the parent still stands at nearly its size"),
        (18.0, 5.0, "one of the two is far too small"),
        (9.0, 9.0, "together they are far too small"),
    ],
)
def test_no_division_if(left: float, right: float, why: str) -> None:
    middle = [make_polyp(20, X - 5, Y, left), make_polyp(21, X + 6, Y, right)]
    tracks = link_readings(_with_history([middle], mouths=1))
    assert all(one.kind != "divided" for one in tracks.events), why


def test_a_neighbour_keeps_its_name_when_two_divide_side_by_side() -> None:
    crowd = [(50.0, 50.0), (70.0, 50.0), (90.0, 50.0)]
    first = [make_polyp(n + 1, x, y, 19.0, n_mouths=2) for n, (x, y) in enumerate(crowd)]
    split = []
    for n, (x, y) in enumerate(crowd):
        if n == 2:
            split.append(make_polyp(9, x, y, 19.0))
        else:
            split += [make_polyp(2 * n + 1, x, y - 6, 13.0), make_polyp(2 * n + 2, x, y + 6, 13.0)]
    tracks = link_readings([make_reading(0, first), make_reading(14, split)])
    divided = {one.individuals[0]: one.individuals[1:] for one in tracks.events}
    assert divided == {"P01": ("P04", "P06"), "P02": ("P05", "P07")}
    assert tracks.photos[1].names == {1: "P04", 2: "P06", 3: "P05", 4: "P07", 9: "P03"}


def test_a_logged_division_is_near_certain() -> None:
    readings = _with_history([_halves()], mouths=1)
    entry = LogEntry(
        plate="0042", at=START + timedelta(days=12), kind="division", individual="P05", pieces=2
    )
    (event,) = link_readings(readings, log=[entry]).events
    assert event.confidence > 0.95
    assert "division logged" in event.evidence


def test_quarters_of_a_logged_cut_are_its_pieces() -> None:
    quarters = [
        make_polyp(20 + n, X + dx, Y + dy, 9.5, wound_mm2=20)
        for n, (dx, dy) in enumerate([(-6, -6), (6, -6), (-6, 6), (6, 6)])
    ]
    before = [make_polyp(20, X, Y, 21.0)]
    readings = [_plate(0, before), _plate(7, quarters), _plate(14, quarters)]
    entry = LogEntry(
        plate="0042",
        at=START + timedelta(days=6),
        kind="cut",
        individual="P05",
        pieces=4,
        method="quarters",
    )
    tracks = link_readings(readings, log=[entry])
    (event,) = tracks.events
    assert event.individuals == ("P05", "P10", "P11", "P12", "P13")
    assert "cut logged" in event.evidence
    assert _names(tracks, 2, (20, 21, 22, 23)) == ["P10", "P11", "P12", "P13"]


def test_pieces_off_a_cut_margin_name_their_parent_and_it_goes_on() -> None:
    parent = make_polyp(20, X, Y, 20.0)
    pieces = [make_polyp(21, X + 17, Y, 6.0), make_polyp(22, X, Y + 18, 5.0)]
    readings = [_plate(0, [parent]), _plate(7, [parent, *pieces])]
    entry = LogEntry(
        plate="0042",
        at=START + timedelta(days=5),
        kind="cut",
        individual="P05",
        pieces=2,
        method="margin",
    )
    logged = link_readings(readings, log=[entry])
    assert logged.individual("P10").parents == logged.individual("P11").parents == ("P05",)
    assert logged.individual("P05").end is None
    # Without the entry they stand too far off to say so.
    assert link_readings(readings).individual("P10").parents == ()


def test_two_read_as_one_are_neither_lost_nor_measured() -> None:
    left, right = make_polyp(20, X - 6, Y, 12.0), make_polyp(21, X + 6, Y, 12.0)
    merged = make_polyp(20, X, Y, 17.0, stretch=1.4)
    before, between, after = (
        _plate(0, [left, right]),
        _plate(7, [merged]),
        _plate(14, [left, right]),
    )
    doubtful = link_readings([before, between])
    (event,) = doubtful.events
    assert (event.kind, event.individuals) == ("joined", ("P05", "P06"))
    assert 20 not in doubtful.photos[1].names
    assert [doubtful.individual(name).end for name in ("P05", "P06")] == [None, None]
    # Each is found again when the two can be told apart.
    later = link_readings([before, between, after])
    assert [one.kind for one in later.events] == ["joined"]
    assert [one.day for one in later.individual("P05").observations] == [0, 14]
    # One that is gone beside one that stayed as it was is lost.
    plain = link_readings([before, _plate(7, [left])])
    assert [one.kind for one in plain.events] == ["lost"]


def test_outlines_that_cross_themselves_are_borne() -> None:
    bow = np.array([[X - 8, Y - 8], [X + 8, Y + 8], [X + 8, Y - 8], [X - 8, Y + 8]])
    odd = replace(make_polyp(20, X, Y, 20.0, n_mouths=2), outline_mm=bow)
    speck = replace(make_polyp(21, X + 5, Y, 9.0), outline_mm=np.zeros((0, 2)))
    tracks = link_readings([_plate(0, [odd]), _plate(7, [odd, speck])])
    assert tracks.photos[1].names[20] == "P05"
