"""Tracks against truth: a worked example from cell tracking, and each mistake by itself."""

from typing import Any

import numpy as np
import pytest

from polypvision import evaluate
from polypvision.evaluate import TrackScores, score_tracks


def square(x: float) -> list[list[float]]:
    return [[x, 0], [x + 10, 0], [x + 10, 10], [x, 10]]


def photo(number: int, **places: float) -> dict[str, Any]:
    """A photo with polyps, by name, at these places; a label is the place over twenty."""
    return {
        "photo": f"day{number}.jpg",
        "sha256": f"hash{number}",
        "error": None,
        "scale": {"mm_per_px": 1.0},
        "polyps": [
            {
                "name": name,
                "label": int(x // 20),
                "outline_px": square(x),
                "diameter_mm": 11.0,
                "diameter_mm_err": 0.1,
                "n_mouths": 0,
                "mouths": [],
                "two_mouths_probability": 0.0,
                "wound_mm2": 0.0,
                "wound_mm2_err": 0.0,
            }
            for name, x in places.items()
        ],
    }


def tracks(
    individuals: dict[str, list[tuple[int, int]]], parents: dict[str, list[str]], photos: int
) -> dict[str, Any]:
    """A plate's record: individuals as (photo, label)."""
    return {
        "photos": [{"sha256": f"hash{n}"} for n in range(1, photos + 1)],
        "individuals": [
            {
                "name": name,
                "parents": parents.get(name, []),
                "observations": [{"sha256": f"hash{n}", "label": label} for n, label in seen],
            }
            for name, seen in individuals.items()
        ],
    }


def scored(
    record: dict[str, Any],
    readings: list[dict[str, Any]],
    truth: list[dict[str, Any]],
    parents: dict[str, list[str]] | None = None,
) -> TrackScores:
    return score_tracks(record, evaluate.score(readings, truth), truth, parents)


def test_worked_example_with_a_missed_division() -> None:
    """Truth 1-2, 2 divides into 3 and 4, 3-5, 4-6; found 1, 2, 3, 4, 5 and a stray polyp, 1-2-3-5.

    Worked with an independent cell-tracking library (traccuracy 0.4.3): node F1 0.8333, edge
    precision 1, recall 0.6, F1 0.75, division recall 0 and precision undefined.
    """
    truth = [
        photo(1, m=100),
        photo(2, m=100),
        photo(3, a=80, b=120),
        photo(4, a=80, b=120),
    ]
    readings = [*truth[:3], photo(4, a=80, stray=400)]
    record = tracks(
        {"P01": [(1, 5), (2, 5), (3, 4), (4, 4)], "P02": [(3, 6)], "P03": [(4, 20)]}, {}, 4
    )
    result = scored(record, readings, truth, {"a": ["m"], "b": ["m"]})
    assert result.polyps.f1 == pytest.approx(0.833333, abs=5e-7)
    assert result.links.precision == 1
    assert result.links.recall == pytest.approx(0.6)
    assert result.links.f1 == pytest.approx(0.75)
    assert result.divisions.recall == 0
    assert np.isnan(result.divisions.precision)
    assert result.switches == 0
    # The division's other branch was seen and not joined.
    assert result.breaks == 1


TWO = [photo(n, a=100, b=200) for n in (1, 2, 3)]


def test_perfect() -> None:
    record = tracks(
        {"P01": [(n, 5) for n in (1, 2, 3)], "P02": [(n, 10) for n in (1, 2, 3)]}, {}, 3
    )
    result = scored(record, TWO, TWO)
    assert result.links.f1 == 1
    assert (result.switches, result.breaks) == (0, 0)


def test_two_identities_switched() -> None:
    record = tracks({"P01": [(1, 5), (2, 10), (3, 10)], "P02": [(1, 10), (2, 5), (3, 5)]}, {}, 3)
    result = scored(record, TWO, TWO)
    assert (result.switches, result.breaks) == (2, 2)
    assert (result.links.tp, result.links.fp, result.links.fn) == (2, 2, 2)


def test_one_lost_and_taken_for_new() -> None:
    record = tracks(
        {"P01": [(n, 5) for n in (1, 2, 3)], "P02": [(1, 10)], "P03": [(2, 10), (3, 10)]}, {}, 3
    )
    result = scored(record, TWO, TWO)
    assert (result.switches, result.breaks) == (0, 1)


def test_a_link_over_a_missed_photo_is_no_switch() -> None:
    readings = [TWO[0], photo(2, a=100), TWO[2]]
    record = tracks({"P01": [(n, 5) for n in (1, 2, 3)], "P02": [(1, 10), (3, 10)]}, {}, 3)
    result = scored(record, readings, TWO)
    assert (result.switches, result.breaks) == (0, 0)
    assert result.links.fn == 2


@pytest.mark.parametrize("parent_keeps_its_name", [True, False])
def test_a_division_found_whatever_the_parent_is_called_after(parent_keeps_its_name: bool) -> None:
    truth = [photo(1, m=100), photo(2, m=80, b=120), photo(3, m=80, b=120)]
    if parent_keeps_its_name:
        record = tracks(
            {"P01": [(1, 5), (2, 4), (3, 4)], "P02": [(2, 6), (3, 6)]}, {"P02": ["P01"]}, 3
        )
    else:
        record = tracks(
            {"P01": [(1, 5)], "P02": [(2, 4), (3, 4)], "P03": [(2, 6), (3, 6)]},
            {"P02": ["P01"], "P03": ["P01"]},
            3,
        )
    result = scored(record, truth, truth, {"b": ["m"]})
    assert (result.divisions.tp, result.divisions.fp, result.divisions.fn) == (1, 0, 0)
    assert result.links.f1 == 1
    assert (result.switches, result.breaks) == (0, 0)


def test_a_photo_that_was_not_tracked_is_left_out() -> None:
    record = tracks({"P01": [(1, 5), (3, 5)], "P02": [(1, 10), (3, 10)]}, {}, 3)
    del record["photos"][1]
    result = scored(record, TWO, TWO)
    assert result.links.f1 == 1
    assert result.polyps.fn == 0
