"""A network's levels, set on painted pictures: ``python -m polypvision.train.levels closeup``.

Writes ``polypvision/models/NAME.json`` and prints how the reading does with it on other painted
pictures. None of these are pictures that the network learned from (other seeds), and none is a
photograph of a polyp.
"""

import argparse
import contextlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from itertools import islice
from pathlib import Path
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.photo import view_at_scale
from polypvision.calibrate.srgb import to_codes, to_linear
from polypvision.calibrate.view import VIEW_PX_PER_MM, PlateView
from polypvision.errors import QualityError
from polypvision.mouths.find import MOUTH_LEVEL, count_mouths, find_mouths, peaks_inside
from polypvision.segment.discs import MIN_SCORE, TISSUE_LEVEL, Candidate, find_candidates
from polypvision.segment.joins import join_evidence, measure_pieces
from polypvision.segment.levels import Curve, Levels, levels_to_json, neutral_levels
from polypvision.segment.maps import (
    CLOSEUP_READER,
    PLATE_READER,
    Look,
    PlateMaps,
    levels_of,
    read_maps,
)
from polypvision.segment.polyp_map import PolypMap
from polypvision.segment.seeds import cut_pieces
from polypvision.train.calibration import (
    calibrate_score,
    fit_logistic,
    log_odds,
    two_mouths_curve,
)
from polypvision.train.closeups import closeup_lesson
from polypvision.train.closeups.photographs import use_photos
from polypvision.train.lessons import LESSON_PX, Lesson, random_lessons

MODELS = Path(__file__).parents[1] / "models"
_SMALLEST_PX = 300
"""A true polyp that shows less than this is neither right nor missed."""
_RIGHT_OVERLAP = 0.5
_MARGIN_MM = 1.0
_HARD_VARIANTS = {"plate": 4, "closeup": 2}


@dataclass(frozen=True, kw_only=True, eq=False)
class Sample:
    """One painted picture, its truth, and what the network says of it, levels all neutral.

    Harder variants of a picture have its number. The maps are kept in half precision: hundreds of
    pictures are held at once.
    """

    number: int
    lesson: Lesson
    view: PlateView
    maps: PlateMaps

    @property
    def sure(self) -> NDArray[np.bool_]:
        """Where the truth is known."""
        return np.asarray((self.lesson.owner != 255) & self.view.valid, np.bool_)

    def at(self, levels: Levels) -> PlateMaps:
        """Return the maps as these levels move them."""

        def moved(chance: NDArray[np.float32], even: float) -> NDArray[np.float32]:
            return np.asarray(chance / (chance + (1 - chance) * even / (1 - even)), np.float32)

        tissue, wound, mouth = levels.even
        maps = cast(PlateMaps, _as_type(self.maps, np.float32))
        if maps.wide is not None:
            maps = replace(maps, wide=replace(maps.wide, tissue=moved(maps.wide.tissue, tissue)))
        return replace(
            maps,
            tissue=moved(maps.tissue, tissue),
            wound=moved(maps.wound, wound),
            mouth=moved(maps.mouth, mouth),
            levels=levels,
        )


def _as_type(look: Look, dtype: type[np.floating]) -> Look:
    """Return a look, and the wide one in it, with its arrays of another type."""
    changed = {
        name: value.astype(dtype) if isinstance(value, np.ndarray) else value
        for name, value in ((field.name, getattr(look, field.name)) for field in fields(look))
    }
    if isinstance(look, PlateMaps) and look.wide is not None:
        changed["wide"] = _as_type(look.wide, dtype)
    return replace(look, **changed)


def lesson_view(lesson: Lesson, *, plates: bool) -> PlateView:
    """Return the view of a lesson.

    Raises
    ------
    QualityError
        If it would be refused as a photo.
    """
    rgb = to_codes(to_linear(lesson.rgb) * lesson.gains)
    view = view_at_scale(rgb, 1 / VIEW_PX_PER_MM)
    if plates:  # let it pass for a view from a card
        view = replace(view, scale=replace(view.scale, source="card"))
    return view


def _samples(number: int, lessons: Iterable[Lesson], *, plates: bool) -> Iterator[Sample]:
    """Yield those of the lessons that would not be refused as photos."""
    for lesson in lessons:
        with contextlib.suppress(QualityError):
            view = lesson_view(lesson, plates=plates)
            maps = read_maps(view, levels=neutral_levels(wide=not plates))
            kept = cast(PlateMaps, _as_type(maps, np.float16))
            yield Sample(number=number, lesson=lesson, view=view, maps=kept)


