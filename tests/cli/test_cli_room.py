import json
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from made_pieces import plate_of
from run_command import Run

from polypvision.store.logbook import open_logbook
from polypvision.store.readings import save_photo

FATES = [(13.0, 20.0, float("inf"))] * 4 + [(25.0, 33.0, float("inf"))] * 3 + [(40.0, 50.0, 18.0)]


@pytest.fixture
def room(run: Run, tmp_path: Path) -> Path:
    """A logbook with one plate of eight pieces; the command's own place for it."""
    place = tmp_path / "own.sqlite"
    with open_logbook(str(place), create=True) as book, book.writing() as connection:
        for reading in plate_of(FATES):
            save_photo(
                connection, reading, path=reading.facts.photo, settings={}, date_source="exif"
            )
    names = {"halves": range(1, 5), "quarters": range(5, 9)}
    for method, numbers in names.items():
        words = [word for n in numbers for word in ("--individual", f"P{n:02d}")]
        done = run(
            "log", "cut", "42", "--method", method, "--donor", "A", "--date", "2031-03-04", *words
        )
        assert done.status == 0
    return place


def test_ways_of_cutting_are_compared(run: Run, room: Path) -> None:
    done = run("outcomes")
    assert done.status == 0
    assert "4 of 4 halves" in done.out
    assert "3 of 4 quarters" in done.out
    assert "No difference shows" in done.out
    assert "Halves seal faster than quarters" in done.out
    record = json.loads(run("outcomes", "--json", "-").out)
    assert [one["name"] for one in record["groups"]] == ["halves", "quarters"]
    assert record["groups"][0]["half_sealed_days"] == pytest.approx([7, 14], abs=0.2)
    assert record["donors"][0]["donor"] == "A"
    assert record["donors"][0]["followed"] == 8
    done = run("outcomes", "--by", "line")
    assert "polypvision plates PLATE --line" in done.out
    assert run("outcomes", "--by", "moon").status == 2


def test_of_very_many_plates_the_terminal_shows_their_lines(
    run: Run, room: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = run("plan", "--json", "-").out
    assert "0042" in run("plan").out
    monkeypatch.setattr("polypvision.cli.room._MOST_PLATES", 0)
    done = run("plan")
    assert "0042" not in done.out
    assert "all plates" in done.out
    assert "1 plates are not listed one by one; --json" in done.err
    assert run("plan", "--json", "-").out == whole


def test_the_stock_is_foretold(run: Run, room: Path) -> None:
    done = run("plan")
    assert done.status == 0
    assert "all plates" in done.out
    assert "losses" not in done.err
    record = json.loads(run("plan", "--weeks", 3, "--json", "-").out)
    (plate,) = record["plates"]
    assert (plate["name"], plate["n_pieces"], plate["n_ready"]) == ("0042", 7, 7)
    assert [week["on"] for week in plate["weeks"]] == ["2031-05-06", "2031-05-13", "2031-05-20"]
    assert json.loads(run("plan", "--json", "-", "--size-mm", 99).out)["all"]["n_ready"] == 0
    assert run("plan", "--size-mm", 0).status == 2
    assert run("plan", "--weeks", 0).status == 2


def test_today_is_listed_as_of_a_day(run: Run, room: Path) -> None:
    done = run("today", "--on", "2031-04-30")
    assert done.status == 0
    assert " 1. Plate 0042: " in done.out
    assert "are ready" in done.out
    record = json.loads(run("today", "--on", "2031-03-25", "--json", "-").out)
    assert record["on"] == "2031-03-25"
    assert record["tasks"][0]["kind"] == "lost"
    told = run("today", "--on", "2031-03-25")
    assert "3 photos dated after 25 Mar 2031 are left out" in told.err
    assert told == run("today", "--on", "2031-03-25")
    # Years later all that is known is old, and a photo is due.
    assert "Take a photo" in run("today", "--on", "2041-01-01").out
    assert "Take a photo" in run("today", "--on", "2031-03-01").out
    for words in (("--on", "soon"), ("--photo-days", "7,3"), ("--photo-days", "x")):
        assert run("today", *words).status == 2


def test_a_task_is_ticked_off_and_put_back(run: Run, room: Path) -> None:
    day = ("--on", "2031-03-25")
    first = json.loads(run("today", *day, "--json", "-").out)["tasks"][0]
    told = run("today", *day, "--done", first["key"][:6], "--author", "Ada")
    assert f"Done: Plate 0042: {first['what']} (Ada, " in told.out
    record = json.loads(run("today", *day, "--json", "-").out)
    assert first["key"] not in {one["key"] for one in record["tasks"]}
    assert [(one["key"], one["by"]) for one in record["done"]] == [(first["key"], "Ada")]
    run("today", *day, "--undo", first["key"])
    assert json.loads(run("today", *day, "--json", "-").out)["tasks"][0] == first
    assert run("today", *day, "--done", "nosuch").status == 1


def test_of_many_things_to_do_the_most_urgent_are_listed(
    run: Run, room: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    day = ("--on", "2031-03-25")
    whole = run("today", *day)
    assert "left out; --all" not in whole.err
    n = len(json.loads(run("today", *day, "--json", "-").out)["tasks"])
    monkeypatch.setattr("polypvision.today.MOST_LISTED", 1)
    short = run("today", *day)
    assert whole.out.startswith(short.out)
    assert short.out.count("(key ") == 1
    assert f"{n - 1} more, less urgent, are left out; --all lists them, --json FILE" in short.err
    assert run("today", *day, "--all") == whole
    assert len(json.loads(run("today", *day, "--json", "-").out)["tasks"]) == n


def test_an_empty_logbook(run: Run, tmp_path: Path) -> None:
    with open_logbook(str(tmp_path / "own.sqlite"), create=True):
        pass
    assert "No cut piece is on record" in run("outcomes").out
    assert "No photo is recorded yet" in run("plan").out
    assert "Nothing needs you" in run("today", "--on", "2031-03-25").out


def test_without_a_log_nothing_is_compared_but_the_stock_is_foretold(
    run: Run, tmp_path: Path
) -> None:
    with open_logbook(str(tmp_path / "own.sqlite"), create=True) as book:
        for reading in plate_of(FATES):
            with book.writing() as connection:
                save_photo(connection, reading, path=reading.facts.photo, settings={})
    assert "No cut piece is on record" in run("outcomes").out
    assert json.loads(run("plan", "--json", "-").out)["all"]["n_pieces"] == 7
    assert run("today", "--on", "2031-04-30").status == 0


def test_today_is_today_unless_another_day_is_named(run: Run, room: Path) -> None:
    record = json.loads(run("today", "--json", "-").out)
    assert record["on"] in {
        datetime.now().astimezone().date().isoformat(),
        datetime.now(UTC).date().isoformat(),
    }


def test_help_does_not_wait_for_statistics(run: Run) -> None:
    before = set(sys.modules)
    assert run("--help").status == 0
    assert "today" in run("--help").out
    loaded = {name.partition(".")[0] for name in set(sys.modules) - before}
    assert not loaded & {"statsmodels", "patsy"}
