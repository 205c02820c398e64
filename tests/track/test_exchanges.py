"""Two of like looks that change places: asked about once the photos before and after tell it."""

from collections.abc import Sequence

import numpy as np
import pytest
from time_builders import grid, make_polyp, make_reading

from polypvision.events import SeenEvent
from polypvision.reading import PlateReading
from polypvision.track import PlateTracks, link_readings

PLACES = grid(3, 3, 36.0)
DAYS = (0.0, 7, 14, 21, 28, 35)
GRADED = tuple(20.0 * 1.045**n for n in range(9))
"""Each 4.5 % larger than the one before, which is within what one disc may open or close."""


def _season(
    sizes: Sequence[float], ring: tuple[int, ...] = (), since: int = 3
) -> list[PlateReading]:
    """Six photos on which sizes wander by 0.5 %; from one on a ring of pieces has moved on, each
    to the place of the next. Labels are the true pieces."""
    rng = np.random.default_rng(8)
    readings = []
    for photo, day in enumerate(DAYS):
        at = list(range(9))
        if photo >= since:
            for one, following in zip(ring, ring[1:] + ring[:1], strict=True):
                at[one] = following
        read = np.array(sizes) * np.exp(rng.normal(0, 0.005, 9))
        readings.append(
            make_reading(
                day,
                [make_polyp(n + 1, *PLACES[at[n]], float(read[n])) for n in range(9)],
            )
        )
    return readings


def _doubts(tracks: PlateTracks) -> list[SeenEvent]:
    return [one for one in tracks.events if one.kind == "rearranged"]


def _silent(tracks: PlateTracks) -> set[int]:
    """Labels that got another's name although no event speaks of it."""
    first, last = tracks.photos[0].names, tracks.photos[-1].names
    spoken_of = {name for one in _doubts(tracks) for name in one.individuals}
    return {label for label in first if first[label] != last[label]} - {
        label for label in first if first[label] in spoken_of
    }


@pytest.mark.parametrize("ring", [(2, 5), (1, 5), (2, 4, 6)])
def test_like_pieces_that_changed_places_are_not_kept_by_place_silently(
    ring: tuple[int, ...],
) -> None:
    tracks = link_readings(_season(GRADED, ring))
    assert _silent(tracks) == set()
    before, after = tracks.photos[2].names, tracks.photos[3].names
    if before != after:
        (doubt,) = _doubts(tracks)
        assert {before[n + 1] for n in ring} <= set(doubt.individuals)
        assert (doubt.after, doubt.at) == (tracks.photos[2].taken_at, tracks.photos[3].taken_at)


def test_nobody_is_doubted_where_nothing_moved() -> None:
    for sizes in (GRADED, (20.0,) * 9, tuple(20.0 * 1.01**n for n in range(9))):
        assert link_readings(_season(sizes)).events == ()


def test_what_looks_exactly_alike_cannot_be_told_by_anybody() -> None:
    assert _doubts(link_readings(_season((20.0,) * 9, (3, 4)))) == []


def _coloured(last: int) -> list[PlateReading]:
    """Discs of one size whose colours differ by about what they wander from photo to photo; on the
    fourth photo the third and the sixth have changed places."""
    rng = np.random.default_rng(4)
    own = [np.array([50.0, 10.0, 20.0])] * 9
    own[2], own[5] = own[2] + 1.25, own[5] - 1.25
    readings = []
    for photo, day in enumerate(DAYS[:last]):
        at = list(range(9))
        if photo >= 3:
            at[2], at[5] = 5, 2
        lab = [one + rng.normal(0, 1.0, 3) for one in own]
        readings.append(
            make_reading(
                day,
                [
                    make_polyp(n + 1, *PLACES[at[n]], 20.0, colour_lab=tuple(lab[n].tolist()))
                    for n in range(9)
                ],
            )
        )
    return readings


def test_later_photos_make_the_doubt_and_change_no_name() -> None:
    early, late = link_readings(_coloured(4)), link_readings(_coloured(6))
    assert [one.names for one in early.photos] == [one.names for one in late.photos[:4]]
    assert _doubts(early) == []
    (doubt,) = _doubts(late)
    assert doubt.individuals == ("P03", "P06")
    assert doubt.at == late.photos[3].taken_at
    assert "on 3 photos before and 3 since they fit better so" in doubt.evidence


def test_one_that_closed_for_good_does_not_make_its_neighbours_doubtful() -> None:
    season = _season(GRADED)
    closed = [
        make_reading(
            day,
            [
                make_polyp(one.label, one.x_mm, one.y_mm, one.diameter_mm * (0.7 if last else 1))
                for one, last in ((p, p.label == 9 and n >= 3) for p in reading.polyps)
            ],
        )
        for n, (day, reading) in enumerate(zip(DAYS, season, strict=True))
    ]
    assert _doubts(link_readings(closed)) == []
