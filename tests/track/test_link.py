from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from time_builders import START, grid, make_polyp, make_reading

from polypvision.errors import DateMissing
from polypvision.events import LogEntry, SeenEvent
from polypvision.reading import PhotoFacts, PlateReading
from polypvision.track import (
    PlateTracks,
    TrackSettings,
    days_between,
    link_readings,
    to_record,
)

PLACES = grid(4, 3, 32.0)


def _plain(day: float, *, without: Sequence[int] = (), growth: float = 0.003) -> PlateReading:
    """Twelve discs at their places, some missing."""
    polyps = [
        make_polyp(n + 1, x, y, (16 + n % 5) * float(np.exp(growth * day)))
        for n, (x, y) in enumerate(PLACES)
        if n not in without
    ]
    return make_reading(day, polyps)


def _by_label(tracks: PlateTracks, photo: int) -> dict[int, str]:
    return dict(tracks.photos[photo].names)


def test_names_run_in_reading_order_and_hold_through_time() -> None:
    tracks = link_readings([_plain(day) for day in (0, 3, 7, 14)])
    assert [one.name for one in tracks.individuals] == [f"P{n:02d}" for n in range(1, 13)]
    for photo in range(4):
        assert _by_label(tracks, photo) == {n: f"P{n:02d}" for n in range(1, 13)}
    assert tracks.events == ()
    assert tracks.individual("P03").last.day == 14
    with pytest.raises(KeyError):
        tracks.individual("P99")


def test_names_stay_when_photos_are_added() -> None:
    days = (0, 7, 14, 21, 28)
    readings = [_plain(day, without=(4,) if day == 14 else ()) for day in days]
    for n in range(1, len(days)):
        shorter, longer = link_readings(readings[:n]), link_readings(readings[: n + 1])
        for photo in range(n):
            assert _by_label(shorter, photo) == _by_label(longer, photo)


def test_readings_may_come_in_any_order_and_twice() -> None:
    readings = [_plain(day) for day in (0, 7, 14)]
    again = [readings[2], readings[0], readings[1], readings[0]]
    assert to_record(link_readings(again)) == to_record(link_readings(readings))


def test_no_photo_and_no_polyp() -> None:
    nothing = link_readings([])
    assert nothing.photos == ()
    assert nothing.individuals == ()
    assert nothing.events == ()
    assert np.isnan(nothing.day_of(START))
    empty = link_readings([make_reading(0, []), make_reading(7, [])])
    assert len(empty.photos) == 2
    assert empty.individuals == ()


def test_a_reading_without_a_date_is_refused_in_words() -> None:
    reading = _plain(0)
    undated = replace(reading, facts=PhotoFacts(photo="tray 3.jpg", sha256="00", taken_at=None))
    with pytest.raises(DateMissing, match=r"tray 3\.jpg has no date.*--date"):
        link_readings([reading, undated])


def test_readings_of_two_plates_are_refused() -> None:
    with pytest.raises(ValueError, match="0042, 0043"):
        link_readings([_plain(0), replace(_plain(1), plate="0043")])


def test_one_missed_on_a_photo_is_found_again() -> None:
    tracks = link_readings([_plain(0), _plain(7, without=(5,)), _plain(14)])
    assert _by_label(tracks, 2)[6] == "P06"
    assert [one.day for one in tracks.individual("P06").observations] == [0, 14]
    assert tracks.events == ()
    assert tracks.individual("P06").end is None


def test_an_empty_photo_between_loses_nobody() -> None:
    tracks = link_readings([_plain(0), make_reading(7, []), _plain(14)])
    assert len(tracks.individuals) == 12
    assert tracks.events == ()