def harder(lesson: Lesson, rng: np.random.Generator) -> Lesson:
    """Return a lesson enlarged or shrunk, in another light, blurred and noisy; or a part of it.

    On painted pictures a reader hardly ever cuts a disc in two, as it does on real ones: what tells
    pieces of one from neighbours is learned where it is in doubt.
    """
    zoom = float(np.exp(rng.uniform(np.log(0.8), np.log(2.2))))
    size = (int(lesson.rgb.shape[1] * zoom), int(lesson.rgb.shape[0] * zoom))

    def enlarged(marks: NDArray[np.uint8]) -> NDArray[np.uint8]:
        return np.asarray(cv2.resize(marks, size, interpolation=cv2.INTER_NEAREST), np.uint8)

    light = cv2.resize(lesson.rgb, size, interpolation=cv2.INTER_LINEAR).astype(np.float64) / 255
    light = light ** np.exp(rng.normal(0, 0.35)) * np.exp(rng.normal(-0.1, 0.25, 3))
    light = cv2.GaussianBlur(light, (0, 0), float(rng.uniform(0.3, 1.5)))
    light = light + rng.normal(0, rng.uniform(0, 0.05), light.shape)
    left, top = (int(rng.integers(0, max(side - LESSON_PX, 0) + 1)) for side in size)
    part = slice(top, top + LESSON_PX), slice(left, left + LESSON_PX)
    places, corner = np.array([zoom, zoom, 1.0]), np.array([left, top, 0.0])
    mouths = lesson.mouths * places - corner
    shown = ((mouths[:, :2] >= 0) & (mouths[:, :2] < LESSON_PX)).all(axis=1)
    return replace(
        lesson,
        rgb=np.asarray(np.clip(light[part], 0, 1) * 255, np.uint8),
        owner=np.ascontiguousarray(enlarged(lesson.owner)[part]),
        wound=enlarged(lesson.wound.astype(np.uint8))[part] > 0,
        polyps=(lesson.polyps * np.float32(zoom) - corner).astype(np.float32),
        mouths=mouths[shown].astype(np.float32),
    )


def _lessons(seed: int, *, plates: bool) -> Iterator[Lesson]:
    if plates:
        yield from random_lessons(seed, 0)
    rng = np.random.default_rng(seed)
    while True:
        yield closeup_lesson(rng)


def even_level(chances: NDArray[np.float32], truth: NDArray[np.bool_]) -> float:
    """Return the level above which as many chances (n,) lie as are true: areas without a bias."""
    level = float(np.quantile(chances, 1 - truth.mean())) if truth.any() else 0.5
    return float(np.clip(level, 0.05, 0.95))


