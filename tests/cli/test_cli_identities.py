"""Who is who, settled by the keeper by name."""

from pathlib import Path

import pytest
from run_command import Run
from time_builders import grid, make_polyp, make_reading

from polypvision.plates.show import tracks_of
from polypvision.store.logbook import open_logbook
from polypvision.store.readings import save_photo
from polypvision.track import PlateTracks

PLACES = grid(3, 3, 36.0)
DAYS = (0.0, 7, 14, 21, 28, 35)


def _fill(place: Path, sizes: list[float], stands: dict[int, int], since: float) -> None:
    with open_logbook(str(place), create=True) as book, book.writing() as connection:
        for day in DAYS:
            polyps = [
                make_polyp(n + 1, *PLACES[stands.get(n, n) if day >= since else n], size)
                for n, size in enumerate(sizes)
            ]
            reading = make_reading(day, polyps, photo=f"plate-{day:02.0f}.jpg")
            save_photo(
                connection, reading, path=reading.facts.photo, settings={}, date_source="exif"
            )


def _tracks(place: Path) -> PlateTracks:
    with open_logbook(str(place)) as book:
        return tracks_of(book, "0042")


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "own.sqlite"


def test_open_identities_are_settled_by_name(run: Run, place: Path) -> None:
    sizes = [12.0, 12.2, 12.1, 19.0, 19.2, 19.1, 29.0, 29.2, 29.1]
    _fill(place, sizes, {0: 8, 8: 4, 4: 0, 1: 3, 3: 7, 7: 1, 2: 5, 5: 6, 6: 2}, 7)
    before = _tracks(place)
    open_ones = [one.name for one in before.individuals if one.end == "open"]
    assert "who is who" in run("today", "--on", "2031-03-12", "--json", "-").out
    # Labels are the true pieces, so the truth is known.
    pairs = [
        f"{before.photos[1].names[label]}={name}"
        for label, name in before.photos[0].names.items()
        if name in open_ones
    ]
    done = run("log", "same", 42, *pairs)
    assert done.status == 0
    assert done.out.count(" is P") == len(open_ones)
    after = _tracks(place)
    assert all(one.end is None for one in after.individuals)
    assert [photo.names for photo in after.photos] == [after.photos[0].names] * len(DAYS)
    assert "who is who" not in run("today", "--on", "2031-03-12", "--json", "-").out


@pytest.mark.parametrize("did", [True, False])
def test_a_doubt_is_settled_either_way(run: Run, place: Path, did: bool) -> None:
    sizes = [20.0, 20.0, 21.24, 20.0, 20.0, 18.84, 20.0, 20.0, 20.0]
    _fill(place, sizes, {2: 5, 5: 2}, 21)
    assert _tracks(place).events[0].individuals == ("P03", "P06")
    pairs = ("P03=P06", "P06=P03") if did else ("P03=P03", "P06=P06")
    assert run("log", "same", 42, *pairs, "--date", "2031-03-25").status == 0
    after = _tracks(place)
    assert [one for one in after.events if one.kind == "rearranged"] == []
    # Label 3 is the same piece throughout.
    assert after.photos[-1].names[3] == ("P03" if did else "P06")


def test_what_cannot_be_is_refused_and_nothing_recorded(run: Run, place: Path) -> None:
    _fill(place, [20.0] * 9, {}, 99)
    for words, said in (
        (("P03=P77",), "has no polyp P77"),
        (("P03=P04", "P05=P04"), "Two cannot both be P04"),
        (("P03=P03",), "was not seen before 2031-03-04"),
        (("P03=P04", "--date", "2032-01-01"), "was not seen on 2032-01-01 or later"),
    ):
        done = run("log", "same", 42, *words)
        assert (done.status, said in done.err) == (1, True), done.err
    assert run("log", "same", 42, "P03").status == 2
    assert all(len(one.observations) == len(DAYS) for one in _tracks(place).individuals)
