"""How long pieces usually take, learned from the pieces on record, with what is left unsure."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from polypvision.outcomes import Span

N_WORLDS = 200
"""Ways the room may be: each forecast is made in all of them, and all pieces live in the same."""

_MIDDLE_DAYS = np.exp(np.linspace(log(2.0), log(120.0), 83))
_SPREADS = np.exp(np.linspace(log(0.08), log(1.2), 25))


@dataclass(frozen=True, kw_only=True, eq=False)
class TimeLaw:
    """Log-normal law of a time since the cut, in each of many possible worlds.

    Attributes
    ----------
    middle_days, spread : ndarray (worlds,) of float64
        Median, and standard deviation of the logarithm. Worlds that suit what was seen are in here
        more often.
    """

    middle_days: NDArray[np.float64]
    spread: NDArray[np.float64]

    def share_by(self, days: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the share (worlds, days) to which it has happened by each day."""
        with np.errstate(divide="ignore"):
            logs = np.log(np.maximum(days, 0.0))
        z = (logs[None, :] - np.log(self.middle_days)[:, None]) / self.spread[:, None]
        return np.asarray(ndtr(z), dtype=np.float64)

    def share_by_if_not_at(self, days: NDArray[np.float64], not_at: float) -> NDArray[np.float64]:
        """Return the same of those to which it had not happened at the end of one day."""
        before = self.share_by(np.array([not_at]))
        left = np.maximum(1.0 - before, 1e-12)
        return np.clip((self.share_by(days) - before) / left, 0.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Custom:
    """What is usual before anything was seen.

    Attributes
    ----------
    days : float
        In the middle of what growers tell.
    factor : float
        Two rooms in three lie within this factor of it.
    """

    days: float
    factor: float = 1.6


SEALED = Custom(days=14.0)
"""A cut seals in one to three weeks (common practice, no source)."""
MOUTH = Custom(days=21.0)
"""And has a mouth about a week later (common practice, no source)."""
_SPREAD = Custom(days=0.35, factor=1.6)


def _chances(spans: Sequence[Span]) -> NDArray[np.float64]:
    """Return the log-likelihood (middles, spreads) of what was seen."""

    def share_by(day: float) -> NDArray[np.float64]:
        if day <= 0:
            return np.zeros((len(_MIDDLE_DAYS), len(_SPREADS)))
        z = (log(day) - np.log(_MIDDLE_DAYS)[:, None]) / _SPREADS[None, :]
        return np.asarray(ndtr(z), dtype=np.float64)

    total = np.zeros((len(_MIDDLE_DAYS), len(_SPREADS)))
    for span in spans:
        by_high = share_by(span.high) if span.happened else np.ones_like(total)
        # A day known exactly is half a day to either side: photos know no hours.
        low = span.low - 0.5 if span.low == span.high else span.low
        total += np.log(np.maximum(by_high - share_by(low), 1e-9))
    return total


def learn(spans: Sequence[Span], usual: Custom, rng: np.random.Generator) -> TimeLaw:
    """Return the law that the spans speak for, starting from what is usual.

    Parameters
    ----------
    spans : sequence of Span
        One per piece; may be empty, then only the custom speaks.
    usual : Custom
    rng : numpy.random.Generator
        Draws the worlds.

    Notes
    -----
    Bayes' rule on a grid. With few pieces the worlds differ widely, and so do the forecasts.
    """
    middle = (np.log(_MIDDLE_DAYS) - log(usual.days)) / log(usual.factor)
    spread = (np.log(_SPREADS) - log(_SPREAD.days)) / log(_SPREAD.factor)
    speaks = _chances(spans) - 0.5 * middle[:, None] ** 2 - 0.5 * spread[None, :] ** 2
    weight = np.exp(speaks - speaks.max()).ravel()
    steps = np.cumsum(weight / weight.sum())
    # Evenly through the weights, then shuffled: worlds of two laws must not go together.
    chosen = np.searchsorted(steps, (np.arange(N_WORLDS) + rng.random()) / N_WORLDS)
    chosen = rng.permutation(np.minimum(chosen, len(steps) - 1))
    row, column = np.divmod(chosen, len(_SPREADS))
    return TimeLaw(middle_days=_MIDDLE_DAYS[row], spread=_SPREADS[column])
