"""How long something takes, when photos on some dates only say between which two it happened.

A plate is photographed now and then, so "closed" means: after the last photo that shows the wound
open, up to and on the first that shows it closed. Taking the later date for the true one makes
everything seem slower than it is (Zhang Z, Sun J 2010, Statistical Methods in Medical Research
19:53-70).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf, isfinite
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import nnls

_EXACT_DAYS = 1.0
"""Known to the day: then the older, simpler methods for exact times hold."""
_STEPS = 1_000
"""Ten are enough; so many are a bound for what nobody has met."""
_GAP = 1e-12
"""What the greatest likelihood may lie above the one found: the logarithm, for each piece."""
_HALVINGS = 40
_MANY = 200
"""Of more pieces than so many, times count in whole days: each has its own minute, and the work
goes with the square of the different times or worse."""


@dataclass(frozen=True, kw_only=True, order=True)
class Span:
    """When something happened: after ``low``, up to and on ``high``, in days since the cut.

    Attributes
    ----------
    low : float
        Until then it surely had not happened.
    high : float
        By then it surely had; infinite if it has not been seen to happen.

    Examples
    --------
    >>> Span(low=7, high=14).happened, Span(low=14, high=float("inf")).happened
    (True, False)
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.high or not isfinite(self.low):
            raise ValueError(f"a span runs from 0 or later to its end, got {self.low}, {self.high}")

    @property
    def happened(self) -> bool:
        """Whether it has been seen to happen."""
        return self.high < inf

    @property
    def exact(self) -> bool:
        """Whether it is known to the day, or has not happened so far."""
        return not self.happened or self.high - self.low <= _EXACT_DAYS


@dataclass(frozen=True, kw_only=True, eq=False)
class Curve:
    """Share of pieces to which something has not happened yet, against days since the cut.

    Attributes
    ----------
    method : {'Kaplan-Meier', 'Turnbull'}
    left, right : ndarray (k,) of float64
        The share falls somewhere in ``(left, right]``; where within, nobody can know. Both are the
        same where the day is known. The last ``right`` may be infinite.
    mass : ndarray (k,) of float64
        By how much; sums to 1 where everything has happened to all.
    after : ndarray (k,) of float64
        Share left after each fall.
    after_err : ndarray (k,) of float64
        One standard error (Greenwood); NaN by Turnbull's method.
    spans : tuple of Span
        What it was made from.
    """

    method: Literal["Kaplan-Meier", "Turnbull"]
    left: NDArray[np.float64]
    right: NDArray[np.float64]
    mass: NDArray[np.float64]
    after: NDArray[np.float64]
    after_err: NDArray[np.float64]
    spans: tuple[Span, ...]

    @property
    def n(self) -> int:
        """Pieces it rests on."""
        return len(self.spans)

    @property
    def n_happened(self) -> int:
        """To how many of them it has happened."""
        return sum(span.happened for span in self.spans)

    def share_after(self, day: float) -> tuple[float, float]:
        """Return the least and the greatest share left at the end of that day that the curve
        allows; the same but inside a fall."""
        least = 1.0 - float(self.mass[self.left < day].sum())
        greatest = 1.0 - float(self.mass[self.right <= day].sum())
        return (min(max(least, 0.0), greatest), greatest)

    def median(self) -> Span | None:
        """Return between which days half of them are through; None if it is not reached.

        The curve puts all it can into the narrowest gap between photos. What the photos really
        bound is wider, where they saw half of these very pieces through: that is given.
        """
        at = np.flatnonzero(self.after <= 0.5 + 1e-9)
        if not len(at) or not isfinite(self.right[at[0]]):
            return None
        low, high = float(self.left[at[0]]), float(self.right[at[0]])
        half = (len(self.spans) + 1) // 2 - 1
        seen_by = sorted(span.high for span in self.spans)[half]
        if isfinite(seen_by):
            low = min(low, sorted(span.low for span in self.spans)[half])
            high = max(high, seen_by)
        return Span(low=low, high=high)

    def interval_after(self, day: float, confidence: float = 0.95) -> tuple[float, float]:
        """Return a confidence interval of the share left at the end of a day.

        Wilson's score interval about the curve, with as many pieces as are known then to be
        through or not: that of the plain share when all are known, wider the less is.
        """
        known = sum(span.high <= day or span.low >= day for span in self.spans)
        least, greatest = self.share_after(day)
        low, _ = wilson_interval(least * known, known, confidence)
        _, high = wilson_interval(greatest * known, known, confidence)
        return low, high


