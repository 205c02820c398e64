"""Painted pictures beside what is read of them: which piece, region and mouth is true."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.view import VIEW_PX_PER_MM
from polypvision.mouths.find import find_mouths, peaks_inside
from polypvision.segment.discs import TISSUE_LEVEL, Candidate, choose, find_candidates
from polypvision.segment.joins import join_evidence, measure_pieces
from polypvision.segment.levels import Levels
from polypvision.segment.polyp_map import PolypMap
from polypvision.segment.seeds import cut_pieces
from polypvision.train.samples import read_sample

_SMALLEST_PX = 300
"""A true polyp that shows less than this is neither right nor missed."""
_RIGHT_OVERLAP = 0.5
_MARGIN_MM = 1.0
_SEEN_SHARE = 0.5
"""Part of a true polyp that must look like tissue for its rim to be judged."""
BINS = 2000
"""Of chances, each 0.0005 wide: as fine as half precision is about one half."""


def _majority(labels: NDArray[np.int32], owner: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Return for each label (n,) the true owner of most of its pixels."""
    n = int(labels.max(initial=0))
    both = np.bincount(
        labels.ravel().astype(np.int64) * 256 + owner.ravel(), minlength=256 * n + 256
    )
    return np.asarray(both.reshape(-1, 256)[1 : n + 1].argmax(axis=1), np.int64)


