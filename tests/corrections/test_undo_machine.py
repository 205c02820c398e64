"""Undo and redo by any number of people, in any order, against stacks as an editor has them."""

from dataclasses import replace

import hypothesis.strategies as st
import numpy as np
from correction_makers import correction
from hypothesis import HealthCheck, settings
from hypothesis.stateful import Bundle, RuleBasedStateMachine, consumes, invariant, rule
from time_builders import PX_PER_MM, ellipse, make_polyp, make_reading

from polypvision.corrections import Correction, apply, correct, to_redo, to_undo
from polypvision.corrections.acts import Act, AddMouth, AddPolyp, DeletePolyp, PaintWound, Withdraw
from polypvision.corrections.record import from_record, to_record
from polypvision.reading import to_record as reading_record

MACHINE = replace(
    make_reading(0, [make_polyp(n, 20 + 30 * n, 30, 14.0 + n) for n in range(3)]),
    plate_to_photo=np.diag([PX_PER_MM, PX_PER_MM, 1.0]),
)
AUTHORS = st.sampled_from(["Ada", "Bo", "Cy"])


class UndoMachine(RuleBasedStateMachine):
    """The model: of each correction how often it is taken back, and each person's stack of undos.

    Everything that was said stands in ``said``, as the logbook keeps it.
    """

    made = Bundle("made")

    def __init__(self) -> None:
        super().__init__()
        self.said: list[Correction] = []
        self.taken_back: dict[str, int] = {}
        self.undos: dict[str, list[tuple[str, str]]] = {}

    def _say(self, author: str, act: Act, *was: int) -> str:
        number = len(self.said) + 1
        polyps = [MACHINE.polyps[label] for label in was]
        one = correction(number, act, *polyps, author=author, minutes=-number)
        # By way of the logbook's own form.
        self.said.append(from_record(to_record(one)))
        return one.id

    def _correct(self, author: str, act: Act, *was: int) -> str:
        of = self._say(author, act, *was)
        self.taken_back[of] = 0
        self.undos[author] = []
        return of

    @rule(target=made, author=AUTHORS, label=st.integers(0, 2), kind=st.integers(0, 2))
    def correct(self, author: str, label: int, kind: int) -> str:
        x, y = MACHINE.polyps[label].x_px, MACHINE.polyps[label].y_px
        acts: list[Act] = [
            DeletePolyp(),
            AddMouth(place_px=(x + 12, y)),
            PaintWound(outline_px=ellipse(x, y, 20, 20)),
        ]
        return self._correct(author, acts[kind], label)

    @rule(target=made, author=AUTHORS, column=st.integers(0, 5))
    def add(self, author: str, column: int) -> str:
        outline = ellipse(20 + 20 * column, 90, 9, 9) * PX_PER_MM
        return self._correct(author, AddPolyp(outline_px=outline))

    @rule(author=AUTHORS)
    def undo(self, author: str) -> None:
        of = self._last_held(author)
        if of is not None:
            self._withdraw(author, of)

    @rule(author=AUTHORS)
    def redo(self, author: str) -> None:
        stack = self.undos.get(author, [])
        if stack:
            undo, of = stack.pop()
            self.taken_back[of] -= 1
            self._say(author, Withdraw(of=undo))

    @rule(author=AUTHORS, of=consumes(made))
    def withdraw(self, author: str, of: str) -> None:
        """A line of the list, one's own or another's."""
        self._withdraw(author, of)

    def _withdraw(self, author: str, of: str) -> None:
        self.taken_back[of] += 1
        self.undos.setdefault(author, []).append((self._say(author, Withdraw(of=of)), of))

    def _last_held(self, author: str) -> str | None:
        own = [one.id for one in self.said if one.author == author and one.id in self.taken_back]
        held = [of for of in own if self.taken_back[of] == 0]
        return held[-1] if held else None

    @invariant()
    def everybody_can_undo_and_redo_their_own(self) -> None:
        for author in ("Ada", "Bo", "Cy"):
            stack = self.undos.get(author, [])
            assert to_undo(self.said, author) == self._last_held(author)
            assert to_redo(self.said, author) == (stack[-1][0] if stack else None)

    @invariant()
    def only_what_holds_is_seen(self) -> None:
        held = [one for one in self.said if self.taken_back.get(one.id) == 0]
        now = correct(MACHINE, self.said)
        assert reading_record(now.reading) == reading_record(apply(MACHINE, held))
        states = {one.correction.id: one.state for one in now.standings}
        gone = {of for of, times in self.taken_back.items() if times}
        assert {of for of in self.taken_back if states[of] == "withdrawn"} == gone
        if not held:
            assert now.reading is MACHINE


TestUndo = UndoMachine.TestCase
TestUndo.settings = settings(
    max_examples=12,
    stateful_step_count=14,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)


def test_what_was_left_behind_stays_so_when_another_takes_the_last_one_back() -> None:
    first = correction(1, DeletePolyp(), MACHINE.polyps[0])
    undo = correction(2, Withdraw(of=first.id))
    second = correction(3, DeletePolyp(), MACHINE.polyps[1])
    assert to_redo([first, undo], "Ada") == undo.id
    others = correction(4, Withdraw(of=second.id), author="Bo")
    assert to_redo([first, undo, second, others], "Ada") is None