def wilson_interval(count: float, n: float, confidence: float = 0.95) -> tuple[float, float]:
    """Return Wilson's score interval of a share; 0 to 1 where nothing is known.

    Parameters
    ----------
    count, n : float
        How many, and out of how many. Need not be whole.

    Notes
    -----
    Wilson EB 1927, as in Newcombe RG 1998, Statistics in Medicine 17:857-872. Written out because
    the libraries ask for whole numbers.

    Examples
    --------
    >>> low, high = wilson_interval(81, 263)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)
    """
    if n <= 0:
        return 0.0, 1.0
    share = min(max(count / n, 0.0), 1.0)
    z = float(stats.norm.ppf(0.5 + confidence / 2))
    middle = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    # A share of 0 or 1 is its own limit; rounding must not put it outside.
    low = 0.0 if share == 0 else float(middle - half)
    high = 1.0 if share == 1 else float(middle + half)
    return low, high


def in_days(spans: Sequence[Span]) -> Sequence[Span]:
    """Return spans as they are; many of them in whole days, which no photo tells better."""
    if len(spans) <= _MANY:
        return spans
    return [
        Span(low=float(round(span.low)), high=float(round(span.high)) if span.happened else inf)
        for span in spans
    ]


def curve(spans: Sequence[Span]) -> Curve:
    """Return the share to which it has not happened yet, by the method that the data allow.

    Kaplan-Meier with Greenwood's errors where every event is known to the day, else Turnbull's
    estimate.

    Parameters
    ----------
    spans : sequence of Span
        One per piece; may be empty.

    Returns
    -------
    Curve
    """
    if spans and all(span.exact for span in spans):
        return kaplan_meier(spans)
    return turnbull(in_days(spans))


def kaplan_meier(spans: Sequence[Span]) -> Curve:
    """Return the Kaplan-Meier curve; events count on the last day of their span.

    Raises
    ------
    ValueError
        If there is none.

    Notes
    -----
    By statsmodels, whose errors are Greenwood's.
    """
    from statsmodels.duration.survfunc import SurvfuncRight

    if not spans:
        raise ValueError("no curve can be drawn from no piece")
    days = np.array([span.high if span.happened else span.low for span in spans])
    happened = np.array([span.happened for span in spans], dtype=np.int64)
    if not happened.any():
        return _curve("Kaplan-Meier", np.empty(0), np.empty(0), np.empty(0), spans)
    fitted = SurvfuncRight(days, happened)
    after = np.asarray(fitted.surv_prob, dtype=np.float64)
    times = np.asarray(fitted.surv_times, dtype=np.float64)
    fallen = -np.diff(np.concatenate([[1.0], after]))
    errors = np.nan_to_num(np.asarray(fitted.surv_prob_se, dtype=np.float64), nan=0.0)
    return _curve("Kaplan-Meier", times, times, fallen, spans, errors)


def _curve(
    method: Literal["Kaplan-Meier", "Turnbull"],
    left: NDArray[np.float64],
    right: NDArray[np.float64],
    mass: NDArray[np.float64],
    spans: Sequence[Span],
    after_err: NDArray[np.float64] | None = None,
) -> Curve:
    return Curve(
        method=method,
        left=left,
        right=right,
        mass=mass,
        after=np.clip(1.0 - np.cumsum(mass), 0.0, 1.0),
        after_err=np.full(len(mass), np.nan) if after_err is None else after_err,
        spans=tuple(spans),
    )


def _innermost(spans: Sequence[Span]) -> list[tuple[float, float]]:
    """Return where the estimate may fall: from a left end to a right end with none between.

    Spans are open on the left and closed on the right, so of equal ends the right comes first;
    only a span of no length holds its own left end.
    """
    ends = [(span.low, -1 if span.low == span.high else 1, "left") for span in spans]
    ends += [(span.high, 0, "right") for span in spans]
    ends.sort()
    return [
        (before[0], after[0])
        for before, after in pairwise(ends)
        if (before[2], after[2]) == ("left", "right")
    ]


