"""The reading's levels, set on painted pictures: ``python -m polypvision.train.levels``.

Prints the logistic weights of `polypvision.segment.discs.EVIDENCE_WEIGHTS`, how well they part
polyps from other things, how much too large areas and wounds are read, and how many mouths are
right at several levels. The pictures are none that the network learned from (other seeds), and none
is a photograph.
"""

import argparse
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from polypvision.calibrate.photo import view_at_scale
from polypvision.calibrate.srgb import to_codes, to_linear
from polypvision.calibrate.view import VIEW_PX_PER_MM, PlateView
from polypvision.measure.wounds import WOUND_LEVEL
from polypvision.mouths.find import find_mouths
from polypvision.segment.discs import Candidate, find_candidates
from polypvision.segment.maps import read_maps
from polypvision.segment.polyp_map import PolypMap
from polypvision.train.lessons import CLOSEUPS_PER_PLATE, Lesson, random_lessons


def _view(lesson: Lesson, *, plates: bool) -> PlateView:
    """The lesson as a view; ``plates`` lets it pass for one from a card."""
    rgb = to_codes(to_linear(lesson.rgb) * lesson.gains)
    view = view_at_scale(rgb, 1 / VIEW_PX_PER_MM)
    return replace(view, scale=replace(view.scale, source="card")) if plates else view


def _overlap(candidate: Candidate, owner: NDArray[np.uint8]) -> tuple[float, int]:
    """Best intersection over union with a true polyp, and which."""
    under = owner[candidate.window][candidate.mask]
    best, which = 0.0, 0
    for number in np.unique(under):
        if number in (0, 255):
            continue
        common = int((under == number).sum())
        union = int(candidate.mask.sum()) + int((owner == number).sum()) - common
        if common / union > best:
            best, which = common / union, int(number)
    return best, which


def _counts(candidate: Candidate, owner: NDArray[np.uint8]) -> bool:
    return bool((owner[candidate.window][candidate.mask] == 255).mean() < 0.3)


def _lessons(seed: int, count: int, *, plates: bool) -> Iterator[Lesson]:
    lessons = random_lessons(seed, 0 if plates else CLOSEUPS_PER_PLATE)
    for _ in range(count):
        yield next(lessons)


def fit_logistic(features: NDArray[np.float64], truth: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return weights (k + 1,) of 1 and k features that make the truth most likely."""
    design = np.column_stack([np.ones(len(features)), features])
    sign = np.where(truth, 1.0, -1.0)

    def loss(weights: NDArray[np.float64]) -> float:
        return float(np.logaddexp(0, -sign * (design @ weights)).mean() + 1e-4 * weights @ weights)

    return np.asarray(minimize(loss, np.zeros(design.shape[1]), method="BFGS").x, np.float64)


def main() -> None:
    """Read painted pictures and print what their truth says of the levels."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pictures", type=int, default=100)
    parser.add_argument("--seed", type=int, default=990)
    parser.add_argument("--plates", action="store_true", help="the plate reader, on plates only")
    args = parser.parse_args()
    evidence: list[NDArray[np.float64]] = []
    right: list[bool] = []
    missed = 0
    mouths: list[tuple[float, bool]] = []
    areas = np.zeros(4)
    for lesson in _lessons(args.seed, args.pictures, plates=args.plates):
        view = _view(lesson, plates=args.plates)
        maps = read_maps(view)
        found: set[int] = set()
        candidates = [c for c in find_candidates(view, maps) if _counts(c, lesson.owner)]
        labels = np.zeros(view.valid.shape, np.int32)
        for place, candidate in enumerate(candidates, start=1):
            best, which = _overlap(candidate, lesson.owner)
            evidence.append(candidate.evidence)
            right.append(best > 0.5)
            if best > 0.5:
                found.add(which)
                whole = lesson.owner == which
                exposed = (maps.wound[candidate.window] > WOUND_LEVEL) & candidate.mask
                areas += [
                    candidate.mask.sum(),
                    whole.sum(),
                    exposed.sum(),
                    lesson.wound[whole].sum(),
                ]
            labels[candidate.window][candidate.mask] = place
        sizes = np.bincount(lesson.owner.ravel(), minlength=256)[1:255]
        missed += int((sizes > 300).sum()) - sum(sizes[n - 1] > 300 for n in found)
        polyp_map = PolypMap(labels=labels, scores=(1.0,) * len(candidates))
        places = lesson.mouths[:, :2]
        for one in find_mouths(view, maps, polyp_map):
            for place, score in zip(one.places_xy, one.scores, strict=True):
                near = len(places) and np.hypot(*(places - place).T).min() < 6
                mouths.append((score, bool(near)))
    truth = np.array(right)
    features = np.array(evidence)
    weights = fit_logistic(features, truth)
    print("weights", np.round(weights, 3).tolist())
    chance = 1 / (1 + np.exp(-(weights[0] + features @ weights[1:])))
    for level in (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8):
        kept = chance >= level
        tp, fp = int((kept & truth).sum()), int((kept & ~truth).sum())
        fn = missed + int((~kept & truth).sum())
        print(f"score {level}: F1 {2 * tp / (2 * tp + fp + fn):.3f} ({tp} right, {fp} wrong)")
    print(f"area found by true {areas[0] / areas[1]:.4f}, wound {areas[2] / areas[3]:.4f}")
    for level in (0.5, 0.6, 0.7, 0.8):
        kept_mouths = [near for score, near in mouths if score >= level]
        print(
            f"mouth {level}: {sum(kept_mouths)} right, {len(kept_mouths) - sum(kept_mouths)} wrong"
        )


if __name__ == "__main__":
    main()
