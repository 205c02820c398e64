"""How the machine compares with the people who corrected it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from polypvision.evaluate.overlap import match
from polypvision.evaluate.scores import MOUTH_CLASSES
from polypvision.measure.overlap import iou_matrix
from polypvision.reading import PlateReading, Polyp

NAN = float("nan")
Interval = tuple[float, float]
_NO_INTERVAL: Interval = (NAN, NAN)
_LIMIT = 1.96
"""Standard deviations of the limits: 95 % of a normal distribution. Bland and Altman wrote 2."""


@dataclass(frozen=True, kw_only=True)
class BlandAltman:
    """Differences between two ways of measuring the same things; NaN where too few.

    Attributes
    ----------
    n : int
    bias, sd : float
        Mean and standard deviation of the differences.
    low, high : float
        Limits of agreement: bias -+ 1.96 sd.
    bias_ci, low_ci, high_ci : tuple of 2 floats
        95 % confidence intervals.

    References
    ----------
    Bland JM, Altman DG 1986, Statistical methods for assessing agreement between two methods of
    clinical measurement, Lancet i:307-310.
    """

    n: int
    bias: float = NAN
    sd: float = NAN
    low: float = NAN
    high: float = NAN
    bias_ci: Interval = _NO_INTERVAL
    low_ci: Interval = _NO_INTERVAL
    high_ci: Interval = _NO_INTERVAL


def bland_altman(differences: Sequence[float]) -> BlandAltman:
    """Return bias and limits of agreement of differences (one way minus the other).

    Intervals are by Student's t with n - 1 degrees of freedom; the standard error of a limit is
    sqrt(3 sd^2 / n).

    Examples
    --------
    >>> found = bland_altman([-1.0, 0.0, 1.0, 2.0])
    >>> found.bias, round(found.sd, 4), round(found.high, 4)
    (0.5, 1.291, 3.0303)
    """
    values = np.asarray(differences, np.float64)
    n = len(values)
    if n < 2:
        return BlandAltman(n=n, bias=float(values.mean()) if n else NAN)
    bias, sd = float(values.mean()), float(values.std(ddof=1))
    low, high = bias - _LIMIT * sd, bias + _LIMIT * sd
    quantile = float(student.ppf(0.975, n - 1))
    of_bias, of_limit = quantile * sd / np.sqrt(n), quantile * sd * np.sqrt(3 / n)
    return BlandAltman(
        n=n,
        bias=bias,
        sd=sd,
        low=low,
        high=high,
        bias_ci=(bias - of_bias, bias + of_bias),
        low_ci=(low - of_limit, low + of_limit),
        high_ci=(high - of_limit, high + of_limit),
    )


def cohen_kappa(table: NDArray[np.int64]) -> float:
    """Return Cohen's kappa of a square table of counts; NaN where chance alone agrees in all.

    References
    ----------
    Cohen J 1960, A coefficient of agreement for nominal scales, Educ Psychol Meas 20:37-46.

    Examples
    --------
    >>> round(cohen_kappa(np.array([[20, 5], [10, 15]])), 4)
    0.4
    """
    total = float(table.sum())
    if not total:
        return NAN
    seen = float(np.trace(table)) / total
    chance = float((table.sum(axis=0) * table.sum(axis=1)).sum()) / total**2
    return (seen - chance) / (1 - chance) if chance < 1 else NAN


@dataclass(frozen=True, kw_only=True)
class DiameterPair:
    """The diameter of one polyp by the machine and by a person, mm; whether it was drawn anew."""

    machine_mm: float
    person_mm: float
    redrawn: bool

    @property
    def larger_mm(self) -> float:
        """Machine minus person."""
        return self.machine_mm - self.person_mm


@dataclass(frozen=True, kw_only=True, eq=False)
class Agreement:
    """The machine against people, on photos on which people corrected something.

    Attributes
    ----------
    n_photos, n_machine, n_people : int
        Photos, and polyps on them by the machine and by people.
    n_same : int
        Polyps that both have (IoU above 0.5).
    n_exact : int
        Photos with equal counts.
    count_bias, count_sd : float
        Mean and standard deviation of the machine's count minus people's, by photo.
    diameters, redrawn : BlandAltman
        Machine minus people, mm: of all polyps that both have, where an outline that a person left
        alone counts as agreed; and of those only whose outline a person drew anew.
    pairs : tuple of DiameterPair
        What these are made from.
    mouths : ndarray (4, 4) of int64
        Counts by classes 0, 1, 2 and 3 or more: rows the machine's, columns people's.
    kappa : float
        Cohen's, of that table.
    """

    n_photos: int
    n_machine: int
    n_people: int
    n_same: int
    n_exact: int
    count_bias: float
    count_sd: float
    diameters: BlandAltman
    redrawn: BlandAltman
    pairs: tuple[DiameterPair, ...]
    mouths: NDArray[np.int64]
    kappa: float


def compare_with_people(pairs: Sequence[tuple[PlateReading, PlateReading]]) -> Agreement:
    """Compare what the machine read with what people made of it.

    Parameters
    ----------
    pairs : sequence of (PlateReading, PlateReading)
        The machine's reading of a photo, and the corrected one.
    """
    counts = np.array([ours.n_polyps - theirs.n_polyps for ours, theirs in pairs], np.float64)
    same = [pair for ours, theirs in pairs for pair in _same(ours, theirs)]
    mouths = np.zeros((len(MOUTH_CLASSES), len(MOUTH_CLASSES)), np.int64)
    for machine, person in same:
        mouths[_class(machine), _class(person)] += 1
    diameters = tuple(
        DiameterPair(
            machine_mm=machine.diameter_mm,
            person_mm=person.diameter_mm,
            redrawn=not np.array_equal(machine.outline_px, person.outline_px),
        )
        for machine, person in same
    )
    return Agreement(
        n_photos=len(pairs),
        n_machine=sum(ours.n_polyps for ours, _ in pairs),
        n_people=sum(theirs.n_polyps for _, theirs in pairs),
        n_same=len(same),
        n_exact=int((counts == 0).sum()),
        count_bias=float(counts.mean()) if len(counts) else NAN,
        count_sd=float(counts.std(ddof=1)) if len(counts) > 1 else NAN,
        diameters=bland_altman([one.larger_mm for one in diameters]),
        redrawn=bland_altman([one.larger_mm for one in diameters if one.redrawn]),
        pairs=diameters,
        mouths=mouths,
        kappa=cohen_kappa(mouths),
    )


def _same(ours: PlateReading, theirs: PlateReading) -> list[tuple[Polyp, Polyp]]:
    iou = iou_matrix(
        [polyp.outline_px for polyp in ours.polyps], [polyp.outline_px for polyp in theirs.polyps]
    )
    return [(ours.polyps[n], theirs.polyps[m]) for n, m in match(iou)]


def _class(polyp: Polyp) -> int:
    return min(polyp.n_mouths, len(MOUTH_CLASSES) - 1)


def agreement_record(found: Agreement) -> dict[str, Any]:
    """Return the comparison as plain JSON values; NaN is written as None."""
    record: dict[str, Any] = dict(vars(found))
    for name in ("diameters", "redrawn"):
        record[name] = {key: _plain(value) for key, value in vars(record[name]).items()}
    record["pairs"] = [dict(vars(one)) for one in found.pairs]
    record["mouths"] = found.mouths.tolist()
    return {key: _plain(value) for key, value in record.items()}


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return None if isinstance(value, float) and np.isnan(value) else value


def agreement_lines(found: Agreement) -> list[str]:
    """Return the comparison as lines of text."""
    lines = agreement_sentences(found)
    if found.n_photos:
        lines += [
            f"Mouths (rows the machine's, columns people's), kappa {_text(found.kappa)}:",
            "       " + "".join(f"{name:>6}" for name in MOUTH_CLASSES),
        ]
        lines += [
            f"{name:>6} " + "".join(f"{count:6d}" for count in row)
            for name, row in zip(MOUTH_CLASSES, found.mouths, strict=True)
        ]
    return lines


def agreement_sentences(found: Agreement) -> list[str]:
    """Return what the comparison says of counts and diameters."""
    if not found.n_photos:
        return ["Nobody has corrected a photo yet, so there is nothing to compare with."]
    return [
        f"{found.n_photos} photos that people corrected: {found.n_machine} polyps by the machine, "
        f"{found.n_people} by people, {found.n_same} the same.",
        f"Count, machine minus people: {found.count_bias:+.2f} a photo on average "
        f"(SD {_text(found.count_sd)}), equal on {found.n_exact}.",
        _diameters("Diameters of all that both have", found.diameters),
        _diameters("Diameters of those drawn anew", found.redrawn),
    ]


def _text(value: float) -> str:
    return "unknown" if np.isnan(value) else f"{value:.2f}"


def _diameters(what: str, of: BlandAltman) -> str:
    if of.n < 2:
        return f"{what}: {of.n}, too few to compare."
    return (
        f"{what} ({of.n}), machine minus people: bias {of.bias:+.2f} mm (95 % CI "
        f"{of.bias_ci[0]:+.2f} to {of.bias_ci[1]:+.2f}), limits of agreement {of.low:+.2f} "
        f"({of.low_ci[0]:+.2f} to {of.low_ci[1]:+.2f}) and {of.high:+.2f} "
        f"({of.high_ci[0]:+.2f} to {of.high_ci[1]:+.2f}) mm."
    )