def turnbull(spans: Sequence[Span]) -> Curve:
    """Return Turnbull's estimate: the nonparametric one of greatest likelihood.

    Notes
    -----
    Turnbull BW 1976, Journal of the Royal Statistical Society B 38:290-295. Written out, for
    lifelines 0.30 takes both ends of a span for closed, which moves the published masses of the
    breast cosmesis data, and other libraries do not offer it; how it is found is said in
    `_likeliest`. There is one answer only: some span ends with each place and none of the later
    ones lies in it, so the chances of the spans tell the masses one after the other.
    """
    places = [one for one in _innermost(spans) if one[0] < inf]
    if not places:
        return _curve("Turnbull", np.empty(0), np.empty(0), np.empty(0), spans)
    left, right = (np.array(ends, dtype=np.float64) for ends in zip(*places, strict=True))
    # Those that are alike are gone through once.
    ends, counts = np.unique([(span.low, span.high) for span in spans], axis=0, return_counts=True)
    low, high = ends[:, :1], ends[:, 1:]
    share = counts / counts.sum()
    # A known day lies in a span that ends on it, not in one that begins with it.
    after_low = np.where(left == right, (low < left) | ((low == left) & (low == high)), low <= left)
    inside = (after_low & (right <= high)).astype(np.float64)
    mass = _likeliest(inside, share)
    kept = mass > 1e-9
    left, right, mass = left[kept], right[kept], mass[kept] / mass[kept].sum()
    done = np.isfinite(right)
    return _curve("Turnbull", left[done], right[done], mass[done], spans)


def _likeliest(inside: NDArray[np.float64], share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the masses of places that make what was seen the likeliest.

    Parameters
    ----------
    inside : ndarray (n, k) of float64
        1 where a place lies in a span, else 0.
    share : ndarray (n,) of float64
        Of all pieces, those that have this span.

    Returns
    -------
    ndarray (k,) of float64

    Notes
    -----
    EM steps, each followed by a Newton step: the quadratic about the masses is least squares
    without negative masses, and half of the step, or half of that, is taken where the whole would
    lose likelihood (Wang Y 2007, Journal of the Royal Statistical Society B 69:185-198, whose
    method this is but for the EM steps; Dax A 1990, SIAM Review 32:611-635, for the sum of 1; both
    from memory). EM alone takes tens of thousands of steps where a mass goes to nothing. It ends
    by the conditions of Karush, Kuhn and Tucker (Gentleman R, Geyer CJ 1994, Biometrika
    81:618-623): as the logarithm of the likelihood is concave, no masses have one that is higher by
    more than the greatest of what moving all mass to one place would gain.
    """
    mass = np.full(inside.shape[1], 1.0 / inside.shape[1])
    for _ in range(_STEPS):
        gain = (share / (inside @ mass)) @ inside
        if gain.max() <= 1.0 + _GAP:
            break
        mass = mass * gain  # The EM step; never less likely.
        mass = _newton(inside, share, mass / mass.sum())
    return mass


def _newton(
    inside: NDArray[np.float64], share: NDArray[np.float64], mass: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return masses that are at least as likely, by a Newton step, or the same.

    A place without mass gets some where that gains.
    """
    chance = inside @ mass
    # About the masses the likeliest new ones have the least sum of squares of (rows @ new - 2).
    # That they sum to 1 is one row more, and dividing by their sum.
    rows = inside / chance[:, None]
    gain = share @ rows
    near = (mass > 0) | (gain > 1.0)
    root = np.sqrt(share)[:, None]
    squares = np.hstack([root * (rows[:, near] - 2.0), np.zeros_like(root)])
    # The same least squares in no more rows than there are places.
    few = np.asarray(np.linalg.qr(np.vstack([squares, np.ones(squares.shape[1])]), mode="r"))
    try:
        found, _ = nnls(few[:, :-1], few[:, -1])
    except RuntimeError:
        return mass  # It went round in circles; an EM step was taken.
    step = -mass
    step[near] += found / found.sum()
    rises = rows @ step
    slope = float(share @ rises)
    part = 1.0
    for _ in range(_HALVINGS if slope > 0 else 0):
        if part * rises.min() > -1.0 and share @ np.log1p(part * rises) >= part * slope / 3:
            return np.maximum(mass + part * step, 0.0)
        part /= 2
    return mass
