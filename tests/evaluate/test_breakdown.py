"""Scores by class: each mistake in the class it belongs to, and the strict outline limit."""

from typing import Any

import numpy as np
import pytest

from polypvision import evaluate
from polypvision.evaluate.breakdown import by_ground, by_group, by_kind, by_size, overall
from polypvision.evaluate.overlap import union_iou
from polypvision.evaluate.truth import ellipse


def box(x: float, y: float, width: float, height: float) -> np.ndarray:
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


def polyp(outline: np.ndarray, label: int, **more: Any) -> dict[str, Any]:
    return {
        "label": label,
        "outline_px": outline.tolist(),
        "diameter_mm": 10.0,
        "diameter_mm_err": None,
        "n_mouths": 0,
        "mouths": [],
        "two_mouths_probability": 0.0,
        "wound_mm2": 0.0,
        "wound_mm2_err": None,
        "wound_outlines_px": [],
        **more,
    }


def photo(name: str, *polyps: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "photo": name, "error": None, "scale": {"mm_per_px": 0.1}, "polyps": list(polyps), **more
    }  # fmt: skip


def test_a_loose_outline_counts_at_half_only() -> None:
    # Boxes 100 wide shifted by s overlap with IoU (100 - s) / (100 + s): 0.6 at 25, 0.818 at 10.
    truth = [photo("a", polyp(box(0, 0, 100, 9), 1), polyp(box(0, 50, 100, 9), 2))]
    reading = photo("a", polyp(box(25, 0, 100, 9), 1), polyp(box(10, 50, 100, 9), 2))
    scores = evaluate.score([reading], truth)
    half, strict = scores.polyps, scores.polyps_strict
    assert (half.tp, half.fp, half.fn) == (2, 0, 0)
    assert half.iou_sum == pytest.approx(0.6 + 90 / 110)
    assert (strict.tp, strict.fp, strict.fn) == (1, 1, 1)
    assert strict.iou_sum == pytest.approx(90 / 110)
    assert (overall(scores).half, overall(scores).strict) == (half, strict)


def test_the_best_pairing_of_all_not_the_greedy_one() -> None:
    # The second found box fits both true ones above one half; only if it is left to the second
    # true one do both find a partner.
    true = [box(0, 0, 100, 9), box(30, 0, 100, 9)]
    found = [box(-25, 0, 100, 9), box(12, 0, 100, 9)]
    truth = [photo("a", *(polyp(one, k) for k, one in enumerate(true, 1)))]
    reading = photo("a", *(polyp(one, k) for k, one in enumerate(found, 1)))
    assert evaluate.score([reading], truth).polyps.tp == 2


def test_classes_hold_their_own() -> None:
    small, large = box(0, 0, 50, 50), box(200, 0, 400, 400)
    truth = [
        photo(
            "a", polyp(small, 1, kind="velvet", diameter_mm=5.0),
            polyp(large, 2, kind="warts", diameter_mm=40.0, n_mouths=1),
            family="plates", ground="mat",
        ),
        photo("b", polyp(small, 1, kind="velvet", diameter_mm=5.0), family="close", ground="sand"),
    ]  # fmt: skip
    readings = [
        photo("a", polyp(large, 1, diameter_mm=42.0), polyp(box(900, 0, 9, 9), 2, diameter_mm=9.0)),
        photo("b", polyp(small, 1, diameter_mm=5.1)),
    ]
    scores = evaluate.score(readings, truth)
    plates, close = by_group(scores)
    assert (plates.name, plates.half.tp, plates.half.fp, plates.half.fn) == ("plates", 1, 1, 1)
    assert (plates.counts.mae, plates.counts.bias, plates.mouths_right) == (0.0, 0.0, 0.0)
    assert (close.name, close.half.f1, close.mouths_right) == ("close", 1.0, 1.0)
    assert close.diameter_error_percent == close.diameter_bias_percent == pytest.approx(2.0)
    assert [row.name for row in by_ground(scores)] == ["mat", "sand"]
    kinds = {row.name: row for row in by_kind(scores)}
    assert (kinds["velvet"].half.tp, kinds["velvet"].half.fn) == (1, 1)
    assert (kinds["warts"].half.tp, kinds["warts"].half.fp) == (1, 0)
    sizes = {row.name: row.half for row in by_size(scores)}
    assert set(sizes) == {"below 8 mm", "8 to 16 mm", "30 mm and more"}
    assert (sizes["below 8 mm"].tp, sizes["below 8 mm"].fn, sizes["8 to 16 mm"].fp) == (1, 1, 1)
    assert sum(row.half.fp for row in by_size(scores)) == scores.polyps.fp
    assert "| 30 mm and more |" in evaluate.breakdown(scores)


def test_wounds_by_area_and_place() -> None:
    body, wound = box(0, 0, 100, 100), box(0, 0, 20, 100)
    hurt = {"wound_mm2": 20.0, "wound_outlines_px": [wound.tolist()]}
    truth = [photo("a", polyp(body, 1, **hurt), polyp(body + 500, 2))]
    reading = photo(
        "a",
        # Shifted by half its width: a third of the union; and a fifth too large by its own word.
        polyp(body, 1, wound_mm2=24.0, wound_outlines_px=[(wound + np.array([10, 0])).tolist()]),
        polyp(body + 500, 2),
    )
    row = overall(evaluate.score([reading], truth))
    assert row.wound_error_percent == pytest.approx(20)
    assert row.wound_iou == pytest.approx(1 / 3)
    missed = photo("a", polyp(body, 1), polyp(body + 500, 2))
    row = overall(evaluate.score([missed], truth))
    assert (row.wound_error_percent, row.wound_iou) == (100, 0)


def test_many_outlines_count_as_one_area() -> None:
    # 2 + 2 squares of 100 with one in common: 100 of 300.
    one, two, three = (box(20.0 * k, 0, 10, 10) for k in range(3))
    assert union_iou([one, two], [two, three]) == pytest.approx(1 / 3)
    assert union_iou([one], []) == 0
    assert np.isnan(union_iou([], []))


def test_outlines_that_touch_themselves_are_mended_to_their_area() -> None:
    # A square with a spike out and back: mending leaves the spike over as a line.
    spiked = np.array([[0, 0], [10, 0], [10, 10], [5, 10], [5, 20], [5, 10], [0, 10]], float)
    assert union_iou([spiked], [box(0, 0, 10, 10)]) == pytest.approx(1)
    assert union_iou([spiked], [spiked + 100]) == 0


def test_annotated_photos_are_grouped_by_kind_with_low_confidence_apart() -> None:
    def entry(name: str, kind: str, confidence: str) -> dict[str, Any]:
        polyps = [{"x": 50, "y": 50, "w": 60, "h": 60, "mouths": 1, "mouth_xy": [[50, 50]]}]
        return {"file": name, "kind": kind, "confidence": confidence, "polyps": polyps}

    truth = [
        entry("a", "zoanthid", "high"), entry("b", "corallimorph", "low"),
        entry("c", "corallimorph", "medium"),
    ]  # fmt: skip
    readings = [photo(name, polyp(ellipse(50, 50, 60, 60), 1)) for name in "abc"]
    readings[0]["polyps"].append(polyp(ellipse(500, 50, 60, 60), 2))
    scores = evaluate.score(readings, truth)
    kinds = {row.name: row.half for row in by_kind(scores)}
    assert (kinds["zoanthid"].fp, kinds["corallimorph"].fp) == (1, 0)
    names = [row.name for row in by_group(scores)]
    assert names == ["zoanthid", "corallimorph, low confidence", "corallimorph"]
