"""Polyps told apart: every pixel of tissue goes to the middle it points at.

Touching discs cannot be parted by a threshold, and a watershed on distances cuts lobes and halves
in two. The reader says for each pixel where the middle of its own polyp lies (Cheng B et al.
2020, Panoptic-DeepLab, CVPR 2020; from memory), which parts neighbours however they touch.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_fill_holes, find_objects, gaussian_filter
from scipy.ndimage import label as label_regions
from scipy.spatial import cKDTree
from skimage.feature import peak_local_max

from polypvision.calibrate.view import PlateView
from polypvision.reading import Points
from polypvision.segment.maps import PlateMaps
from polypvision.segment.polyp_map import PolypMap

TISSUE_LEVEL = 0.5
_CENTRE_LEVEL = 0.15
_CENTRE_APART_MM = 1.0
_MERGE_SHARE = 0.45
"""Two middles nearer than this part of the larger polyp's radius are one."""
MIN_DIAMETER_MM = 2.5
"""Smallest polyp that is counted; pieces are cut larger (common practice, no source)."""
MIN_SCORE = 0.5
EVIDENCE_WEIGHTS = np.array([-5.113, 1.711, 3.349, -2.019])
"""Logistic weights of 1 and a candidate's evidence, fitted on painted pictures by
``python -m polypvision.train.levels``."""


def _centres(maps: PlateMaps, px_per_mm: float) -> Points:
    """Return the middles of polyps, x and y in view pixels (n, 2), clearest first."""
    smooth = gaussian_filter(maps.centre, 0.15 * px_per_mm)
    peaks = peak_local_max(
        smooth,
        min_distance=max(1, round(_CENTRE_APART_MM * px_per_mm)),
        threshold_abs=_CENTRE_LEVEL,
        exclude_border=False,
    )
    strengths = smooth[peaks[:, 0], peaks[:, 1]].astype(np.float64)
    order = np.lexsort((peaks[:, 1], peaks[:, 0], -strengths))
    return np.asarray(peaks[order][:, ::-1], np.float64)


def _votes(maps: PlateMaps, tissue: NDArray[np.bool_]) -> Points:
    """Return where each pixel of tissue (n) says its polyp's middle is, x and y (n, 2)."""
    rows, columns = np.nonzero(tissue)
    places = np.column_stack([columns, rows]).astype(np.float64)
    votes: Points = places + maps.to_centre_px[rows, columns]
    return votes


def _owners(votes: Points, centres: Points) -> NDArray[np.int64]:
    """Return for each vote the row of the nearest middle; ties go to the first."""
    return np.asarray(cKDTree(centres).query(votes, k=1)[1], np.int64)


def _merged(votes: Points, centres: Points) -> Points:
    """Return the middles left when those that split one polyp are joined.

    Of two that stand nearer than a part of the larger one's radius, the one that fewer pixels
    point at is dropped; of equals the later.
    """
    kept = centres
    while len(kept) > 1:
        owners = _owners(votes, kept)
        radii = np.sqrt(np.bincount(owners, minlength=len(kept)) / np.pi)
        distances = np.linalg.norm(kept[:, None] - kept[None], axis=-1)
        reach = _MERGE_SHARE * np.maximum(radii[:, None], radii[None])
        close = np.triu(distances < reach, k=1)
        if not close.any():
            return kept
        first, second = (index[0] for index in np.nonzero(close))
        weaker = second if radii[second] <= radii[first] else first
        kept = np.delete(kept, weaker, axis=0)
    return kept


def _split(tissue: NDArray[np.bool_], maps: PlateMaps, px_per_mm: float) -> NDArray[np.int32]:
    """Return tissue (H, W) labelled by polyp; a lump without any middle is one polyp."""
    centres = _centres(maps, px_per_mm)
    labels = np.zeros(tissue.shape, np.int32)
    if len(centres):
        votes = _votes(maps, tissue)
        labels[tissue] = _owners(votes, _merged(votes, centres)) + 1
    else:
        labels[tissue] = 1
    return labels


