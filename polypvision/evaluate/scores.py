"""How well a reading did: counts of right and wrong, errors, agreement; frozen, and addable."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

NAN = float("nan")
MOUTH_CLASSES = ("0", "1", "2", "3+")


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole else NAN


@dataclass(frozen=True, kw_only=True)
class Detection:
    """Things found against things there. Ratios are NaN where nothing could be counted.

    Attributes
    ----------
    tp, fp, fn : int
        Found and true, found but not true, true but not found.
    iou_sum : float
        Sum of the intersection over union of the true positives.

    Examples
    --------
    >>> round(Detection(tp=8, fp=2, fn=3).f1, 6)
    0.761905
    """

    tp: int = 0
    fp: int = 0
    fn: int = 0
    iou_sum: float = 0.0

    def __add__(self, other: "Detection") -> "Detection":
        return Detection(
            tp=self.tp + other.tp,
            fp=self.fp + other.fp,
            fn=self.fn + other.fn,
            iou_sum=self.iou_sum + other.iou_sum,
        )

    @property
    def precision(self) -> float:
        """Share of the found that is true."""
        return _ratio(self.tp, self.tp + self.fp)

    @property
    def recall(self) -> float:
        """Share of the true that was found."""
        return _ratio(self.tp, self.tp + self.fn)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall; also called recognition quality."""
        return _ratio(2 * self.tp, 2 * self.tp + self.fp + self.fn)

    @property
    def segmentation_quality(self) -> float:
        """Mean intersection over union of the true positives."""
        return _ratio(self.iou_sum, self.tp)

    @property
    def panoptic_quality(self) -> float:
        """Sum of IoU over TP + FP/2 + FN/2 (Kirillov et al. 2019, CVPR)."""
        return _ratio(2 * self.iou_sum, 2 * self.tp + self.fp + self.fn)


@dataclass(frozen=True, kw_only=True)
class Errors:
    """Found minus true over a set of pairs; NaN where there is no pair.

    Attributes
    ----------
    n : int
        Pairs counted.
    bias, mae, rmse, worst : float
        Mean, mean absolute, root mean square and greatest absolute difference.
    """

    n: int
    bias: float
    mae: float
    rmse: float
    worst: float


def errors(found: Iterable[float], true: Iterable[float]) -> Errors:
    """Return the errors of paired values; pairs with an unknown (NaN) value do not count.

    Examples
    --------
    >>> e = errors([11, 8, 17, 10, 18], [12, 8, 15, 10, 20])
    >>> e.mae, round(e.bias, 3), round(e.rmse, 6)
    (1.0, -0.2, 1.341641)
    """
    difference = np.asarray(list(found), dtype=np.float64) - np.asarray(list(true), np.float64)
    difference = difference[~np.isnan(difference)]
    if not len(difference):
        return Errors(n=0, bias=NAN, mae=NAN, rmse=NAN, worst=NAN)
    return Errors(
        n=len(difference),
        bias=float(difference.mean()),
        mae=float(np.abs(difference).mean()),
        rmse=float(np.sqrt((difference**2).mean())),
        worst=float(np.abs(difference).max()),
    )


def mouth_confusion(true: Iterable[int], found: Iterable[int]) -> NDArray[np.int64]:
    """Return how often a polyp with 0, 1, 2, 3+ mouths (row) was read with as many (column)."""
    confusion = np.zeros((4, 4), dtype=np.int64)
    for row, column in zip(true, found, strict=True):
        confusion[min(row, 3), min(column, 3)] += 1
    return confusion


