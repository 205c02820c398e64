"""Dates that are wrong, doubled or missing, plates with little on them, readings that change."""

from dataclasses import replace
from datetime import timedelta

from time_builders import START, grid, make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.reading import PlateReading
from polypvision.track import PlateTracks, link_readings, to_record

PLACES = grid(3, 3, 34.0)


def _plate(day: float, *, without: tuple[int, ...] = (), photo: str | None = None) -> PlateReading:
    polyps = [
        make_polyp(n + 1, x, y, 15.0 + n) for n, (x, y) in enumerate(PLACES) if n not in without
    ]
    return make_reading(day, polyps, photo=photo)


def _steady(tracks: PlateTracks, count: int = 9) -> bool:
    return len(tracks.individuals) == count and tracks.events == ()


def test_a_date_years_off_is_left_out_and_said() -> None:
    for off in (-9000.0, 3000.0):
        odd = _plate(off, photo="odd.jpg")
        tracks = link_readings([_plate(0), odd, _plate(7), _plate(14)])
        assert _steady(tracks)
        assert [photo.day for photo in tracks.photos] == [0, 7, 14]
        (remark,) = tracks.remarks
        assert "odd.jpg" in remark
        assert "--date" in remark
        assert to_record(tracks)["remarks"] == [remark]
        # With its date corrected it is there again.
        mended = replace(odd, facts=replace(odd.facts, taken_at=START + timedelta(days=10)))
        again = link_readings([_plate(0), mended, _plate(7), _plate(14)])
        assert _steady(again)
        assert len(again.photos) == 4
        assert again.remarks == ()


def test_when_nobody_can_say_which_date_is_wrong_all_are_kept() -> None:
    tracks = link_readings([_plate(0), _plate(4000)])
    assert len(tracks.photos) == 2
    assert tracks.remarks == ()


def test_two_photos_on_one_day_and_one_given_twice() -> None:
    readings = [_plate(0), _plate(7), _plate(7.1), _plate(14)]
    assert _steady(link_readings(readings))
    assert _steady(link_readings([*readings[::-1], readings[1]]))
    same = [_plate(0), _plate(7, photo="a.jpg"), _plate(7, photo="b.jpg")]
    assert _steady(link_readings(same))


def test_plates_with_little_on_them() -> None:
    alone = make_polyp(1, 50, 50)
    assert _steady(link_readings([_plate(0)]))
    assert _steady(link_readings([make_reading(day, [alone]) for day in (0, 7)]), 1)
    assert _steady(link_readings([make_reading(0, [])]), 0)
    gone = link_readings([make_reading(0, [alone]), make_reading(7, []), make_reading(14, [])])
    assert [one.kind for one in gone.events] == ["lost"]
    come = link_readings([make_reading(0, []), make_reading(7, [alone]), make_reading(14, [alone])])
    assert [one.kind for one in come.events] == ["new"]


def test_a_deleted_or_corrected_reading_is_as_if_it_had_always_been_so() -> None:
    wrong = _plate(7, without=(2, 3, 5))
    readings = [_plate(0), wrong, _plate(14), _plate(21)]
    right = replace(wrong, polyps=_plate(7).polyps)
    corrected = link_readings([readings[0], right, *readings[2:]])
    assert to_record(corrected) == to_record(link_readings([_plate(d) for d in (0, 7, 14, 21)]))
    deleted = link_readings([readings[0], *readings[2:]])
    assert to_record(deleted) == to_record(link_readings([_plate(d) for d in (0, 14, 21)]))


def test_a_cut_logged_on_a_day_after_the_photo_that_shows_it_is_no_evidence_yet() -> None:
    x, y = PLACES[4]
    halves = [make_polyp(20, x - 5, y, 12.0), make_polyp(21, x + 5, y, 12.0)]
    after = make_reading(7, [*_plate(7, without=(4,)).polyps, *halves])
    cut = LogEntry(
        plate="0042",
        at=START + timedelta(days=9),
        kind="cut",
        individual="P05",
        method="halves",
        pieces=2,
    )
    late = link_readings([_plate(0), after], log=[cut])
    plain = link_readings([_plate(0), after])
    assert to_record(late) == to_record(plain)
    mended = link_readings([_plate(0), after], log=[replace(cut, at=START + timedelta(days=5))])
    assert "cut logged" in mended.events[0].evidence


def test_a_photo_that_does_not_fit_its_plate_costs_nobody_a_name() -> None:
    strange = make_reading(7, [make_polyp(n + 1, 7.0 * n * n, 50.0 + n, 7.0) for n in range(5)])
    tracks = link_readings([_plate(0), strange, _plate(14), _plate(21)])
    first, last = tracks.photos[0].names, tracks.photos[-1].names
    assert first == last