def _near_polyps(sample: Sample) -> NDArray[np.bool_]:
    """Return the true polyps with a margin round them, where the truth is known."""
    reach = round(_MARGIN_MM * VIEW_PX_PER_MM)
    tissue = ((sample.lesson.owner > 0) & (sample.lesson.owner < 255)).astype(np.uint8)
    near = cv2.dilate(tissue, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0
    return np.asarray(near & sample.sure, np.bool_)


def _even_areas(samples: list[Sample]) -> tuple[float, float]:
    """Return the even levels of tissue about the polyps, and of wound inside true tissue."""
    near = [_near_polyps(sample) for sample in samples]
    tissue = [sample.maps.tissue[there] for sample, there in zip(samples, near, strict=True)]
    true = [sample.lesson.owner[there] > 0 for sample, there in zip(samples, near, strict=True)]
    inside = [sample.sure & (sample.lesson.owner > 0) for sample in samples]
    wound = [sample.maps.wound[there] for sample, there in zip(samples, inside, strict=True)]
    raw = [sample.lesson.wound[there] for sample, there in zip(samples, inside, strict=True)]
    return (
        even_level(np.concatenate(tissue), np.concatenate(true)),
        even_level(np.concatenate(wound), np.concatenate(raw)),
    )


def _majority(labels: NDArray[np.int32], owner: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Return for each label (n,) the true owner of most of its pixels."""
    n = int(labels.max(initial=0))
    both = np.bincount(
        labels.ravel().astype(np.int64) * 256 + owner.ravel(), minlength=256 * n + 256
    )
    return np.asarray(both.reshape(-1, 256)[1 : n + 1].argmax(axis=1), np.int64)


def _join_lessons(
    samples: list[Sample], levels: Levels
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return evidence of touching pieces, and whether they are one polyp."""
    evidence, one = [], []
    for sample in samples:
        maps = sample.at(levels)
        tissue = (maps.tissue > TISSUE_LEVEL) & sample.view.valid
        labels = cut_pieces(tissue, maps, sample.view.px_per_mm)
        pieces = measure_pieces(labels, maps)
        owner = _majority(labels, sample.lesson.owner)
        first, second = owner[pieces.pairs].T
        known = (first != 255) & (second != 255) & ((first > 0) | (second > 0))
        evidence.append(join_evidence(pieces, maps.looks, np.flatnonzero(known)))
        one.append((first == second)[known])
    return np.concatenate(evidence), np.concatenate(one)


def _overlap(candidate: Candidate, owner: NDArray[np.uint8]) -> tuple[float, int]:
    """Best intersection over union with a true polyp, and which."""
    under = np.bincount(owner[candidate.window][candidate.mask], minlength=256)
    under[[0, 255]] = 0
    which = int(under.argmax())
    union = int(candidate.mask.sum()) + int((owner == which).sum()) - int(under[which])
    return (float(under[which] / union), which) if under[which] else (0.0, 0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Judged:
    """Candidates of one picture beside the truth.

    Attributes
    ----------
    candidates : list of Candidate
        Those that do not lie on what does not count.
    owners : list of int
        The true polyp that each covers well, or 0.
    missed : int
        True polyps that no candidate covers well.
    """

    candidates: list[Candidate]
    owners: list[int]
    missed: int


def judge(view: PlateView, maps: PlateMaps, owner: NDArray[np.uint8]) -> Judged:
    """Return the candidates of a view beside the truth.

    Parameters
    ----------
    view : PlateView
    maps : PlateMaps
    owner : ndarray (H, W) of uint8
        0 ground, else the number of a polyp; 255 what does not count.
    """
    candidates, owners = [], []
    for candidate in find_candidates(view, maps):
        if (owner[candidate.window][candidate.mask] == 255).mean() >= 0.3:
            continue
        best, which = _overlap(candidate, owner)
        candidates.append(candidate)
        owners.append(which if best > _RIGHT_OVERLAP else 0)
    sizes = np.bincount(owner.ravel(), minlength=256)[1:255]
    large = {int(number) for number in np.flatnonzero(sizes > _SMALLEST_PX) + 1}
    return Judged(candidates=candidates, owners=owners, missed=len(large - set(owners)))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Discs:
    """Places that may be mouths on discs that were found: strengths of each, and the true number.

    Attributes
    ----------
    strengths : list of ndarray
    true : ndarray (n,) of int
    """

    strengths: list[NDArray[np.float64]]
    true: NDArray[np.int64]

    @property
    def curve(self) -> Curve:
        """How often there are two, by the second strength."""
        second = [float(one[1]) if len(one) > 1 else 0.0 for one in self.strengths]
        return two_mouths_curve(np.array(second), self.true >= 2)

    def counts(self, curve: Curve, level: float) -> NDArray[np.int64]:
        """Return how many mouths each disc is said to have."""
        return np.array(
            [
                count_mouths(one, curve(float(one[1])) if len(one) > 1 else 0.0, level)
                for one in self.strengths
            ],
            np.int64,
        )


def _discs(samples: list[Sample], judged: list[Judged], levels: Levels) -> _Discs:
    strengths, true = [], []
    for sample, one in zip(samples, judged, strict=True):
        mouth = sample.at(levels).mouth
        for candidate, owner in zip(one.candidates, one.owners, strict=True):
            if owner and candidate.score(levels) >= MIN_SCORE:
                inside = peaks_inside(
                    mouth[candidate.window], candidate.mask, sample.view.px_per_mm
                )
                strengths.append(inside.strengths)
                true.append(int((sample.lesson.mouths[:, 2] == owner - 1).sum()))
    return _Discs(strengths=strengths, true=np.array(true, np.int64))


def _mouth_level(discs: _Discs) -> float:
    """Return the level at which the discs have their true number of mouths.

    Of the levels at which as many are right as at the best, but for luck, the one with the least
    bias.
    """
    tried, curve = np.arange(0.2, 0.951, 0.025), discs.curve
    off = np.array([discs.counts(curve, float(level)) for level in tried]) - discs.true
    right = (off == 0).sum(axis=1)
    luck = np.sqrt(right.max() * (1 - right.max() / len(discs.true)))
    bias = np.abs(off.sum(axis=1))
    return float(tried[np.argmin(np.where(right >= right.max() - luck, bias, np.inf))])


def _judge_all(samples: list[Sample], levels: Levels) -> list[Judged]:
    return [judge(one.view, one.at(levels), one.lesson.owner) for one in samples]


def _evidence(judged: list[Judged]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the evidence (n, k) of all candidates, and which are polyps."""
    evidence = np.array([c.evidence for one in judged for c in one.candidates])
    return evidence, np.array([owner > 0 for one in judged for owner in one.owners])


def set_sureness(samples: list[Sample], levels: Levels) -> Levels:
    """Return levels that stand, with how often their scores and second mouths are true.

    Parameters
    ----------
    samples : list of Sample
        Other pictures than the levels were set on.
    levels : Levels
    """
    judged = _judge_all(samples, levels)
    evidence, right = _evidence(judged)
    shift, slope = fit_logistic(log_odds(evidence, levels.polyp)[:, None], right)
    two_mouths = _discs(samples, judged, levels).curve
    return replace(levels, sure=(float(shift), float(slope)), two_mouths=two_mouths)


def set_levels(samples: list[Sample], hard: list[Sample]) -> Levels:
    """Return the levels at which a network's answers on these pictures are right.

    Areas of tissue and wound without a bias, the most discs with their true number of mouths, and
    the likeliest weights for joining pieces and for being a polyp, and how often scores and second
    mouths are true. All but the areas on hard pictures too.
    """
    every = samples + hard
    tissue, wound = _even_areas(samples)
    wide = samples[0].maps.wide is not None
    levels = replace(neutral_levels(wide=wide), even=(tissue, wound, 0.5))
    levels = replace(levels, join=fit_logistic(*_join_lessons(every, levels)))
    judged = _judge_all(every, levels)
    evidence, right = _evidence(judged)
    pictures = np.repeat(
        [sample.number for sample in every], [len(one.candidates) for one in judged]
    )
    levels = replace(
        levels,
        polyp=fit_logistic(evidence, right),
        sure=calibrate_score(evidence, right, pictures),
    )
    mouth = _mouth_level(_discs(every, judged, levels))
    levels = replace(levels, even=(tissue, wound, mouth))
    return replace(levels, two_mouths=_discs(every, judged, levels).curve)


def report(samples: list[Sample], levels: Levels) -> str:
    """Return how the reading does with these levels on these pictures, in words."""
    right = wrong = missed = mouths_right = discs = 0
    areas = np.zeros(4)
    for sample in samples:
        maps = sample.at(levels)
        judged = judge(sample.view, maps, sample.lesson.owner)
        missed += judged.missed
        sure = [candidate.score(levels) >= MIN_SCORE for candidate in judged.candidates]
        labels = np.zeros(sample.view.valid.shape, np.int32)
        owners = []
        for candidate, owner, kept in zip(judged.candidates, judged.owners, sure, strict=True):
            missed += bool(owner) and not kept
            right += bool(owner) and kept
            wrong += not owner and kept
            if owner and kept:
                owners.append(owner)
                labels[candidate.window][candidate.mask] = len(owners)
                whole = sample.lesson.owner == owner
                wound = (maps.wound[candidate.window] > 0.5) & candidate.mask
                areas += [
                    candidate.mask.sum(),
                    whole.sum(),
                    wound.sum(),
                    sample.lesson.wound[whole].sum(),
                ]
        polyp_map = PolypMap(labels=labels, scores=(1.0,) * len(owners))
        for owner, mouths in zip(owners, find_mouths(sample.view, maps, polyp_map), strict=True):
            discs += 1
            mouths_right += len(mouths.scores) == (sample.lesson.mouths[:, 2] == owner - 1).sum()
    return (
        f"F1 {2 * right / max(2 * right + wrong + missed, 1):.3f} ({right} right, {wrong} wrong, "
        f"{missed} missed); area found by true {areas[0] / areas[1]:.4f}, "
        f"wound {areas[2] / max(areas[3], 1):.4f}; "
        f"mouths right on {mouths_right / max(discs, 1):.3f} of discs at level {MOUTH_LEVEL}"
    )


def main() -> None:
    """Set the levels of one network."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("name", choices=["plate", "closeup"])
    parser.add_argument("--pictures", type=int, default=150)
    parser.add_argument("--seed", type=int, default=990)
    parser.add_argument(
        "--keep", action="store_true", help="set only how often what the levels say is true"
    )
    parser.add_argument("--photos", type=Path, help="as for polypvision.train.fit")
    args = parser.parse_args()
    use_photos(args.photos)
    plates = args.name == "plate"
    lessons = islice(_lessons(args.seed, plates=plates), args.pictures)
    rng = np.random.default_rng(args.seed)
    samples: list[Sample] = []
    hard: list[Sample] = []
    for number, lesson in enumerate(lessons):
        samples += _samples(number, [lesson], plates=plates)
        variants = _HARD_VARIANTS[args.name] if number % 3 else 0
        hard += _samples(number, [harder(lesson, rng) for _ in range(variants)], plates=plates)
    # Every third picture only tells how good the levels are.
    chosen = [sample for sample in samples if sample.number % 3]
    if args.keep:
        levels = set_sureness(chosen + hard, levels_of(PLATE_READER if plates else CLOSEUP_READER))
    else:
        levels = set_levels(chosen, hard)
    (MODELS / f"{args.name}.json").write_text(levels_to_json(levels), encoding="utf-8")
    print(levels_to_json(levels) + report([one for one in samples if not one.number % 3], levels))


if __name__ == "__main__":
    main()