def test_one_gone_for_good_is_lost_since_its_first_missing() -> None:
    gone = [_plain(day, without=(5,)) for day in (14, 21)]
    tracks = link_readings([_plain(0), _plain(7), *gone])
    (event,) = tracks.events
    assert (event.kind, event.individuals) == ("lost", ("P06",))
    assert event.at == START + timedelta(days=14)
    assert event.after == START + timedelta(days=7)
    assert tracks.individual("P06").end == "lost"
    surer = link_readings([_plain(0), _plain(7), *gone, _plain(28, without=(5,))]).events[0]
    assert surer.confidence > event.confidence > 0.5


@pytest.mark.parametrize(("kind", "end"), [("sale", "sold"), ("loss", "lost")])
def test_a_logged_sale_or_loss_is_evidence(kind: str, end: str) -> None:
    at = START + timedelta(days=8)
    entry = LogEntry(plate="0042", at=at, kind=kind, individual="P06", pieces=1)  # type: ignore[arg-type]
    readings = [_plain(0), _plain(7), _plain(14, without=(5,)), _plain(21)]
    tracks = link_readings(readings, log=[entry])
    # Whatever stands there later is somebody else.
    assert _by_label(tracks, 3)[6] == "P13"
    lost = next(one for one in tracks.events if one.kind == "lost")
    assert f"{kind} logged on {at:%Y-%m-%d}" in lost.evidence
    assert lost.confidence > 0.95
    assert tracks.individual("P06").end == end
    # Without the entry the same polyp is found again.
    assert _by_label(link_readings(readings), 3)[6] == "P06"


def test_a_sale_that_names_no_one_explains_as_many_as_its_pieces() -> None:
    def sale(pieces: int) -> LogEntry:
        return LogEntry(plate="0042", at=START + timedelta(days=8), kind="sale", pieces=pieces)

    readings = [_plain(0), _plain(7), _plain(14, without=(5, 8)), _plain(21, without=(5, 8))]
    both = link_readings(readings, log=[sale(2)])
    assert [both.individual(name).end for name in ("P06", "P09")] == ["sold", "sold"]
    # One was sold, two are gone: nobody knows which.
    open_question = link_readings(readings, log=[sale(1)])
    assert [open_question.individual(name).end for name in ("P06", "P09")] == ["lost", "lost"]
    late = LogEntry(plate="0042", at=START + timedelta(days=20), kind="sale", pieces=2)
    assert link_readings(readings, log=[late]).individual("P06").end == "lost"


def test_a_new_polyp_has_a_new_name_and_the_old_keep_theirs() -> None:
    stray = make_polyp(13, 36.0, 36.0, 8.0)
    later = [replace(_plain(day), polyps=(*_plain(day).polyps, stray)) for day in (7, 14)]
    tracks = link_readings([_plain(0), *later])
    assert _by_label(tracks, 2) == {n: f"P{n:02d}" for n in range(1, 14)}
    (event,) = tracks.events
    assert (event.kind, event.individuals) == ("new", ("P13",))
    assert tracks.individual("P13").parents == ()


def test_a_foot_margin_daughter_is_new_and_names_its_parent() -> None:
    x, y = PLACES[5]
    daughter = make_polyp(13, x + 12.0, y, 6.0)
    later = [replace(_plain(day), polyps=(*_plain(day).polyps, daughter)) for day in (7, 14)]
    tracks = link_readings([_plain(0), *later])
    assert [one.kind for one in tracks.events] == ["new"]
    assert tracks.individual("P13").parents == ("P06",)
    assert "foot margin of P06" in tracks.events[0].evidence
    assert tracks.individual("P06").end is None


