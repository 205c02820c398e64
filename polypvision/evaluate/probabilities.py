"""Is what readers say with a probability true as often as they say?

Pictures of seeds that no lesson and no level was set on, and of families held out from both: plates
with their card, and close-ups at a scale. Each claim is judged before and after calibration (see
`segment.levels`): that something is a polyp, and that a polyp has two mouths.

References
----------
Brier GW 1950, Verification of forecasts expressed in terms of probability, Monthly Weather Review
78:1-3. Naeini MP, Cooper GF, Hauskrecht M 2015, Obtaining well calibrated probabilities using
Bayesian binning, AAAI: expected calibration error (both from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from polypvision.calibrate.photo import view_at_scale, view_from_card
from polypvision.calibrate.view import PlateView
from polypvision.errors import PolypvisionError
from polypvision.evaluate.drawn import plate_seed
from polypvision.evaluate.heldout import FAMILIES, HeldOut
from polypvision.evaluate.heldout.plates import plate
from polypvision.evaluate.plain import plain
from polypvision.mouths.find import peaks_inside
from polypvision.render.chance import TAUGHT
from polypvision.segment.discs import choose, find_candidates
from polypvision.segment.maps import PlateMaps, read_maps
from polypvision.spread import Show, spread
from polypvision.train.closeups import closeup_lesson
from polypvision.train.judging import judge
from polypvision.train.samples import lesson_view

BINS = 10
GROUPS = ("plates", "close-ups", "held-out plates", "held-out close-ups")
CLAIMS = {"polyp": "is a polyp", "two-mouths": "has two mouths"}
_UNKNOWN = 255
_NORMAL_95 = 1.959964


@dataclass(frozen=True, kw_only=True, eq=False)
class Claims:
    """What was said with a probability, and whether it is so.

    Attributes
    ----------
    before, after : ndarray (n,) of float64
        As the network's maps say it, and calibrated.
    true : ndarray (n,) of bool
    """

    before: NDArray[np.float64]
    after: NDArray[np.float64]
    true: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Bin:
    """Claims said with about one probability: how many, what was said, how often it was so.

    Attributes
    ----------
    low, high : float
        95 % interval of the share (Wilson 1927, JASA 22:209-212, from memory).
    """

    n: int
    said: float
    share: float
    low: float
    high: float


def brier_score(said: ArrayLike, true: ArrayLike) -> float:
    """Return the mean squared difference of probabilities (n,) and what came true (n,)."""
    return float(np.mean((np.asarray(said, np.float64) - np.asarray(true, np.float64)) ** 2))


def reliability(said: ArrayLike, true: ArrayLike, bins: int = BINS) -> list[Bin]:
    """Return bins of equal numbers of claims, in the order of what was said.

    Parameters
    ----------
    said : array_like (n,)
        Probabilities.
    true : array_like (n,) of bool
    bins : int
        Fewer where there are fewer claims.
    """
    chances, facts = np.asarray(said, np.float64), np.asarray(true, np.bool_)
    order = np.argsort(chances, kind="stable")
    return [_bin(chances[part], facts[part]) for part in np.array_split(order, bins) if len(part)]


def _bin(said: NDArray[np.float64], true: NDArray[np.bool_]) -> Bin:
    n, share, z2 = len(said), float(true.mean()), _NORMAL_95**2
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    reach = np.sqrt(z2 * (share * (1 - share) / n + z2 / (4 * n * n))) / (1 + z2 / n)
    low, high = float(middle - reach), float(middle + reach)
    return Bin(n=n, said=float(said.mean()), share=share, low=low, high=high)


def calibration_error(said: ArrayLike, true: ArrayLike, bins: int = BINS) -> float:
    """Return the expected calibration error: how far shares are from what was said, on average.

    Over bins of equal numbers of claims: with bins of equal width nearly all that is said surely
    falls into two of them.
    """
    found = reliability(said, true, bins)
    total = sum(one.n for one in found)
    return sum(one.n * abs(one.said - one.share) for one in found) / total if total else np.nan


def _truth_in_view(picture: HeldOut, view: PlateView) -> tuple[NDArray[np.uint8], list[int]]:
    """Return whose each pixel of the view is, as `judge` takes it, and the mouths of each polyp."""
    owner = np.zeros(view.valid.shape, np.uint8)
    height, width = view.valid.shape
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
    in_photo = view.to_photo(view.to_mm(corners))
    to_view = cv2.getPerspectiveTransform(in_photo.astype(np.float32), corners.astype(np.float32))
    polyps = picture.truth["polyps"]
    for number, polyp in enumerate(polyps, 1):
        outline = np.asarray(polyp["outline_px"], np.float32).reshape(-1, 1, 2)
        inside = cv2.perspectiveTransform(outline, to_view)
        cut_off = polyp.get("partial") or "touches-edge" in polyp["flags"]
        cv2.fillPoly(owner, [np.rint(inside).astype(np.int32)], _UNKNOWN if cut_off else number)
    return owner, [int(polyp["n_mouths"]) for polyp in polyps]


def _claims(
    view: PlateView, maps: PlateMaps, owner: NDArray[np.uint8], n_mouths: Sequence[int]
) -> dict[str, list[tuple[float, float, bool]]]:
    """Return what is said of a view, of each claim: before, after, true."""
    polyps, mouths = [], []
    judged = judge(choose(find_candidates(view, maps), maps.levels), owner)
    for candidate, which in zip(judged.candidates, judged.owners, strict=True):
        score = candidate.score(maps.levels)
        polyps.append((score, candidate.probability(maps.levels), which > 0))
        if which:
            window = candidate.window
            peaks = peaks_inside(maps.mouth[window], candidate.mask, view.px_per_mm).strengths
            second = float(peaks[1]) if len(peaks) > 1 else 0.0
            two = n_mouths[which - 1] >= 2
            mouths.append((second, maps.levels.two_mouths(second), two))
    return {"polyp": polyps, "two-mouths": mouths}


def _view(
    group: str, rng: np.random.Generator, number: int
) -> tuple[PlateView, NDArray[np.uint8], list[int]]:
    """Paint a picture of a group, and return its view and truth."""
    if group == "close-ups":
        lesson = closeup_lesson(rng, natural=True)
        rows = lesson.mouths[:, 2].astype(int)
        n_mouths = np.bincount(rows, minlength=len(lesson.polyps)).tolist()
        return lesson_view(lesson, plates=False), lesson.owner, n_mouths
    if group == "plates":
        rgb, truth = plate(rng, TAUGHT, None)
        picture = HeldOut(rgb=rgb, truth=truth, mm_per_px=None)
    else:
        start = "plate: " if group == "held-out plates" else "close-up: "
        families = [painter for name, painter in FAMILIES.items() if name.startswith(start)]
        picture = families[number % len(families)](rng, None)
    if picture.mm_per_px is None:
        view = view_from_card(picture.rgb)
    else:
        view = view_at_scale(picture.rgb, picture.mm_per_px)
    return view, *_truth_in_view(picture, view)


def _try(
    asked: tuple[str, int], seed: int
) -> tuple[str, dict[str, list[tuple[float, float, bool]]]]:
    group, number = asked
    rng = np.random.default_rng([plate_seed(seed, number), GROUPS.index(group), 47])
    try:
        view, owner, n_mouths = _view(group, rng, number)
    except PolypvisionError:
        return group, {claim: [] for claim in CLAIMS}
    return group, _claims(view, read_maps(view), owner, n_mouths)


Scores = dict[str, dict[str, Claims]]
"""Claims by claim and group."""


def score_probabilities(
    count: int,
    *,
    seed: int = 0,
    groups: Sequence[str] = GROUPS,
    jobs: int = 1,
    show: Show | None = None,
) -> Scores:
    """Paint and read pictures of each group.

    Parameters
    ----------
    count : int
        Of each group.
    seed : int
        Pictures of another seed share none with it.
    groups : sequence of str
        Of `GROUPS`.
    jobs : int
        Processes to spread over.
    show : callable, optional
        Called with the number of pictures done.
    """
    asked = [(group, number) for number in range(count) for group in groups]
    found = spread(partial(_try, seed=seed), asked, jobs=jobs, show=show)
    scores: Scores = {claim: {} for claim in CLAIMS}
    for claim in CLAIMS:
        for group in groups:
            rows = [row for name, said in found if name == group for row in said[claim]]
            before, after, true = np.array(rows, np.float64).reshape(-1, 3).T
            scores[claim][group] = Claims(before=before, after=after, true=true > 0.5)
    return scores


def probabilities_record(scores: Scores) -> dict[str, Any]:
    """Return the figures as plain JSON values; NaN is written as None."""
    record: dict[str, Any] = plain(
        {
            claim: {group: _figures(claims) for group, claims in groups.items()}
            for claim, groups in scores.items()
        }
    )
    return record


def _figures(claims: Claims) -> dict[str, Any]:
    n = len(claims.true)
    figures: dict[str, Any] = {"n": n, "share": float(claims.true.mean()) if n else np.nan}
    for when, said in (("before", claims.before), ("after", claims.after)):
        figures[when] = {
            "brier": brier_score(said, claims.true) if n else np.nan,
            "calibration_error": calibration_error(said, claims.true),
            "bins": [vars(one) for one in reliability(said, claims.true)],
        }
    return figures


def probabilities_lines(scores: Scores) -> list[str]:
    """Return the figures as lines to print."""
    lines = [
        f"{'said with a probability':32s}{'how often':>10s}{'true %':>8s}"
        f"{'Brier score':>20s}{'calibration error':>20s}",
        f"{'':50s}{'before':>11s}{'after':>9s}{'before':>11s}{'after':>9s}",
    ]
    for claim, groups in scores.items():
        for group, claims in groups.items():
            one = _figures(claims)
            before, after = one["before"], one["after"]
            lines.append(
                f"{f'{CLAIMS[claim]}, {group}':32s}{one['n']:10d}{100 * one['share']:8.1f}"
                f"{before['brier']:11.4f}{after['brier']:9.4f}"
                f"{before['calibration_error']:11.4f}{after['calibration_error']:9.4f}"
            )
    return lines
