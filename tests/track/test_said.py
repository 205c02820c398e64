"""What people say of who is who goes before what the photos show."""

from collections.abc import Sequence
from datetime import timedelta

import pytest
from time_builders import START, make_polyp, make_reading

from polypvision.events import LogEntry, Saying, SayingKind, Sighting
from polypvision.reading import PlateReading, Polyp
from polypvision.track import PlateTracks, link_readings

PLACES = ((20.0, 20.0), (52.0, 20.0), (84.0, 20.0), (20.0, 52.0))


def plate(
    day: float, *, order: Sequence[int] = (0, 1, 2, 3), more: tuple[Polyp, ...] = ()
) -> PlateReading:
    """Four like discs; the n-th label stands at the place that ``order`` tells."""
    polyps = [make_polyp(n, *PLACES[at], 16.0) for n, at in enumerate(order, 1)]
    return make_reading(day, [*polyps, *more])


READINGS = [plate(0), plate(7), plate(14), plate(21)]


def at(reading: PlateReading, label: int) -> Sighting:
    return Sighting(sha256=reading.facts.sha256, label=label)


def say(kind: SayingKind, seen: Sighting, before: Sighting | None = None, name: str = "") -> Saying:
    return Saying(kind=kind, seen=seen, before=before, name=name)


def names(tracks: PlateTracks) -> list[list[str]]:
    return [[one.names[label] for label in sorted(one.names)] for one in tracks.photos]


def test_silence_changes_nothing() -> None:
    assert names(link_readings(READINGS)) == [["P01", "P02", "P03", "P04"]] * 4
    before = {at(one, n): f"P0{n}" for one in READINGS for n in range(1, 5)}
    assert names(link_readings(READINGS, names_before=before)) == names(link_readings(READINGS))


def test_two_that_were_exchanged_are_told_by_joining_one_of_them() -> None:
    # Two discs alike: no photo can tell that they changed places. A person can.
    said = [say("same", at(READINGS[2], 2), at(READINGS[1], 1)),
            say("same", at(READINGS[2], 1), at(READINGS[1], 2))]  # fmt: skip
    tracks = link_readings(READINGS, sayings=said)
    assert names(tracks)[1] == ["P01", "P02", "P03", "P04"]
    # And the photos after it go on from there.
    assert names(tracks)[2:] == [["P02", "P01", "P03", "P04"]] * 2
    assert tracks.individual("P01").last.x_mm == pytest.approx(52, abs=0.5)
    assert all(one.end is None for one in tracks.individuals)


def test_one_that_was_replaced_is_parted() -> None:
    tracks = link_readings(READINGS, sayings=[say("other", at(READINGS[2], 3))])
    assert names(tracks)[1:] == [
        ["P01", "P02", "P03", "P04"],
        ["P01", "P02", "P05", "P04"],
        ["P01", "P02", "P05", "P04"],
    ]
    assert tracks.individual("P03").end == "lost"
    [new] = [one for one in tracks.events if one.kind == "new"]
    assert (new.individuals, new.confidence, new.evidence) == (("P05",), 1.0, "a person said so")


def test_one_that_was_lost_and_comes_back_elsewhere_keeps_its_name() -> None:
    gone = make_reading(14, [p for p in plate(14).polyps if p.label != 4])
    back = make_reading(21, [*gone.polyps, make_polyp(9, 120, 90, 13.0)])
    readings = [plate(0), plate(7), gone, back]
    assert "P05" in names(link_readings(readings))[3]
    tracks = link_readings(readings, sayings=[say("same", at(back, 9), at(readings[1], 4))])
    assert names(tracks)[3] == ["P01", "P02", "P03", "P04"]
    assert [one.kind for one in tracks.events] == []


def test_daughters_end_their_parent_and_a_margin_daughter_does_not() -> None:
    halves = make_reading(
        14, [*plate(14).polyps[:3], make_polyp(5, 100, 80, 11), make_polyp(6, 130, 80, 11)]
    )
    later = make_reading(21, halves.polyps)
    readings = [plate(0), plate(7), halves, later]
    parent = at(readings[1], 4)
    said = [say("daughter", at(later, 5), parent), say("daughter", at(later, 6), parent)]
    tracks = link_readings(readings, sayings=said)
    assert tracks.individual("P04").end == "divided"
    assert [tracks.individual(n).parents for n in ("P05", "P06")] == [("P04",)] * 2
    [event] = [one for one in tracks.events if one.kind == "divided"]
    assert (event.individuals, event.evidence) == (("P04", "P05", "P06"), "a person said so")
    small = make_polyp(7, 84, 52, 5)
    readings = [plate(0), plate(7, more=(small,)), plate(14, more=(small,))]
    tracks = link_readings(
        readings, sayings=[say("daughter", at(readings[1], 7), at(readings[0], 3))]
    )
    assert tracks.individual("P05").parents == ("P03",)
    assert tracks.individual("P03").end is None
    none = link_readings(readings, sayings=[say("no-parent", at(readings[1], 7))])
    assert none.individual("P05").parents == ()


