"""Scores as a table, as a text to read, and as plain JSON."""

from dataclasses import asdict
from math import isnan
from typing import Any

import pandas as pd

from polypvision.columns import SCORES
from polypvision.columns import table as column_table
from polypvision.evaluate.comparisons import cohen_kappa
from polypvision.evaluate.scores import (
    MOUTH_CLASSES,
    Detection,
    Errors,
    PhotoScore,
    Scores,
)
from polypvision.words import counted


def _row(name: str, n_true: int, detection: Detection, sizes: Errors) -> dict[str, object]:
    return {
        "photo": name,
        "n_true": n_true,
        "n_found": detection.tp + detection.fp,
        "tp": detection.tp,
        "fp": detection.fp,
        "fn": detection.fn,
        "precision": detection.precision,
        "recall": detection.recall,
        "f1": detection.f1,
        "panoptic_quality": detection.panoptic_quality,
        "diameter_bias_percent": sizes.bias,
        "diameter_rmse_percent": sizes.rmse,
    }


def table(scores: Scores) -> pd.DataFrame:
    """Return one row per photo and a last one, ``all``, over all of them.

    Returns
    -------
    pandas.DataFrame
        The columns are `polypvision.columns.SCORES`.
    """
    rows: list[dict[str, object]] = []
    for photo in scores.photos:
        alone = Scores(photos=(photo,))
        row = _row(photo.photo, photo.n_true, photo.polyps, alone.diameters_percent)
        rows.append({**row, **_mouth_cells(alone), "error": photo.refused})
    total = sum(photo.n_true for photo in scores.photos)
    row = _row("all", total, scores.polyps, scores.diameters_percent)
    rows.append({**row, **_mouth_cells(scores), "error": ""})
    return column_table(rows, SCORES)


def _mouth_cells(scores: Scores) -> dict[str, object]:
    return {
        "mouth_precision": scores.mouths.precision,
        "mouth_recall": scores.mouths.recall,
        "wound_rmse_mm2": scores.wounds_mm2.rmse,
    }


def _say(value: float, digits: int = 3) -> str:
    return "-" if isnan(value) else f"{value:.{digits}f}"


def _detection_line(name: str, d: Detection) -> str:
    return (
        f"{name}: precision {_say(d.precision)}, recall {_say(d.recall)}, F1 {_say(d.f1)} "
        f"(right {d.tp}, wrong {d.fp}, missed {d.fn})"
    )


def _error_line(name: str, e: Errors, unit: str, digits: int = 2) -> str:
    return (
        f"{name}: bias {_say(e.bias, digits)}, mean absolute {_say(e.mae, digits)}, "
        f"RMSE {_say(e.rmse, digits)}, worst {_say(e.worst, digits)} {unit} ({e.n} pairs)"
    )


def text(scores: Scores) -> str:
    """Return the scores of all photos together, for people: a few lines."""
    refused = [photo for photo in scores.photos if photo.refused]
    within, ranged = scores.counts_within_range
    lines = [
        f"{counted(len(scores.photos), 'photo')} scored, {len(refused)} of them refused.",
        _detection_line("Polyps at IoU > 0.5", scores.polyps)
        + f", panoptic quality {_say(scores.polyps.panoptic_quality)}",
        _detection_line("Polyps at IoU > 0.75", scores.polyps_strict),
        _error_line("Polyps per photo", scores.counts, "polyps")
        + f"; exact on {scores.counts_exact} of {len(scores.photos)}"
        + (f", within a careful person's range on {within} of {ranged}" if ranged else ""),
        f"Distractors taken for polyps: {sum(p.distractors_taken for p in scores.photos)}",
        _error_line("Diameter", scores.diameters_percent, "%"),
        _error_line("Diameter", scores.diameters_mm, "mm"),
        _detection_line("Mouths by place", scores.mouths)
        + f", median distance {_say(scores.mouth_distance_median)} diameters",
        _detection_line("Two mouths or more", scores.two_mouths),
        _error_line("Wound", scores.wounds_mm2, "mm2"),
        f"Number of mouths, true down and found across (kappa "
        f"{_say(cohen_kappa(scores.mouth_confusion))}):",
        "      " + "".join(f"{name:>6}" for name in MOUTH_CLASSES),
    ]
    for name, row in zip(MOUTH_CLASSES, scores.mouth_confusion, strict=True):
        lines.append(f"{name:>6}" + "".join(f"{value:>6}" for value in row))
    if scores.unread:
        lines.append(f"Not scored, no reading: {', '.join(scores.unread)}")
    if scores.untrue:
        lines.append(f"Not scored, no truth: {', '.join(scores.untrue)}")
    return "\n".join(lines)


def _plain(value: Any) -> Any:
    """NaN becomes None, which JSON can say; tuples become lists."""
    if isinstance(value, float):
        return None if isnan(value) else value
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value


def _detection(d: Detection) -> dict[str, Any]:
    return {
        **asdict(d),
        "precision": d.precision,
        "recall": d.recall,
        "f1": d.f1,
        "panoptic_quality": d.panoptic_quality,
    }


def _photo(photo: PhotoScore) -> dict[str, Any]:
    return {
        "photo": photo.photo,
        "group": photo.group,
        "ground": photo.ground,
        "sha256": photo.sha256,
        "refused": photo.refused,
        "n_true": photo.n_true,
        "n_ignored": photo.n_ignored,
        "within_range": photo.within_range,
        "distractors_taken": photo.distractors_taken,
        "polyps": _detection(photo.polyps),
        "polyps_strict": _detection(photo.polyps_strict),
        "mouths": _detection(photo.mouths),
        "two_mouths": _detection(photo.two_mouths),
        "count_error": photo.count_error,
        "pairs": [asdict(pair) for pair in photo.pairs],
    }


def to_json(scores: Scores) -> dict[str, Any]:
    """Return the scores as plain JSON values: ``all`` together, ``photos`` each, with pairs."""
    pooled = {
        "polyps": _detection(scores.polyps),
        "polyps_strict": _detection(scores.polyps_strict),
        "mouths": _detection(scores.mouths),
        "two_mouths": _detection(scores.two_mouths),
        "counts": asdict(scores.counts),
        "counts_exact": scores.counts_exact,
        "counts_within_range": scores.counts_within_range,
        "diameters_mm": asdict(scores.diameters_mm),
        "diameters_percent": asdict(scores.diameters_percent),
        "wounds_mm2": asdict(scores.wounds_mm2),
        "mouth_confusion": scores.mouth_confusion.tolist(),
        "mouth_distance_median": scores.mouth_distance_median,
    }
    plain: dict[str, Any] = _plain(
        {
            "all": pooled,
            "photos": [_photo(photo) for photo in scores.photos],
            "unread": scores.unread,
            "untrue": scores.untrue,
        }
    )
    return plain