def _main_parts(
    labels: NDArray[np.int32], min_area_px: float
) -> list[tuple[tuple[slice, slice], NDArray[np.bool_]]]:
    """Return window and mask of each label's connected parts that are large enough."""
    parts = []
    for index, window in enumerate(find_objects(labels), start=1):
        if window is None:
            continue
        pieces, n_pieces = label_regions(labels[window] == index)
        sizes = np.bincount(pieces.ravel(), minlength=n_pieces + 1)[1:]
        largest = sizes.max()
        for piece in range(1, n_pieces + 1):
            # A small crumb off a polyp is a misread margin; a large one is a polyp of its own.
            if sizes[piece - 1] >= max(min_area_px, 0.35 * largest):
                parts.append((window, binary_fill_holes(pieces == piece)))
    return parts


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidate:
    """A region that may be a polyp, and what speaks for it.

    Attributes
    ----------
    window : tuple of 2 slices
        Rows and columns of the view.
    mask : ndarray (h, w) of bool
        The region in its window.
    evidence : ndarray (3,) of float64
        Log-odds of the mean tissue probability; highest value of the middles' map inside; and how
        far the pixels' ways miss each other, as a part of the region's radius.
    """

    window: tuple[slice, slice]
    mask: NDArray[np.bool_]
    evidence: NDArray[np.float64]

    @property
    def score(self) -> float:
        """Probability of being a polyp."""
        return float(1 / (1 + np.exp(-(EVIDENCE_WEIGHTS @ np.append(1.0, self.evidence)))))


def _evidence(
    window: tuple[slice, slice], mask: NDArray[np.bool_], maps: PlateMaps
) -> NDArray[np.float64]:
    tissue = float(np.clip(maps.tissue[window][mask].mean(), 1e-3, 1 - 1e-3))
    votes = np.argwhere(mask)[:, ::-1] + maps.to_centre_px[window][mask]
    spread = np.linalg.norm(votes - np.median(votes, axis=0), axis=1).mean()
    return np.array(
        [
            np.log(tissue / (1 - tissue)),
            float(maps.centre[window][mask].max()),
            float(spread) / np.sqrt(mask.sum() / np.pi),
        ]
    )


def find_candidates(view: PlateView, maps: PlateMaps) -> list[Candidate]:
    """Return every region that may be a polyp, in the order of first pixels by rows.

    Parameters
    ----------
    view : PlateView
    maps : PlateMaps
    """
    tissue = (maps.tissue > TISSUE_LEVEL) & view.valid
    labels = _split(tissue, maps, view.px_per_mm)
    min_area_px = np.pi / 4 * (MIN_DIAMETER_MM * view.px_per_mm) ** 2
    free = np.ones(labels.shape, np.bool_)
    found: list[tuple[int, Candidate]] = []
    for window, region in _main_parts(labels, min_area_px):
        # A filled hole may hold a neighbour's pixels: each pixel goes to the first who has it.
        mask = region & free[window]
        if not mask.any():
            continue
        free[window] &= ~mask
        row, column = np.argwhere(mask)[0]
        first = (window[0].start + int(row)) * labels.shape[1] + window[1].start + int(column)
        evidence = _evidence(window, mask, maps)
        found.append((first, Candidate(window=window, mask=mask, evidence=evidence)))
    return [candidate for _, candidate in sorted(found, key=lambda item: item[0])]


def segment_polyps(view: PlateView, maps: PlateMaps) -> PolypMap:
    """Find the polyps of a view.

    Parameters
    ----------
    view : PlateView
    maps : PlateMaps
        The reader's opinion of it.

    Returns
    -------
    PolypMap
        Labels in the order of each polyp's first pixel, by rows; no polyps is an empty map.
    """
    labels = np.zeros(view.valid.shape, np.int32)
    scores: list[float] = []
    for candidate in find_candidates(view, maps):
        if candidate.score >= MIN_SCORE:
            scores.append(candidate.score)
            labels[candidate.window][candidate.mask] = len(scores)
    return PolypMap(labels=labels, scores=tuple(scores))
