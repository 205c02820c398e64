"""Pieces of one polyp joined again: a disc with folds or several mouths was cut too often."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from polypvision.reading import Points
from polypvision.segment.maps import Look, PlateMaps
from polypvision.segment.runs import Runs
from polypvision.segment.windows import Window, corner_xy, spanned

_LINE_POINTS = 17


@dataclass(frozen=True, kw_only=True, eq=False)
class Pieces:
    """What is known of n pieces and their k contacts, by l looks; joining adds it up.

    Of a piece that touches none only its box is known; the rest is zero.

    Attributes
    ----------
    boxes : list of n windows
        The smallest ones.
    area_px : ndarray (n,) of float64
    peak_xy, peak : ndarray (l, n, 2), (l, n) of float64
        Where the middles' map is highest in the piece, view pixels, and how high.
    mouth : ndarray (n,) of float64
        The highest of the mouths' map in the piece.
    vote_xy : ndarray (l, n, 2) of float64
        Sum of where its pixels say that the middle is.
    pairs : ndarray (k, 2) of int64
        Rows of touching pieces, the first one smaller than the second.
    contact : ndarray (k, 2) of float64
        Length of the contact, px; and, summed along it, how far the two sides' votes lie apart, px.
    """

    boxes: list[Window]
    area_px: NDArray[np.float64]
    peak_xy: Points
    peak: NDArray[np.float64]
    mouth: NDArray[np.float64]
    vote_xy: Points
    pairs: NDArray[np.int64]
    contact: NDArray[np.float64]


def _summed(place: NDArray[np.int64], values: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Return the sums (n, k) of the rows of values (m, k) that have the same place."""
    columns = [np.bincount(place, weights=column, minlength=n) for column in values.T]
    return np.asarray(np.column_stack(columns), np.float64)


def measure_pieces(labels: NDArray[np.int32], maps: PlateMaps) -> Pieces:
    """Return what is known of labelled pieces (H, W) and their contacts."""
    runs = Runs.of(labels)
    boxes = runs.boxes()
    n, looks = len(boxes), maps.looks
    pairs, contact = _contacts(labels, runs, maps, n)
    area, mouth = np.zeros((2, n))
    peak, peak_xy, vote_xy = np.zeros((len(looks), n)), *np.zeros((2, len(looks), n, 2))
    for piece in np.unique(pairs):
        window = boxes[piece]
        own = (labels[window] == piece + 1).view(np.uint8)
        area[piece] = cv2.countNonZero(own)
        mouth[piece] = cv2.minMaxLoc(maps.mouth[window], own)[1]
        for number, look in enumerate(looks):
            _, peak[number, piece], _, place_xy = cv2.minMaxLoc(look.centre[window], own)
            peak_xy[number, piece] = corner_xy(window) + place_xy
            vote_xy[number, piece] = [
                cv2.sumElems(cv2.copyTo(votes[window], own))[0] for votes in look.votes_xy
            ]
    return Pieces(
        boxes=boxes,
        area_px=area,
        peak_xy=peak_xy,
        peak=peak,
        mouth=mouth,
        vote_xy=vote_xy,
        pairs=pairs,
        contact=contact,
    )


