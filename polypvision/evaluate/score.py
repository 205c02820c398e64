"""Readings against truth: which polyps, mouths, sizes and wounds were read right."""

from collections.abc import Mapping, Sequence
from pathlib import PurePath
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from polypvision.errors import TableError
from polypvision.evaluate.overlap import iou_matrix, match, polygons
from polypvision.evaluate.scores import Detection, Pair, PhotoScore, Scores
from polypvision.evaluate.truth import TruthPhoto, TruthPolyp, truth_photos
from polypvision.reading import Points

MOUTH_REACH = 0.15
"""A mouth is found if it lies within this many polyp diameters of the true place.

About the length of a mouth: our own choice, not a standard.
"""
_COVERED = 0.5
"""A found polyp is a partial one if that share of it lies in the partial one's outline."""

Record = Mapping[str, Any]


def score(readings: Sequence[Record], truth: Sequence[Record]) -> Scores:
    """Return how well readings agree with truth.

    Parameters
    ----------
    readings : sequence of mapping
        Records of the outside contract, as `polypvision.reading.to_record` makes them.
    truth : sequence of mapping
        Either of the shapes in `polypvision.evaluate.truth`. Photos are paired by file name;
        where several have the same name, by as much of the path as tells them apart.

    Raises
    ------
    TableError
        If the truth or a reading lacks what is needed, or names do not tell photos apart.
    """
    photos = truth_photos(truth)
    paired = _paired([str(record["photo"]) for record in readings], [p.photo for p in photos])
    scored: list[PhotoScore] = []
    for index, photo in enumerate(photos):
        if index not in paired:
            continue
        record = readings[paired[index]]
        try:
            scored.append(_score_photo(record, photo))
        except KeyError as missing:
            raise TableError(
                f"The reading of {record['photo']} has no {missing}; "
                "write readings with `polypvision read --json`."
            ) from missing
    used = set(paired.values())
    return Scores(
        photos=tuple(scored),
        unread=tuple(photo.photo for i, photo in enumerate(photos) if i not in paired),
        untrue=tuple(str(r["photo"]) for i, r in enumerate(readings) if i not in used),
    )


def _paired(found: Sequence[str], true: Sequence[str]) -> dict[int, int]:
    """Return index of truth to index of reading: same file name, most of the path in common."""
    pairs: dict[int, int] = {}
    shared = np.array([[_common_tail(a, b) for b in found] for a in true], dtype=np.int64)
    for index, lengths in enumerate(shared.reshape(len(true), len(found))):
        best = lengths.max(initial=0)
        # A reading that fits another truth better is not this one's.
        same = [i for i in range(len(found)) if lengths[i] == best == shared[:, i].max()]
        if not best or not same:
            continue
        if len(same) > 1:
            raise TableError(
                f"{len(same)} readings could be of {true[index]}: {found[same[0]]} and "
                f"{found[same[1]]}. Score one folder at a time, or write more of the path "
                "into the truth."
            )
        if same[0] in pairs.values():
            raise TableError(
                f"Two entries of the truth fit {found[same[0]]}; "
                "write more of the path into the truth."
            )
        pairs[index] = same[0]
    return pairs


def _common_tail(one: str, other: str) -> int:
    """Return how many last parts two paths share."""
    length = 0
    for a, b in zip(_parts(one), _parts(other), strict=False):
        if a != b:
            break
        length += 1
    return length


def _parts(path: str) -> tuple[str, ...]:
    return PurePath(path.replace("\\", "/")).parts[::-1]