def test_a_daughter_taken_for_its_parent_begins_anew() -> None:
    half = make_reading(14, [*plate(14).polyps[:3], make_polyp(4, 20, 52, 15.5),
                             make_polyp(5, 33, 66, 8)])  # fmt: skip
    readings = [plate(0), plate(7), half]
    parent = at(readings[1], 4)
    said = [say("daughter", at(half, 4), parent), say("daughter", at(half, 5), parent)]
    tracks = link_readings(readings, sayings=said)
    assert tracks.individual("P04").end == "divided"
    assert {one.name for one in tracks.individuals if one.parents == ("P04",)} == {"P05", "P06"}


def test_a_division_that_was_none_is_taken_back() -> None:
    wide = [make_polyp(4, 20, 52, 20.0, stretch=1.5, n_mouths=2)]
    halves = [make_polyp(4, 13, 52, 14.0), make_polyp(5, 27, 52, 14.0)]
    readings = [
        make_reading(0, [*plate(0).polyps[:3], *wide]),
        make_reading(7, [*plate(7).polyps[:3], *wide]),
        make_reading(14, [*plate(14).polyps[:3], *halves]),
    ]
    assert link_readings(readings).individual("P04").end == "divided"
    said = [say("no-parent", at(readings[2], 4)), say("no-parent", at(readings[2], 5))]
    tracks = link_readings(readings, sayings=said)
    assert tracks.individual("P04").end == "lost"
    assert all(not one.parents for one in tracks.individuals)


def test_names_hold_everywhere_and_the_log_may_use_them() -> None:
    gone = [make_reading(21, [p for p in plate(21).polyps if p.label != 2])]
    loss = LogEntry(plate="0042", at=START + timedelta(days=20), kind="sale", individual="Rust 7")
    readings = [*READINGS[:3], *gone]
    tracks = link_readings(
        readings, sayings=[say("name", at(READINGS[2], 2), name="Rust 7")], log=[loss]
    )
    assert tracks.given == {"P02": "Rust 7"}
    assert tracks.individual("Rust 7").end == "sold"
    assert names(tracks)[0] == ["P01", "Rust 7", "P03", "P04"]
    [event] = tracks.events
    assert event.individuals == ("Rust 7",)
    with pytest.raises(KeyError):
        tracks.individual("P02")


def test_a_name_given_twice_is_said_to_be() -> None:
    said = [say("name", at(READINGS[0], 1), name="Ruby"), say("name", at(READINGS[0], 2), name="A"),
            say("name", at(READINGS[3], 2), name="Ruby")]  # fmt: skip
    tracks = link_readings(READINGS, sayings=said)
    assert tracks.given == {"P01": "Ruby"}
    [remark] = tracks.remarks
    assert "P02 was named Ruby, as P01 already is" in remark


def test_nobody_comes_from_one_that_was_first_seen_later() -> None:
    late = make_polyp(7, 84, 52, 12)
    readings = [plate(0), plate(7, more=(late,)), plate(14, more=(late,))]
    tracks = link_readings(
        readings, sayings=[say("daughter", at(readings[2], 1), at(readings[1], 7))]
    )
    assert tracks.individual("P01").parents == ()
    assert "was said to come from P05, but was there no later" in tracks.remarks[0]


def test_who_was_known_keeps_the_name_when_a_missed_one_is_added() -> None:
    missed = make_polyp(9, 5, 5, 12)
    readings = [make_reading(day, [missed, *plate(day).polyps]) for day in (0, 7)]
    assert link_readings(readings).photos[0].names[1] != "P01"
    before = {at(one, n): f"P0{n}" for one in readings for n in range(1, 5)}
    tracks = link_readings(readings, names_before=before)
    assert dict(tracks.photos[1].names) == {1: "P01", 2: "P02", 3: "P03", 4: "P04", 9: "P05"}


def test_the_later_of_two_sayings_holds() -> None:
    here, before = at(READINGS[2], 2), at(READINGS[1], 1)
    tracks = link_readings(READINGS, sayings=[say("same", here, before), say("other", here)])
    assert names(tracks)[2][1] == "P05"
    tracks = link_readings(READINGS, sayings=[say("other", here), say("same", here, before)])
    assert names(tracks)[2][1] == "P01"
