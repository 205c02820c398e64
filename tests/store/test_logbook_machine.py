"""The logbook, whatever is done to it in whatever order, against a plain model of what was said."""

import shutil
import tempfile
from collections import defaultdict
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, settings
from hypothesis.stateful import Bundle, RuleBasedStateMachine, invariant, multiple, rule
from time_builders import make_polyp, make_reading

from polypvision.corrections.record import to_record as correction_record
from polypvision.errors import CorrectionError
from polypvision.events import LogEntry
from polypvision.plates.correct import correct_photos
from polypvision.plates.log import log_of, note, say_of_plate
from polypvision.reading import Outcome, Refusal, to_record
from polypvision.store.backup import back_up
from polypvision.store.corrections import corrections_of
from polypvision.store.entries import entries_of
from polypvision.store.facts import find_facts
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import find_photo, photos_of, save_photo
from polypvision.store.ticks import Tick, add_tick, ticks_that_hold

PLATES = st.sampled_from(["0041", "rack <3>", "=A1"])
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
NOW = datetime(2031, 3, 5, tzinfo=UTC)


class Stop(Exception):
    """The program stops in the middle of writing."""


class LogbookMachine(RuleBasedStateMachine):
    """The model: readings and corrections by photo, lines by plate, ticks by task."""

    photos = Bundle("photos")

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="polypvision-test-"))
        self.path = self.folder / "logbook.sqlite"
        self.book = open_logbook(self.path, create=True)
        self.readings: dict[str, dict[str, Any]] = {}
        self.lines: dict[str, list[LogEntry]] = defaultdict(list)
        self.said: dict[str, str] = {}
        self.ticks: dict[str, bool] = {}
        self.n_corrections: dict[str, int] = defaultdict(int)
        self.copies = 0

    def teardown(self) -> None:
        self.book.close()
        shutil.rmtree(self.folder)

    def _save(self, outcome: Outcome) -> str:
        with self.book.writing() as connection:
            save_photo(
                connection, outcome, path="/p/a.jpg", settings={}, size_px=(600, 400), now=NOW
            )
        self.readings[outcome.facts.sha256] = to_record(outcome)
        return outcome.facts.sha256

    @rule(target=photos, plate=PLATES, day=st.integers(0, 40), n=st.integers(0, 3))
    def record(self, plate: str, day: int, n: int) -> Any:
        """A photo, or one that is there read again; only one with polyps can be corrected."""
        polyps = [make_polyp(k, 15 + 25 * k, 30, 12 + 0.1 * day) for k in range(1, n + 1)]
        reading = make_reading(day, polyps, plate=plate, photo=f"{plate} {day}")
        known = self.readings.get(reading.facts.sha256)
        if known is not None and self.n_corrections[reading.facts.sha256]:
            return multiple()
        sha256 = self._save(reading)
        return sha256 if n else multiple()

    @rule(day=st.integers(50, 60), words=TEXT)
    def refuse(self, day: int, words: str) -> None:
        facts = make_reading(day, (), photo=f"dark {day}").facts
        self._save(Refusal(facts=facts, kind="no-card", message=words))

    @rule(
        plate=PLATES, text=TEXT, kind=st.sampled_from(["note", "cut"]), hour=st.integers(0, 23),
        pieces=st.none() | st.integers(1, 99),
    )  # fmt: skip
    def write_down(self, plate: str, text: str, kind: Any, hour: int, pieces: int | None) -> None:
        at = datetime(2031, 3, 4, hour, tzinfo=UTC)
        entry = LogEntry(plate=plate, at=at, kind=kind, pieces=pieces, donor=text, note=text)
        note(self.book, entry)
        self.lines[plate].append(entry)

    @rule(plate=PLATES, line=TEXT)
    def say(self, plate: str, line: str) -> None:
        say_of_plate(self.book, plate, line=line)
        self.said[plate] = line

    @rule(sha256=photos, kind=st.sampled_from(["add-mouth", "delete", "undo", "redo"]),
          author=st.sampled_from(["Ada", "Bo <b>"]))  # fmt: skip
    def correct(self, sha256: str, kind: str, author: str) -> None:
        label = self.readings[sha256]["polyps"][0]["label"]
        place = [6.0 * (15 + 25 * label) + 9, 180.0]
        wish: dict[str, Any] = {"kind": kind}
        wish |= {"add-mouth": {"label": label, "place_px": place}, "delete": {"label": label}}.get(
            kind, {}
        )
        try:
            correct_photos(self.book, [wish], author=author, photo=sha256, now=NOW)
        except CorrectionError:
            return  # It cannot be done as things are; then nothing of it may be there.
        self.n_corrections[sha256] += 1

    @rule(sha256=photos)
    def two_at_once_or_none(self, sha256: str) -> None:
        wrong = [{"kind": "name", "label": 1, "name": "Ruby"}, {"kind": "delete", "label": 999}]
        with pytest.raises(CorrectionError):
            correct_photos(self.book, wrong, author="Ada", photo=sha256, now=NOW)

    @rule(key=st.sampled_from(["a", "b"]), done=st.booleans())
    def tick(self, key: str, done: bool) -> None:
        with self.book.writing() as connection:
            add_tick(connection, Tick(key=key, done=done, author="Ada", at=NOW, task={"k": key}))
        self.ticks[key] = done

    @rule(plate=PLATES)
    def stop_while_writing(self, plate: str) -> None:
        facts = make_reading(70, (), photo="half").facts
        reading = replace(make_reading(70, (), plate="never"), facts=facts)

        def half() -> None:
            with self.book.writing() as connection:
                save_photo(connection, reading, path="/p/half.jpg", settings={})
                raise Stop

        with pytest.raises(Stop):
            half()

    @rule()
    def open_anew(self) -> None:
        self.book.close()
        self.book = open_logbook(self.path)

    @rule()
    def go_on_from_a_copy(self) -> None:
        self.copies += 1
        copy = self.folder / f"copy {self.copies}.sqlite"
        back_up(self.book, copy)
        self.book.close()
        self.path = copy
        self.book = open_logbook(copy)

    @invariant()
    def it_holds_what_was_said(self) -> None:
        with self.book.reading() as connection:
            for sha256, record in self.readings.items():
                photo = find_photo(connection, sha256)
                assert photo is not None
                assert to_record(photo.outcome) == record
                kept = corrections_of(connection, sha256)
                assert [one.number for one in kept] == list(range(1, len(kept) + 1))
                assert len(kept) == self.n_corrections[sha256]
                assert len({correction_record(one)["id"] for one in kept}) == len(kept)
            assert find_facts(connection, "never") is None
            for plate in {*self.lines, *self.said}:
                self._plate(self.book, plate)
                read = [one.sha256 for one in photos_of(connection, plate)]
                mine = [
                    sha256
                    for sha256, record in self.readings.items()
                    if record["plate"] == plate and record["error"] is None
                ]
                assert sorted(read) == sorted(mine)
                facts = find_facts(connection, plate)
                assert facts is not None
                assert facts.line == self.said.get(plate, "")
                wanted = sorted(self.lines[plate], key=lambda one: one.at)
                assert entries_of(connection, plate) == wanted
            holding = {key for key, done in self.ticks.items() if done}
            assert set(ticks_that_hold(connection)) == holding

    def _plate(self, book: Logbook, plate: str) -> None:
        assert len(log_of(book, plate)) == len(self.lines[plate])


TestLogbook = LogbookMachine.TestCase
TestLogbook.settings = settings(
    max_examples=8,
    stateful_step_count=14,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