def _score_photo(record: Record, photo: TruthPhoto) -> PhotoScore:
    if record["error"] is not None:
        return PhotoScore(
            photo=photo.photo,
            sha256=str(record.get("sha256", "")),
            refused=str(record["error"]["kind"]),
            n_true=len(photo.polyps),
            polyps=Detection(fn=len(photo.polyps)),
            mouths=Detection(fn=sum(len(polyp.mouths_px) for polyp in photo.polyps)),
            two_mouths=Detection(fn=sum(polyp.n_mouths >= 2 for polyp in photo.polyps)),
        )
    found: list[Record] = list(record["polyps"])
    outlines = [np.asarray(p["outline_px"], np.float64).reshape(-1, 2) for p in found]
    iou = iou_matrix(outlines, [polyp.outline_px for polyp in photo.polyps])
    matched = match(iou)
    partner = dict(matched)
    ignored = {
        i
        for i, outline in enumerate(outlines)
        if i not in partner and _lies_in_partial(outline, photo.partial)
    }
    wrong = [i for i in range(len(found)) if i not in partner and i not in ignored]
    mm_per_px = float(record["scale"]["mm_per_px"])

    pairs: list[Pair] = []
    mouths = Detection()
    two = Detection()
    for i, j in matched:
        pair, pair_mouths = _pair(found[i], photo.polyps[j], photo.photo, iou[i, j], mm_per_px)
        pairs.append(pair)
        mouths += pair_mouths
        two += _two_mouths(_says_two(found[i]), photo.polyps[j].n_mouths >= 2)
    for i in wrong:
        mouths += Detection(fp=len(found[i]["mouths"]))
        two += _two_mouths(_says_two(found[i]), False)
    missed = set(range(len(photo.polyps))) - set(partner.values())
    for j in missed:
        mouths += Detection(fn=len(photo.polyps[j].mouths_px))
        two += _two_mouths(False, photo.polyps[j].n_mouths >= 2)
    span = photo.n_polyps_range
    return PhotoScore(
        photo=photo.photo,
        sha256=str(record.get("sha256", "")),
        n_true=len(photo.polyps),
        n_ignored=len(ignored),
        within_range=None if span is None else span[0] <= len(found) <= span[1],
        distractors_taken=_taken([outlines[i] for i in wrong], photo.distractors),
        polyps=Detection(
            tp=len(matched),
            fp=len(wrong),
            fn=len(missed),
            iou_sum=float(sum(iou[i, j] for i, j in matched)),
        ),
        mouths=mouths,
        two_mouths=two,
        pairs=tuple(pairs),
    )


def _pair(
    found: Record, true: TruthPolyp, photo: str, iou: float, mm_per_px: float
) -> tuple[Pair, Detection]:
    mouths = np.array([[m["x_px"], m["y_px"]] for m in found["mouths"]]).reshape(-1, 2)
    distances = _near(mouths, true.mouths_px, MOUTH_REACH * true.diameter_px)
    known = len(true.mouths_px) == true.n_mouths
    true_mm = true.diameter_mm
    pair = Pair(
        photo=photo,
        name=true.name,
        label=int(found["label"]),
        iou=float(iou),
        diameter_mm=_number(found["diameter_mm"]),
        diameter_mm_err=_number(found["diameter_mm_err"]),
        # A truth in pixels only is put on the reading's own scale.
        diameter_true_mm=true.diameter_px * mm_per_px if np.isnan(true_mm) else true_mm,
        wound_mm2=_number(found["wound_mm2"]),
        wound_mm2_err=_number(found["wound_mm2_err"]),
        wound_true_mm2=true.wound_mm2,
        n_mouths=int(found["n_mouths"]),
        n_mouths_true=true.n_mouths,
        mouth_distances=tuple(float(d) / true.diameter_px for d in distances),
    )
    hits = len(distances)
    # A mouth that is there but whose place is unknown cannot make a found one wrong.
    spare = len(mouths) - hits if known else max(0, len(mouths) - max(true.n_mouths, hits))
    return pair, Detection(tp=hits, fp=spare, fn=len(true.mouths_px) - hits)


def _near(found: Points, true: Points, reach: float) -> NDArray[np.float64]:
    """Return the distances of found from true points: most pairs within reach, then closest."""
    gaps: NDArray[np.float64] = np.hypot(*(found[:, None] - true[None]).transpose(2, 0, 1))
    if not gaps.size:
        return np.zeros(0)
    closeness = 1 - gaps / reach if reach else np.zeros_like(gaps)
    pairs = match(closeness, above=0.0)
    return np.array([gaps[i, j] for i, j in pairs], dtype=np.float64)


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _says_two(polyp: Record) -> bool:
    return _number(polyp["two_mouths_probability"]) >= 0.5


def _two_mouths(said: bool, true: bool) -> Detection:
    return Detection(tp=int(said and true), fp=int(said and not true), fn=int(true and not said))


def _lies_in_partial(outline: Points, partial: Sequence[Points]) -> bool:
    polygon = polygons([outline])[0]
    for other in partial:
        if len(other) == 1:
            if polygon.covers(shapely.Point(other[0])):
                return True
        elif polygon.area and (
            polygon.intersection(polygons([other])[0]).area > _COVERED * polygon.area
        ):
            return True
    return False


def _taken(wrong: Sequence[Points], distractors: Sequence[Points]) -> int:
    """Return how many distractors some wrongly found polyp covers for the most part, or fills."""
    count = 0
    polygons_wrong = polygons(wrong)
    for thing in polygons(distractors):
        shared = [polygon.intersection(thing).area for polygon in polygons_wrong]
        smaller = [min(polygon.area, thing.area) for polygon in polygons_wrong]
        count += any(s > _COVERED * a for s, a in zip(shared, smaller, strict=True))
    return count
