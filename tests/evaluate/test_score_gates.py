"""Spoiled photos are caught with the right remedy and a good one left alone: a short version.

``python -m polypvision evaluate --gates 50`` prints the table.
"""

from polypvision.evaluate.gates import (
    COMPLAINTS,
    WAYS,
    GateScores,
    gates_lines,
    gates_record,
    score_gates,
)
from polypvision.flags import FLAGS


def test_one_plate_good_and_spoiled() -> None:
    scores = score_gates(1, seed=5, ways=("blurred", "dark", "glare", "rippled"))
    assert scores.false_alarms == 0, scores.good
    for key in scores.spoiled:
        assert scores.caught(key) == 1, (key, scores.spoiled[key])


def test_figures_are_counted_as_they_are() -> None:
    good = (frozenset({"wound"}), frozenset({"soft"}))
    scores = GateScores(good=good, spoiled={"tilted": (frozenset({"soft"}), frozenset({"tilted"}))})
    assert scores.false_alarms == 1
    assert scores.caught("tilted") == 1
    assert gates_record(scores)["spoiled"]["tilted"]["said"] == [["soft"], ["tilted"]]
    assert "50.0 %" in gates_lines(scores)[1]


def test_every_answer_is_a_flag_or_a_refusal() -> None:
    kinds = {"blurred", "overexposed", "dark", "small-card", "no-card", "half-card"}
    assert not COMPLAINTS - FLAGS.keys() - kinds
    assert all(way.answers for way in WAYS.values())
