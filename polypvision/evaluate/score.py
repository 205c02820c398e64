"""Readings against truth: which polyps, mouths, sizes and wounds were read right."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import PurePath
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from polypvision.errors import TableError
from polypvision.evaluate.overlap import STRICT_IOU, match, union_iou
from polypvision.evaluate.scores import NAN, Detection, Pair, PhotoScore, Scores, Thing
from polypvision.evaluate.truth import TruthPhoto, TruthPolyp, truth_photos
from polypvision.measure.overlap import iou_matrix, polygons
from polypvision.measure.shape import equivalent_diameter, polygon_area
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
    head: dict[str, Any] = {
        "photo": photo.photo,
        "group": photo.group,
        "ground": photo.ground,
        "sha256": str(record.get("sha256", "")),
        "n_true": len(photo.polyps),
    }
    if record["error"] is not None:
        missed = tuple(_missed(polyp, NAN) for polyp in photo.polyps)
        return PhotoScore(**head, refused=str(record["error"]["kind"]), things=missed)
    found: list[Record] = list(record["polyps"])
    mm_per_px = float(record["scale"]["mm_per_px"])
    outlines = [np.asarray(p["outline_px"], np.float64).reshape(-1, 2) for p in found]
    iou = iou_matrix(outlines, [polyp.outline_px for polyp in photo.polyps])
    partner = dict(match(iou))
    strict = dict(match(iou, above=STRICT_IOU))
    ignored = {
        i
        for i, outline in enumerate(outlines)
        if i not in partner and _lies_in_partial(outline, photo.partial)
    }
    extra = [i for i in range(len(found)) if i not in partner and i not in ignored]
    finder = {j: i for i, j in partner.items()}
    strict_finder = {j: i for i, j in strict.items()}

    things: list[Thing] = []
    for j, polyp in enumerate(photo.polyps):
        if j not in finder:
            thing = _missed(polyp, mm_per_px)
        else:
            i = finder[j]
            pair, mouths = _pair(found[i], polyp, photo.photo, iou[i, j], mm_per_px)
            thing = Thing(
                kind=polyp.kind,
                diameter_mm=pair.diameter_true_mm,
                half=Detection(tp=1, iou_sum=float(iou[i, j])),
                # An outline that fits too loosely is wrong, and the polyp missed.
                strict=Detection(fn=1, fp=int(i not in strict)),
                mouths=mouths,
                two_mouths=_two_mouths(_says_two(found[i]), polyp.n_mouths >= 2),
                pair=pair,
            )
        if j in strict_finder:
            overlap = float(iou[strict_finder[j], j])
            # The fp, if any, is of the outline that fits loosely.
            thing = replace(thing, strict=replace(thing.strict, tp=1, fn=0, iou_sum=overlap))
        things.append(thing)
    kinds = {polyp.kind for polyp in photo.polyps}
    # Where all polyps are of one kind, what is wrongly found was taken for one of it.
    kind = kinds.pop() if len(kinds) == 1 else ""
    things += [
        replace(_extra(found[i], outlines[i], mm_per_px, i not in strict), kind=kind) for i in extra
    ]
    span = photo.n_polyps_range
    return PhotoScore(
        **head,
        n_ignored=len(ignored),
        within_range=None if span is None else span[0] <= len(found) <= span[1],
        distractors_taken=_taken([outlines[i] for i in extra], photo.distractors),
        things=tuple(things),
    )


def _true_mm(polyp: TruthPolyp, mm_per_px: float) -> float:
    """Return the true diameter; a truth in pixels only is put on the reading's own scale."""
    known = polyp.diameter_mm
    return polyp.diameter_px * mm_per_px if np.isnan(known) else known


def _missed(polyp: TruthPolyp, mm_per_px: float) -> Thing:
    return Thing(
        kind=polyp.kind,
        diameter_mm=_true_mm(polyp, mm_per_px),
        half=Detection(fn=1),
        strict=Detection(fn=1),
        mouths=Detection(fn=len(polyp.mouths_px)),
        two_mouths=_two_mouths(False, polyp.n_mouths >= 2),
    )


def _extra(found: Record, outline: Points, mm_per_px: float, strictly: bool) -> Thing:
    """Return what was found where no polyp is."""
    diameter = _number(found["diameter_mm"])
    return Thing(
        diameter_mm=mm_per_px * _diameter(outline) if np.isnan(diameter) else diameter,
        half=Detection(fp=1),
        strict=Detection(fp=int(strictly)),
        mouths=Detection(fp=len(found["mouths"])),
        two_mouths=_two_mouths(_says_two(found), False),
    )


def _diameter(outline: Points) -> float:
    return equivalent_diameter(polygon_area(outline)) if len(outline) >= 3 else NAN


def _pair(
    found: Record, true: TruthPolyp, photo: str, iou: float, mm_per_px: float
) -> tuple[Pair, Detection]:
    mouths = np.array([[m["x_px"], m["y_px"]] for m in found["mouths"]]).reshape(-1, 2)
    distances = _near(mouths, true.mouths_px, MOUTH_REACH * true.diameter_px)
    known = len(true.mouths_px) == true.n_mouths
    pair = Pair(
        photo=photo,
        name=true.name,
        label=int(found["label"]),
        iou=float(iou),
        diameter_mm=_number(found["diameter_mm"]),
        diameter_mm_err=_number(found["diameter_mm_err"]),
        diameter_true_mm=_true_mm(true, mm_per_px),
        wound_mm2=_number(found["wound_mm2"]),
        wound_mm2_err=_number(found["wound_mm2_err"]),
        wound_true_mm2=true.wound_mm2,
        wound_iou=_wound_iou(found, true),
        n_mouths=int(found["n_mouths"]),
        n_mouths_true=true.n_mouths,
        mouth_distances=tuple(float(d) / true.diameter_px for d in distances),
    )
    hits = len(distances)
    # A mouth that is there but whose place is unknown cannot make a found one wrong.
    spare = len(mouths) - hits if known else max(0, len(mouths) - max(true.n_mouths, hits))
    return pair, Detection(tp=hits, fp=spare, fn=len(true.mouths_px) - hits)


def _wound_iou(found: Record, true: TruthPolyp) -> float:
    if true.wounds_px is None:
        return NAN
    outlines = [np.asarray(o, np.float64) for o in found.get("wound_outlines_px", ())]
    return union_iou(outlines, true.wounds_px)


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
