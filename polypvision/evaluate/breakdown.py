"""Scores broken down: by sort of photo, by ground, by kind and by size of polyp."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from polypvision.evaluate.scores import (
    NAN,
    Detection,
    Errors,
    PhotoScore,
    Scores,
    Thing,
    errors,
    pool,
)
from polypvision.measure.wounds import MIN_WOUND_MM2

SIZES_MM = (8.0, 16.0, 30.0)
"""Borders of the size classes: pieces, young polyps, grown ones, large ones (common practice, no
source)."""


@dataclass(frozen=True, kw_only=True)
class Row:
    """How well the polyps of one class were read. Ratios are NaN where nothing could be counted.

    Attributes
    ----------
    name : str
    n_photos, n_polyps : int
    half, strict : Detection
        Outlines at IoU above 0.5 and above 0.75.
    counts : Errors
        Polyps found against polyps there, a photo at a time; without any where the class parts
        the polyps of one photo.
    diameter_error_percent, diameter_bias_percent : float
        Median absolute and mean signed error of the paired polyps' diameters.
    mouths_right : float
        Share of the paired polyps read with exactly their true number of mouths.
    mouths, two_mouths : Detection
    wound_error_percent : float
        Median relative error of the wound area of paired polyps that have a wound.
    wound_iou : float
        Mean intersection over union of those polyps' wounds; 0 for a wound not found.
    """

    name: str
    n_photos: int
    n_polyps: int
    half: Detection
    strict: Detection
    counts: Errors
    diameter_error_percent: float
    diameter_bias_percent: float
    mouths_right: float
    mouths: Detection
    two_mouths: Detection
    wound_error_percent: float
    wound_iou: float


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if not np.isnan(value)]
    return float(np.median(known)) if known else NAN


def _mean(values: Sequence[float]) -> float:
    known = [value for value in values if not np.isnan(value)]
    return float(np.mean(known)) if known else NAN


def _row(
    name: str, things: Sequence[Thing], photos: Sequence[PhotoScore], *, whole: bool = True
) -> Row:
    """``whole``: the things are all that the photos hold, so counts can be compared."""
    pairs = [thing.pair for thing in things if thing.pair is not None]
    sizes = [100 * (p.diameter_mm / p.diameter_true_mm - 1) for p in pairs if p.diameter_true_mm]
    # Below the smallest area that is looked for, a relative error says nothing.
    hurt = [p for p in pairs if p.wound_true_mm2 >= MIN_WOUND_MM2]
    counted = photos if whole else ()
    return Row(
        name=name,
        n_photos=len(photos),
        n_polyps=sum(thing.half.tp + thing.half.fn for thing in things),
        half=pool(thing.half for thing in things),
        strict=pool(thing.strict for thing in things),
        counts=errors([p.n_found for p in counted], [p.n_true for p in counted]),
        diameter_error_percent=_median([abs(size) for size in sizes]),
        diameter_bias_percent=_mean(sizes),
        mouths_right=_mean([float(p.n_mouths == p.n_mouths_true) for p in pairs]),
        mouths=pool(thing.mouths for thing in things),
        two_mouths=pool(thing.two_mouths for thing in things),
        wound_error_percent=_median([100 * abs(p.wound_mm2 / p.wound_true_mm2 - 1) for p in hurt]),
        wound_iou=_mean([p.wound_iou for p in hurt]),
    )


def _by_photo(scores: Scores, word: Callable[[PhotoScore], str]) -> list[Row]:
    """Return one row for each word, in the order in which photos first say it."""
    rows = []
    for name in dict.fromkeys(word(photo) for photo in scores.photos):
        photos = [photo for photo in scores.photos if word(photo) == name]
        rows.append(_row(name or "not told", [t for p in photos for t in p.things], photos))
    return rows


def overall(scores: Scores) -> Row:
    """Return one row over everything."""
    return _row("all", [t for p in scores.photos for t in p.things], scores.photos)


def by_group(scores: Scores) -> list[Row]:
    """Return a row for each sort of photo: family, or kind with low confidence apart."""
    return _by_photo(scores, lambda photo: photo.group)


def by_ground(scores: Scores) -> list[Row]:
    """Return a row for each ground."""
    return _by_photo(scores, lambda photo: photo.ground)


def _by_thing(scores: Scores, names: Iterable[str], belongs: Callable[[Thing], str]) -> list[Row]:
    rows = []
    for name in names:
        parts = [(p, [t for t in p.things if belongs(t) == name]) for p in scores.photos]
        photos = [photo for photo, things in parts if things]
        if photos:
            rows.append(_row(name, [t for _, ts in parts for t in ts], photos, whole=False))
    return rows


def by_kind(scores: Scores) -> list[Row]:
    """Return a row for each kind of polyp.

    What is no polyp counts against the kind of its photo's polyps, and is left out where these are
    of several kinds.
    """
    kinds = sorted({t.kind for p in scores.photos for t in p.things if t.kind})
    return _by_thing(scores, kinds, lambda thing: thing.kind)


def _size_names() -> list[str]:
    low, *_, high = SIZES_MM
    between = [f"{a:g} to {b:g} mm" for a, b in pairwise(SIZES_MM)]
    return [f"below {low:g} mm", *between, f"{high:g} mm and more"]


def by_size(scores: Scores) -> list[Row]:
    """Return a row for each size class; what is no polyp counts in the size it was read with."""
    names = _size_names()

    def size(thing: Thing) -> str:
        if np.isnan(thing.diameter_mm):
            return ""
        return names[int(np.searchsorted(SIZES_MM, thing.diameter_mm, side="right"))]

    return _by_thing(scores, names, size)


_HEAD = (
    "photos",
    "polyps",
    "F1 at 0.5",
    "F1 at 0.75",
    "PQ",
    "count MAE",
    "count bias",
    "diameter error %",
    "diameter bias %",
    "mouths right",
    "mouth precision",
    "mouth recall",
    "two-mouth precision",
    "two-mouth recall",
    "wound error %",
    "wound IoU",
    "wrongly found",
)


def _say(value: float, form: str) -> str:
    return "-" if np.isnan(value) else format(value, form)


def _cells(row: Row) -> list[str]:
    return [
        str(row.n_photos),
        str(row.n_polyps),
        _say(row.half.f1, ".3f"),
        _say(row.strict.f1, ".3f"),
        _say(row.half.panoptic_quality, ".3f"),
        _say(row.counts.mae, ".2f"),
        _say(row.counts.bias, "+.2f"),
        _say(row.diameter_error_percent, ".1f"),
        _say(row.diameter_bias_percent, "+.1f"),
        _say(row.mouths_right, ".3f"),
        _say(row.mouths.precision, ".3f"),
        _say(row.mouths.recall, ".3f"),
        _say(row.two_mouths.precision, ".3f"),
        _say(row.two_mouths.recall, ".3f"),
        _say(row.wound_error_percent, ".1f"),
        _say(row.wound_iou, ".3f"),
        str(row.half.fp),
    ]


def markdown(title: str, rows: Iterable[Row]) -> str:
    """Return rows as a table in Markdown, its first column headed ``title``."""
    lines = [f"| {title} | " + " | ".join(_HEAD) + " |", "|---" * (len(_HEAD) + 1) + "|"]
    lines += [f"| {row.name} | " + " | ".join(_cells(row)) + " |" for row in rows]
    return "\n".join(lines)


def breakdown(scores: Scores) -> str:
    """Return all tables that tell more than one class apart, and the one over everything."""
    parts = [markdown("all", [overall(scores)])]
    ways = {"group": by_group, "ground": by_ground, "kind": by_kind, "size": by_size}
    for title, way in ways.items():
        rows = way(scores)
        if len(rows) > 1:
            parts.append(markdown(title, rows))
    return "\n\n".join(parts)