def test_a_shifted_and_turned_plate_keeps_its_names() -> None:
    turn = np.deg2rad(9)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])

    def moved(reading: PlateReading) -> PlateReading:
        polyps = []
        for one in reading.polyps:
            x, y = matrix @ (one.x_mm, one.y_mm) + (11.0, -8.0)
            polyps.append(
                replace(one, x_mm=x, y_mm=y, outline_mm=one.outline_mm @ matrix.T + (11.0, -8.0))
            )
        return replace(reading, polyps=tuple(polyps))

    tracks = link_readings([_plain(0), moved(_plain(7)), _plain(14)])
    assert _by_label(tracks, 1) == {n: f"P{n:02d}" for n in range(1, 13)}
    assert tracks.photos[1].motion.turn_deg == pytest.approx(-9, abs=0.1)
    sighting = tracks.individual("P06").observations[1]
    assert (sighting.x_mm, sighting.y_mm) == pytest.approx(PLACES[5], abs=0.2)
    assert sighting.outline_mm.mean(axis=0) == pytest.approx(PLACES[5], abs=0.2)


def test_movement_is_allowed_per_day_not_per_photo() -> None:
    one, two = make_polyp(1, 50, 50), make_polyp(1, 58, 50)
    soon = link_readings([make_reading(0, [one]), make_reading(2, [two])])
    late = link_readings([make_reading(0, [one]), make_reading(14, [two])])
    far = link_readings([make_reading(0, [one]), make_reading(2, [make_polyp(1, 70, 50)])])
    # Farther than it creeps in two days: pushed, if it looks the same and nobody else does.
    assert [event.kind for event in soon.events] == ["moved"]
    assert len(late.individuals) == 1
    # Too far to say so of a polyp with none beside it to compare.
    assert len(far.individuals) == 2
    assert far.events[0].kind == "rearranged"
    assert far.events[0].confidence < 0.5
    limits = TrackSettings()
    assert limits.reach_mm(0) == 3.0
    assert limits.reach_mm(14) == 10.0
    assert limits.reach_mm(1000) == limits.move_cap_mm


def test_two_photos_of_one_moment() -> None:
    first, second = _plain(0), make_reading(0, _plain(0).polyps, photo="second.jpg")
    tracks = link_readings([first, second, _plain(7)])
    assert len(tracks.photos) == 3
    assert len(tracks.individuals) == 12
    assert tracks.events == ()


def test_equally_near_places_are_settled_the_same_way_every_time() -> None:
    # One polyp exactly between two that stood there before; the next date exactly crosswise.
    before = make_reading(0, [make_polyp(1, 50, 50, 8), make_polyp(2, 56, 50, 8)])
    between = make_reading(7, [make_polyp(1, 53, 50, 8)])
    results = {str(to_record(link_readings([before, between]))) for _ in range(3)}
    assert len(results) == 1
    assert _by_label(link_readings([before, between]), 1) == {1: "P01"}


def test_of_two_alike_newcomers_the_first_in_reading_order_gets_the_name() -> None:
    before = make_reading(0, [make_polyp(1, 53, 50, 8)])
    for left, right in ((1, 2), (2, 1)):
        after = make_reading(7, [make_polyp(left, 50, 50, 8), make_polyp(right, 56, 50, 8)])
        assert _by_label(link_readings([before, after]), 1)[left] == "P01"


def test_one_seen_last_time_comes_before_one_long_missing() -> None:
    # P01 is missing from day 7 on; on day 28 a polyp stands between the two, and less far from
    # where P01 was than P01 may have crept in the time.
    left, right = make_polyp(1, 44, 50, 8), make_polyp(2, 56, 50, 8)
    readings = [make_reading(0, [left, right])]
    readings += [make_reading(day, [right]) for day in (7, 14, 21)]
    readings.append(make_reading(28, [make_polyp(1, 50.8, 50, 8)]))
    assert _by_label(link_readings(readings), 4) == {1: "P02"}


