"""A network's levels, set on painted pictures: ``python -m polypvision.train.levels closeup``.

Prints how the reading does on every third picture with levels that the others set, and writes
those that all of them set to ``polypvision/models/NAME.json``. None of these are pictures that the
network learned from (other seeds), and none is a photograph of a polyp. What the network says of
each lies in a file of its own meanwhile, so that the number of pictures does not depend on the
memory.
"""

import argparse
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from polypvision.mouths.find import MOUTH_LEVEL, count_mouths
from polypvision.segment.levels import Curve, Levels, Weights, levels_to_json, neutral_levels
from polypvision.segment.maps import CLOSEUP_READER, PLATE_READER, levels_of
from polypvision.spread import spread
from polypvision.train.calibration import (
    RIDGE,
    RIDGE_OF_TWO_LOOKS,
    calibrate_score,
    fit_logistic,
    log_odds,
    two_mouths_curve,
)
from polypvision.train.closeups.photographs import use_photos
from polypvision.train.judging import (
    BINS,
    Reading,
    Summary,
    areas_of,
    joins_of,
    reading_of,
    summary_of,
)
from polypvision.train.samples import is_kept_back, write_samples

MODELS = Path(__file__).parents[1] / "models"
_LEVELS = (0.05, 0.95)

Result = TypeVar("Result")


@dataclass(frozen=True, kw_only=True)
class Shelf:
    """Files of samples, and how many processes look at them at once.

    Attributes
    ----------
    plain, hard : tuple of Path
        Pictures as painted, and their harder variants.
    jobs : int
    """

    plain: tuple[Path, ...]
    hard: tuple[Path, ...]
    jobs: int = 1

    @property
    def every(self) -> tuple[Path, ...]:
        """All samples, those as painted first."""
        return self.plain + self.hard

    def each(self, work: Callable[[Path], Result], paths: Sequence[Path]) -> list[Result]:
        """Return what ``work`` makes of each file, in their order."""
        return spread(work, paths, jobs=self.jobs)


def shelf_of(paths: Sequence[Path], jobs: int) -> Shelf:
    """Return a shelf of these files, as `write_samples` names them."""
    plain = [path.stem.endswith("-0") for path in paths]
    return Shelf(
        plain=tuple(path for path, one in zip(paths, plain, strict=True) if one),
        hard=tuple(path for path, one in zip(paths, plain, strict=True) if not one),
        jobs=jobs,
    )


def even_level(counts: NDArray[np.int64]) -> float:
    """Return the level above which as many chances lie as are true: areas without a bias.

    Parameters
    ----------
    counts : ndarray (2, n) of int64
        Of all chances and of the true ones, in n equal steps from 0 to 1.
    """
    every, true = counts
    if not true.any():
        return 0.5
    above = np.append(np.cumsum(every[::-1])[::-1], 0)  # from the lower edge of each step
    edges = np.linspace(0, 1, len(every) + 1)
    level = float(np.interp(true.sum(), above[::-1], edges[::-1]))
    return float(np.clip(level, *_LEVELS))


def _even_areas(shelf: Shelf) -> tuple[float, float]:
    """Return the even levels of tissue about the polyps, and of wound inside true tissue."""
    tissue, wound = np.zeros((2, 2, BINS), np.int64)
    for one in shelf.each(areas_of, shelf.plain):
        tissue += one.tissue
        wound += one.wound
    return even_level(tissue), even_level(wound)


@dataclass(frozen=True, kw_only=True, eq=False)
class Places:
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


def _discs(summaries: Sequence[Summary]) -> Places:
    """Return the polyps that are kept as such."""
    return Places(
        strengths=[places for one in summaries for places in one.strengths],
        true=np.concatenate([one.n_mouths for one in summaries]),
    )


def mouth_level(discs: Places) -> float:
    """Return the level at which discs that have a mouth are said to have one, and no others.

    Of the levels at which as many are right as at the best, but for luck, the one at which as many
    are said to have one as do. Second mouths are counted by their curve: were they in this bias,
    the level would make up for them.
    """
    tried, curve = np.arange(0.2, 0.951, 0.025), discs.curve
    said = np.array([discs.counts(curve, float(level)) > 0 for level in tried])
    right = (said == (discs.true > 0)).sum(axis=1)
    luck = np.sqrt(right.max() * (1 - right.max() / len(discs.true)))
    bias = np.abs(said.sum(axis=1) - np.count_nonzero(discs.true))
    return float(tried[np.argmin(np.where(right >= right.max() - luck, bias, np.inf))])


def _evidence(
    summaries: Sequence[Summary], look: int
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.int64]]:
    """Return the evidence (n, k) of a look's candidates, which are polyps, and of which picture."""
    of_look = np.concatenate([one.look for one in summaries]) == look
    evidence = np.concatenate([one.evidence for one in summaries])
    right = np.concatenate([one.right for one in summaries])
    pictures = np.repeat([one.number for one in summaries], [len(one.right) for one in summaries])
    return evidence[of_look], right[of_look], pictures[of_look]