def _overlap(candidate: Candidate, owner: NDArray[np.uint8]) -> tuple[float, int]:
    """Best intersection over union with a true polyp, and which."""
    under = np.bincount(owner[candidate.window][candidate.mask], minlength=256)
    under[[0, 255]] = 0
    which = int(under.argmax())
    union = int(candidate.mask.sum()) + int((owner == which).sum()) - int(under[which])
    return (float(under[which] / union), which) if under[which] else (0.0, 0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Judged:
    """Some candidates of one picture beside the truth.

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


def judge(found: Sequence[Candidate], owner: NDArray[np.uint8]) -> Judged:
    """Return candidates of a view beside the truth.

    Parameters
    ----------
    found : sequence of Candidate
    owner : ndarray (H, W) of uint8
        0 ground, else the number of a polyp; 255 what does not count.
    """
    candidates, owners = [], []
    for candidate in found:
        if (owner[candidate.window][candidate.mask] == 255).mean() >= 0.3:
            continue
        best, which = _overlap(candidate, owner)
        candidates.append(candidate)
        owners.append(which if best > _RIGHT_OVERLAP else 0)
    sizes = np.bincount(owner.ravel(), minlength=256)[1:255]
    large = {int(number) for number in np.flatnonzero(sizes > _SMALLEST_PX) + 1}
    return Judged(candidates=candidates, owners=owners, missed=len(large - set(owners)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Areas:
    """How often each chance of tissue and wound was given, where it is true and everywhere.

    Attributes
    ----------
    tissue : ndarray (2, BINS) of int64
        In and about the true polyps that are seen at all: counts of all pixels, and of true ones.
        Others have no rim to be found too far out or in; they would draw everybody's outwards.
    wound : ndarray (2, BINS) of int64
        Likewise inside them.
    """

    tissue: NDArray[np.int64]
    wound: NDArray[np.int64]


def _counts(
    chances: NDArray[np.floating], truth: NDArray[np.bool_], where: NDArray[np.bool_]
) -> NDArray[np.int64]:
    bins = np.minimum(chances[where].astype(np.float32) * BINS, BINS - 1).astype(np.int64)
    every = np.bincount(bins, minlength=BINS)
    return np.stack([every, np.bincount(bins[truth[where]], minlength=BINS)])


def areas_of(path: Path) -> Areas:
    """Return the chances that a sample's pixels were given, beside the truth."""
    sample = read_sample(path)
    reach = round(_MARGIN_MM * VIEW_PX_PER_MM)
    owner = sample.lesson.owner
    true = (owner > 0) & (owner < 255)
    tissue = np.bincount(owner.ravel(), (sample.maps.tissue > TISSUE_LEVEL).ravel(), minlength=256)
    seen = tissue > _SEEN_SHARE * np.bincount(owner.ravel(), minlength=256)
    told = seen[owner] & true
    kernel = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    near = (cv2.dilate(told.astype(np.uint8), kernel) > 0) & (told | ~true) & sample.sure
    return Areas(
        tissue=_counts(sample.maps.tissue, told, near),
        wound=_counts(sample.maps.wound, sample.lesson.wound, sample.sure & true),
    )


def joins_of(
    path: Path, levels: Levels, look: int
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return evidence (m, k) of pieces that touch in a look, and whether they are one polyp."""
    sample = read_sample(path)
    maps = sample.at(levels).each_first[look]
    tissue = (maps.tissue > TISSUE_LEVEL) & sample.view.valid
    labels = cut_pieces(tissue, maps, sample.view.px_per_mm)
    pieces = measure_pieces(labels, maps)
    owner = _majority(labels, sample.lesson.owner)
    first, second = owner[pieces.pairs].T
    known = (first != 255) & (second != 255) & ((first > 0) | (second > 0))
    evidence = join_evidence(pieces, maps.looks, np.flatnonzero(known))
    return evidence, np.asarray((first == second)[known], np.bool_)


@dataclass(frozen=True, kw_only=True, eq=False)
class Summary:
    """What a sample tells of its candidates, without any map.

    Attributes
    ----------
    number : int
        Of the picture.
    look : ndarray (n,) of int64
        Which look told each apart.
    evidence : ndarray (n, k) of float64
        That each is a polyp.
    right : ndarray (n,) of bool
        Whether it covers a true one well.
    strengths : tuple of m ndarrays of float64
        Of the places in those that the levels keep, and rightly, that may be mouths; surest first.
    n_mouths : ndarray (m,) of int64
        How many these truly have.
    """

    number: int
    look: NDArray[np.int64]
    evidence: NDArray[np.float64]
    right: NDArray[np.bool_]
    strengths: tuple[NDArray[np.float64], ...]
    n_mouths: NDArray[np.int64]


def summary_of(path: Path, levels: Levels) -> Summary:
    """Return what a sample tells of its candidates by these levels."""
    sample = read_sample(path)
    maps = sample.at(levels)
    found = find_candidates(sample.view, maps)
    every = judge(found, sample.lesson.owner)
    kept = judge(choose(found, levels), sample.lesson.owner)
    strengths, n_mouths = [], []
    for candidate, owner in zip(kept.candidates, kept.owners, strict=True):
        if owner:
            window = maps.mouth[candidate.window]
            inside = peaks_inside(window, candidate.mask, sample.view.px_per_mm)
            strengths.append(inside.strengths)
            n_mouths.append(int((sample.lesson.mouths[:, 2] == owner - 1).sum()))
    none = np.empty((0, len(levels.looks[0].polyp) - 1))
    return Summary(
        number=sample.number,
        look=np.array([one.look for one in every.candidates], np.int64),
        evidence=np.concatenate([none, *([one.evidence[None] for one in every.candidates])]),
        right=np.array(every.owners, np.int64) > 0,
        strengths=tuple(strengths),
        n_mouths=np.array(n_mouths, np.int64),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Reading:
    """How one sample is read: polyps, and pixels of area found and true, of tissue and wound."""

    right: int
    wrong: int
    missed: int
    mouths_right: int
    areas: NDArray[np.int64]


def reading_of(path: Path, levels: Levels) -> Reading:
    """Return how a sample is read with these levels."""
    sample = read_sample(path)
    maps = sample.at(levels)
    judged = judge(choose(find_candidates(sample.view, maps), levels), sample.lesson.owner)
    labels = np.zeros(sample.view.valid.shape, np.int32)
    areas, owners = np.zeros(4, np.int64), []
    wrong = 0
    for candidate, owner in zip(judged.candidates, judged.owners, strict=True):
        if not owner:
            wrong += 1
            continue
        owners.append(owner)
        labels[candidate.window][candidate.mask] = len(owners)
        whole = sample.lesson.owner == owner
        wound = (maps.wound[candidate.window] > 0.5) & candidate.mask
        found = [candidate.mask.sum(), whole.sum(), wound.sum(), sample.lesson.wound[whole].sum()]
        areas += np.array(found, np.int64)
    polyp_map = PolypMap(labels=labels, scores=(1.0,) * len(owners))
    mouths = find_mouths(sample.view, maps, polyp_map)
    true = [int((sample.lesson.mouths[:, 2] == owner - 1).sum()) for owner in owners]
    return Reading(
        right=len(owners),
        wrong=wrong,
        missed=judged.missed,
        mouths_right=sum(len(one.scores) == n for one, n in zip(mouths, true, strict=True)),
        areas=areas,
    )