def test_a_crowd_of_three_hundred_touching_discs() -> None:
    rng = np.random.default_rng(11)
    places = np.array(grid(20, 15, 9.0))
    sizes = rng.uniform(7.5, 8.9, len(places))

    def crowd(day: float) -> PlateReading:
        jitter = rng.normal(0, 0.5, places.shape)
        order = rng.permutation(len(places))
        polyps = [
            make_polyp(
                n + 1,
                places[who, 0] + jitter[who, 0],
                places[who, 1] + jitter[who, 1],
                float(sizes[who]),
                score=who / 1000,
            )
            for n, who in enumerate(order)
        ]
        return make_reading(day, polyps)

    tracks = link_readings([crowd(0), crowd(7), crowd(14)])
    assert len(tracks.individuals) == 300
    for individual in tracks.individuals:
        assert len({one.polyp.score for one in individual.observations}) == 1


@given(seed=st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_how_the_polyps_are_numbered_changes_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    places = np.array(PLACES) + rng.uniform(-5, 5, (12, 2))
    plain, shuffled = [], []
    for day in (0.0, 6.0, 13.0):
        here = places + rng.normal(0, 1.0, places.shape)
        keep = np.flatnonzero(rng.random(12) > 0.1)
        order = rng.permutation(len(keep))
        named = [
            make_polyp(n + 1, here[who, 0], here[who, 1], 15.0 + who / 3)
            for n, who in enumerate(keep)
        ]
        plain.append(make_reading(day, named))
        numbers = np.argsort(order)
        shuffled.append(
            make_reading(
                day,
                sorted(
                    (
                        replace(one, label=int(number) + 1)
                        for one, number in zip(named, numbers, strict=True)
                    ),
                    key=lambda one: one.label,
                ),
            )
        )

    def where(tracks: PlateTracks) -> list[tuple[str, list[tuple[float, float]]]]:
        return [
            (one.name, [(seen.polyp.x_mm, seen.polyp.y_mm) for seen in one.observations])
            for one in tracks.individuals
        ]

    assert where(link_readings(plain)) == where(link_readings(shuffled))


def test_days_are_elapsed_time_where_the_offsets_are_known() -> None:
    # Clocks go forward in between (European summer time began on 31 March 2024).
    winter = datetime(2024, 3, 30, 12, tzinfo=timezone(timedelta(hours=1)))
    summer = datetime(2024, 3, 31, 12, tzinfo=timezone(timedelta(hours=2)))
    assert days_between(winter, summer) == pytest.approx(23 / 24)
    assert days_between(winter.replace(tzinfo=None), summer) == 1.0
    assert days_between(datetime(2024, 2, 28), datetime(2024, 3, 1)) == 2.0


def test_dates_with_and_without_an_offset_can_be_mixed() -> None:
    naive = make_reading(7, _plain(7).polyps, taken_at=datetime(2031, 3, 11, 9, 0))
    tracks = link_readings([_plain(14), naive, _plain(0)])
    assert [round(photo.day) for photo in tracks.photos] == [0, 7, 14]
    assert len(tracks.individuals) == 12


def test_the_record_is_plain_json_with_none_for_unknown() -> None:
    reading = make_reading(0, [make_polyp(1, 50, 50, wound_mm2=float("nan"))])
    record = to_record(link_readings([reading]))
    assert record["plate"] == "0042"
    assert record["photos"][0]["motion"]["agreeing"] == 0
    (individual,) = record["individuals"]
    assert individual["name"] == "P01"
    assert individual["observations"][0]["wound_mm2"] is None
    assert individual["observations"][0]["taken_at"] == START.isoformat()


def test_one_missing_on_a_bad_photo_alone_is_less_surely_lost() -> None:
    whole = [make_polyp(n + 1, 30 + 40 * n, 30, 20.0) for n in range(4)]

    def lost(*flags: str) -> SeenEvent:
        last = make_reading(7, whole[:3], flags=flags)
        (event,) = link_readings([make_reading(0, whole), last]).events
        assert (event.kind, event.individuals) == ("lost", ("P04",))
        return event

    assert lost("soft").confidence < 0.5 < lost().confidence
    assert "not good enough to be sure" in lost("bright").evidence
    assert "not good enough" not in lost("tilted").evidence