def set_sureness(shelf: Shelf, levels: Levels) -> Levels:
    """Return levels that stand, with how often their scores and second mouths are true.

    Parameters
    ----------
    shelf : Shelf
        Of other pictures than the levels were set on.
    levels : Levels
    """
    summaries = shelf.each(partial(summary_of, levels=levels), shelf.every)
    looks = []
    for number, look in enumerate(levels.looks):
        evidence, right, _ = _evidence(summaries, number)
        shift, slope = fit_logistic(log_odds(evidence, look.polyp)[:, None], right)
        looks.append(replace(look, sure=(float(shift), float(slope))))
    return replace(levels, looks=tuple(looks), two_mouths=_discs(summaries).curve)


def set_levels(shelf: Shelf, *, looks: int) -> Levels:
    """Return the levels at which a network's answers on these pictures are right.

    Areas of tissue and wound without a bias, the most discs told from those without a mouth, and
    the likeliest weights for joining pieces and for being a polyp, and how often scores and second
    mouths are true. All but the areas on hard pictures too. The weights are set twice: mouths are
    evidence, and where their level is can only be told on polyps that weights have found.

    Parameters
    ----------
    shelf : Shelf
    looks : int
        How often the network looks.
    """
    tissue, wound = _even_areas(shelf)
    levels = replace(neutral_levels(looks=looks), even=(tissue, wound, 0.5))
    mouth = mouth_level(_discs(_with_weights(shelf, levels)[1]))
    levels = replace(levels, even=(tissue, wound, mouth))
    levels, summaries = _with_weights(shelf, levels)
    return replace(levels, two_mouths=_discs(summaries).curve)


def _with_weights(shelf: Shelf, levels: Levels) -> tuple[Levels, list[Summary]]:
    """Return levels with the likeliest weights, and what the samples then tell."""
    looks = len(levels.looks)
    ridge = RIDGE_OF_TWO_LOOKS if looks > 1 else RIDGE

    def with_joins(look: int) -> Weights:
        pairs = shelf.each(partial(joins_of, levels=levels, look=look), shelf.every)
        joins, same = (np.concatenate(part) for part in zip(*pairs, strict=True))
        return replace(levels.looks[look], join=fit_logistic(joins, same, ridge))

    levels = replace(levels, looks=tuple(with_joins(look) for look in range(looks)))
    summaries = shelf.each(partial(summary_of, levels=levels), shelf.every)

    def with_polyps(look: int) -> Weights:
        evidence, right, pictures = _evidence(summaries, look)
        return replace(
            levels.looks[look],
            polyp=fit_logistic(evidence, right, ridge),
            sure=calibrate_score(evidence, right, pictures, ridge),
        )

    levels = replace(levels, looks=tuple(with_polyps(look) for look in range(looks)))
    return levels, shelf.each(partial(summary_of, levels=levels), shelf.every)


def report(readings: Sequence[Reading]) -> str:
    """Return how the reading does on some pictures, in words."""
    right, wrong, missed, mouths_right = (
        sum(getattr(one, name) for one in readings)
        for name in ("right", "wrong", "missed", "mouths_right")
    )
    areas = np.sum([one.areas for one in readings], axis=0)
    return (
        f"F1 {2 * right / max(2 * right + wrong + missed, 1):.3f} ({right} right, {wrong} wrong, "
        f"{missed} missed); area found by true {areas[0] / max(areas[1], 1):.4f}, "
        f"wound {areas[2] / max(areas[3], 1):.4f}; "
        f"mouths right on {mouths_right / max(right, 1):.3f} of discs at level {MOUTH_LEVEL}"
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
    parser.add_argument("--jobs", type=int, default=1, help="processes at once")
    args = parser.parse_args()
    use_photos(args.photos)  # says at once if there are none
    reader = PLATE_READER if args.name == "plate" else CLOSEUP_READER
    with tempfile.TemporaryDirectory() as folder:
        paint = partial(
            write_samples, seed=args.seed, name=args.name, photos=args.photos, folder=Path(folder)
        )
        painted = spread(paint, range(args.pictures), jobs=args.jobs)
        every = [path for files in painted for path in files]
        # Every third picture tells how good levels are that the others set; then all set them.
        back = [p for number, files in enumerate(painted) if is_kept_back(number) for p in files]
        others = shelf_of([path for path in every if path not in back], args.jobs)
        set_on = (
            partial(set_sureness, levels=levels_of(reader))
            if args.keep
            else partial(set_levels, looks=len(reader.looks))
        )
        readings = others.each(partial(reading_of, levels=set_on(others)), back)
        levels = set_on(shelf_of(every, args.jobs))
    (MODELS / f"{args.name}.json").write_text(levels_to_json(levels), encoding="utf-8")
    print(levels_to_json(levels) + report(readings))


if __name__ == "__main__":
    main()