def _contacts(
    labels: NDArray[np.int32], runs: Runs, maps: PlateMaps, n: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    width = labels.shape[1]
    flat = labels.ravel()
    keys, sums = [], []
    below = np.flatnonzero(flat[:-width] != flat[width:])
    below = below[(flat[below] > 0) & (flat[below + width] > 0)]
    for step, here in ((width, below), (1, runs.last_beside_another())):
        # Votes of neighbouring pixels of one polyp agree.
        far = np.hypot(*(v.take(here + step) - v.take(here) for v in maps.votes_xy))
        pair = np.sort(np.column_stack([flat[here], flat[here + step]]) - 1, axis=1)
        keys.append(pair[:, 0].astype(np.int64) * n + pair[:, 1])
        sums.append(np.column_stack([np.ones(len(here)), far]))
    found, place = np.unique(np.concatenate(keys), return_inverse=True)
    every = np.concatenate(sums)
    contact = _summed(place, every, len(found))
    return np.column_stack([found // max(n, 1), found % max(n, 1)]), contact


def join_evidence(
    pieces: Pieces, looks: tuple[Look, ...], rows: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return for contacts ``rows`` (m,) the evidence (m, 12 or 17) that both sides are one polyp.

    What `JOIN_EVIDENCE` names. In radii of the larger piece: the way between the middles' peaks;
    between the mean votes; between the votes on both sides of the contact, also as a part of the
    former. Then: the smaller's part of the larger's area; the contact as a part of a circle of the
    smaller's area; the lower peak; how deep the middles' map falls between the peaks, also as a
    part of the lower one; and the highest of the mouths' map on either side, the lower one and the
    higher one: what has no mouth of its own is a lobe more often than a polyp. With another look,
    then what it sees of peaks, votes and the fall between (`OTHER_JOIN_EVIDENCE`).
    """
    pair = pieces.pairs[rows]
    area = pieces.area_px[pair]
    radius = np.sqrt(area.max(axis=1) / np.pi)
    rim = 2 * np.sqrt(np.pi * area.min(axis=1))
    length, disagreement = pieces.contact[rows].T
    apart, votes_apart, lower, dip = _between(pieces, looks, pair, radius)
    log_apart, log_votes = np.log(apart + 0.1), np.log(votes_apart + 0.1)
    relative_dip = dip / (lower + 0.02)
    step = disagreement / length / radius
    mouths = np.sort(pieces.mouth[pair], axis=1)
    near = [
        log_apart[0],
        log_votes[0],
        np.minimum(votes_apart[0], 2),
        np.log(step + 0.03),
        step / (votes_apart[0] + 0.1),
        np.log(area.min(axis=1) / area.max(axis=1)),
        np.log(length / rim + 0.05),
        lower[0],
        dip[0],
        relative_dip[0],
        mouths[:, 0],
        mouths[:, 1],
    ]
    wide = np.stack([log_apart, log_votes, lower, dip, relative_dip], axis=1)[1:]
    return np.concatenate([near, *wide]).T


def _between(
    pieces: Pieces, looks: tuple[Look, ...], pair: NDArray[np.int64], radius: NDArray[np.float64]
) -> tuple[NDArray[np.float64], ...]:
    """Return what each look tells of pairs (m, 2) of pieces, each (l, m).

    In radii, the ways between the peaks and between the mean votes; the lower peak; and how deep
    the middles' map falls between them.
    """
    mean = pieces.vote_xy[:, pair] / pieces.area_px[pair][..., None]
    ends = pieces.peak_xy[:, pair]
    way = ends[:, :, 1] - ends[:, :, 0]
    ticks = np.linspace(0, 1, _LINE_POINTS)[:, None]
    lines = ends[:, :, :1] + ticks * way[:, :, None]
    along = np.array(
        [
            map_coordinates(look.centre, [line[..., 1], line[..., 0]], order=1, mode="nearest")
            for look, line in zip(looks, lines, strict=True)
        ]
    )
    lower = pieces.peak[:, pair].min(axis=2)
    return (
        np.hypot(*np.moveaxis(way, -1, 0)) / radius,
        np.hypot(*np.moveaxis(mean[:, :, 0] - mean[:, :, 1], -1, 0)) / radius,
        lower,
        lower - along.min(axis=2),
    )


def join_pieces(
    labels: NDArray[np.int32], maps: PlateMaps
) -> tuple[NDArray[np.int32], list[Window]]:
    """Return labels (H, W) after joining pieces that are more likely one polyp than two.

    The likeliest pair first; what it becomes is judged anew beside its neighbours. Second, the
    smallest window of each label.
    """
    pieces = measure_pieces(labels, maps)
    state = _Joining(pieces, maps)
    if not state.join_likeliest():
        return labels, pieces.boxes
    while state.join_likeliest():
        pass
    joined = np.zeros_like(labels)
    windows: dict[int, Window] = {}
    for piece, (window, number) in enumerate(
        zip(pieces.boxes, state.numbers().tolist(), strict=True)
    ):
        joined[window][labels[window] == piece + 1] = number
        windows[number] = spanned(windows.get(number, window), window)
    return joined, [windows[number] for number in sorted(windows)]


class _Joining:
    """Pieces while they are being joined."""

    def __init__(self, pieces: Pieces, maps: PlateMaps) -> None:
        self.looks = maps.looks
        self.weights = maps.levels.looks[0].join
        self.pieces = pieces
        self.home = np.arange(len(pieces.area_px))
        self.odds = self._odds(np.arange(len(pieces.pairs)))

    def _odds(self, rows: NDArray[np.int64]) -> NDArray[np.float64]:
        evidence = join_evidence(self.pieces, self.looks, rows)
        return np.asarray(self.weights[0] + evidence @ self.weights[1:], np.float64)

    def numbers(self) -> NDArray[np.int32]:
        """Return the new label of each piece, 1 to m in their old order."""
        return np.asarray(np.unique(self.home, return_inverse=True)[1] + 1, np.int32)

    def join_likeliest(self) -> bool:
        """Join the likeliest pair; False when none is more likely than not."""
        if not len(self.odds) or self.odds.max() <= 0:
            return False
        kept, gone = self.pieces.pairs[int(np.argmax(self.odds))]
        self.home[self.home == gone] = kept
        old = self.pieces
        area, vote_xy, mouth = old.area_px.copy(), old.vote_xy.copy(), old.mouth.copy()
        area[kept] += area[gone]
        mouth[kept] = max(mouth[kept], mouth[gone])
        vote_xy[:, kept] += vote_xy[:, gone]
        peak, peak_xy = old.peak.copy(), old.peak_xy.copy()
        higher = peak[:, gone] > peak[:, kept]
        peak[higher, kept], peak_xy[higher, kept] = peak[higher, gone], peak_xy[higher, gone]
        pairs = np.where(old.pairs == gone, kept, old.pairs)
        inner = pairs[:, 0] == pairs[:, 1]
        pairs, contact, odds = (
            np.sort(pairs[~inner], axis=1),
            old.contact[~inner],
            self.odds[~inner],
        )
        key = pairs[:, 0] * len(area) + pairs[:, 1]
        _, first, place = np.unique(key, return_index=True, return_inverse=True)
        summed = _summed(place, contact, len(first))
        self.pieces = Pieces(
            boxes=old.boxes,
            area_px=area,
            peak_xy=peak_xy,
            peak=peak,
            mouth=mouth,
            vote_xy=vote_xy,
            pairs=pairs[first],
            contact=summed,
        )
        self.odds = odds[first]
        touched = np.flatnonzero((self.pieces.pairs == kept).any(axis=1))
        if len(touched):
            self.odds[touched] = self._odds(touched)
        return True