@dataclass(frozen=True, kw_only=True)
class Pair:
    """A polyp that is there and was found.

    Attributes
    ----------
    photo, name : str
        As in the truth.
    label : int
        As in the reading.
    iou : float
    diameter_mm, diameter_true_mm, wound_mm2, wound_true_mm2 : float
        NaN where unknown.
    diameter_mm_err, wound_mm2_err : float
        Standard uncertainty as the reading states it.
    wound_iou : float
        Intersection over union of the wounds; 0 if only one of the two has any, NaN if neither
        has or the truth does not tell.
    n_mouths, n_mouths_true : int
    mouth_distances : tuple of float
        Of each mouth found within reach of a true one, in true polyp diameters.
    """

    photo: str
    name: str
    label: int
    iou: float
    diameter_mm: float
    diameter_mm_err: float
    diameter_true_mm: float
    wound_mm2: float
    wound_mm2_err: float
    wound_true_mm2: float
    wound_iou: float = NAN
    n_mouths: int
    n_mouths_true: int
    mouth_distances: tuple[float, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Thing:
    """A polyp that is there, found or not, or something found that is none.

    Attributes
    ----------
    kind : str
        As in the truth; empty where that tells none.
    diameter_mm : float
        True, or of what was found where nothing is; NaN where no scale is known.
    half, strict : Detection
        Whether it was found at IoU above 0.5, and above 0.75.
    mouths, two_mouths : Detection
        Its mouths by place; whether it has two or more.
    pair : Pair or None
        What was found against what is there; None if one of the two is missing.
    """

    kind: str = ""
    diameter_mm: float = NAN
    half: Detection = field(default=Detection())
    strict: Detection = field(default=Detection())
    mouths: Detection = field(default=Detection())
    two_mouths: Detection = field(default=Detection())
    pair: Pair | None = None


@dataclass(frozen=True, kw_only=True)
class PhotoScore:
    """One photo.

    Attributes
    ----------
    photo : str
        As in the truth.
    group, ground : str
        What sort of photo and what lies under the polyps, as in the truth; empty if not told.
    sha256 : str
        Hash of the photo that was read; empty if the reading does not tell.
    refused : str
        Kind of the error if the photo was refused, else empty; then every polyp was missed.
    n_true : int
        Polyps there, partial ones aside.
    n_ignored : int
        Polyps found that are partial or closed: neither right nor wrong.
    within_range : bool or None
        Whether all polyps found are as many as a careful person could count; None if not known.
    distractors_taken : int
        Distractors found as polyps; they are among the false positives.
    things : tuple of Thing
        Polyps there in the order of the truth, then what was wrongly found.
    """

    photo: str
    group: str = ""
    ground: str = ""
    sha256: str = ""
    refused: str = ""
    n_true: int
    n_ignored: int = 0
    within_range: bool | None = None
    distractors_taken: int = 0
    things: tuple[Thing, ...] = ()

    @property
    def polyps(self) -> Detection:
        """Outlines at IoU above 0.5."""
        return pool(thing.half for thing in self.things)

    @property
    def polyps_strict(self) -> Detection:
        """Outlines at IoU above 0.75."""
        return pool(thing.strict for thing in self.things)

    @property
    def mouths(self) -> Detection:
        """Mouths by place."""
        return pool(thing.mouths for thing in self.things)

    @property
    def two_mouths(self) -> Detection:
        """Polyps with two mouths or more."""
        return pool(thing.two_mouths for thing in self.things)

    @property
    def pairs(self) -> tuple[Pair, ...]:
        """Polyps found and there."""
        return tuple(thing.pair for thing in self.things if thing.pair is not None)

    @property
    def n_found(self) -> int:
        """Polyps found, partial ones aside."""
        return self.polyps.tp + self.polyps.fp

    @property
    def count_error(self) -> int:
        """Polyps found minus polyps there."""
        return self.n_found - self.n_true


@dataclass(frozen=True, kw_only=True)
class Scores:
    """All photos that have both a reading and a truth, each alone and together.

    Attributes
    ----------
    photos : tuple of PhotoScore
        In the order of the truth.
    unread, untrue : tuple of str
        Photos with a truth but no reading, and with a reading but no truth: not scored.
    """

    photos: tuple[PhotoScore, ...]
    unread: tuple[str, ...] = field(default=())
    untrue: tuple[str, ...] = field(default=())

    @property
    def pairs(self) -> tuple[Pair, ...]:
        """Polyps found and there, of all photos."""
        return tuple(pair for photo in self.photos for pair in photo.pairs)

    @property
    def polyps(self) -> Detection:
        """Outlines found, pooled over the photos."""
        return pool(photo.polyps for photo in self.photos)

    @property
    def polyps_strict(self) -> Detection:
        """Outlines found at IoU above 0.75, pooled over the photos."""
        return pool(photo.polyps_strict for photo in self.photos)

    @property
    def mouths(self) -> Detection:
        """Mouths found by place, pooled."""
        return pool(photo.mouths for photo in self.photos)

    @property
    def two_mouths(self) -> Detection:
        """Polyps with two mouths or more, pooled."""
        return pool(photo.two_mouths for photo in self.photos)

    @property
    def counts(self) -> Errors:
        """Polyps found against polyps there, a photo at a time."""
        return errors(
            [photo.n_found for photo in self.photos], [photo.n_true for photo in self.photos]
        )

    @property
    def counts_exact(self) -> int:
        """Photos whose count is exact."""
        return sum(photo.count_error == 0 for photo in self.photos)

    @property
    def counts_within_range(self) -> tuple[int, int]:
        """Photos whose count a careful person could defend, of those whose range is known."""
        known = [photo.within_range for photo in self.photos if photo.within_range is not None]
        return sum(known), len(known)

    @property
    def diameters_mm(self) -> Errors:
        """Diameters in mm."""
        pairs = self.pairs
        return errors([p.diameter_mm for p in pairs], [p.diameter_true_mm for p in pairs])

    @property
    def diameters_percent(self) -> Errors:
        """Diameters in percent of the true one."""
        pairs = self.pairs
        return errors(
            [100 * p.diameter_mm / p.diameter_true_mm for p in pairs], [100.0] * len(pairs)
        )

    @property
    def wounds_mm2(self) -> Errors:
        """Wound areas in mm2."""
        pairs = self.pairs
        return errors([p.wound_mm2 for p in pairs], [p.wound_true_mm2 for p in pairs])

    @property
    def mouth_confusion(self) -> NDArray[np.int64]:
        """Polyps by true (row) and found (column) number of mouths: 0, 1, 2, 3+."""
        pairs = self.pairs
        return mouth_confusion((p.n_mouths_true for p in pairs), (p.n_mouths for p in pairs))

    @property
    def mouth_distance_median(self) -> float:
        """Median distance of a found mouth from its true place, in polyp diameters."""
        distances = [distance for pair in self.pairs for distance in pair.mouth_distances]
        return float(np.median(distances)) if distances else NAN

    def subset(self, photos: Sequence[str]) -> "Scores":
        """Return the scores of some of the photos, by their names in the truth."""
        wanted = set(photos)
        return Scores(photos=tuple(photo for photo in self.photos if photo.photo in wanted))


def pool(detections: Iterable[Detection]) -> Detection:
    """Return the sum of detections; of none, an empty one."""
    return sum(detections, start=Detection())
