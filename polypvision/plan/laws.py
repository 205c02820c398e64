"""How long after its wound a piece has its mouth, learned from the pieces on record, with what is
left unsure."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from polypvision.outcomes import Span

N_WORLDS = 200
"""Ways the room may be: each forecast is made in all of them, and all pieces live in the same."""

_MEANS = np.arange(-12.0, 36.5, 1.0)
_SPREADS = np.exp(np.linspace(log(1.0), log(16.0), 17))
_USUAL_DAYS, _USUAL_DAYS_SD = 7.0, 6.0
"""A piece has a mouth about a week after it has sealed; one cut through the mouth may have kept
part of it and be first (common practice, no source)."""
_USUAL_SPREAD, _SPREAD_FACTOR = 4.0, 1.6
"""From piece to piece (own choice, no source)."""
_PLACES = (np.arange(7) + 0.5) / 7
"""Where in its span a wound may have closed."""


@dataclass(frozen=True, kw_only=True, eq=False)
class LagLaw:
    """Normal law of the days from a closed wound to a mouth, in each of many possible worlds.

    Attributes
    ----------
    mean_days, spread_days : ndarray (worlds,) of float64
        Mean and standard deviation; below 0 the mouth comes first. Worlds that suit what was seen
        are in here more often.
    """

    mean_days: NDArray[np.float64]
    spread_days: NDArray[np.float64]

    def share_by(self, days: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the share (worlds, ...) that has its mouth by so many days after sealing."""
        shape = (-1, *[1] * days.ndim)
        z = (days[None] - self.mean_days.reshape(shape)) / self.spread_days.reshape(shape)
        return np.asarray(ndtr(z), dtype=np.float64)

    def share_by_if_not_at(
        self, days: NDArray[np.float64], not_at: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the same of those that had none at an earlier time; shapes alike or broadcast."""
        before = self.share_by(not_at)
        left = np.maximum(1.0 - before, 1e-12)
        return np.clip((self.share_by(days) - before) / left, 0.0, 1.0)


def _log_chance(sealed: Span, mouth: Span) -> NDArray[np.float64]:
    """Return the log-likelihood (means, spreads) of one piece."""
    closed = sealed.low + _PLACES * (sealed.high - sealed.low)

    def share_by(day: float) -> NDArray[np.float64]:
        z = (day - closed[None, None] - _MEANS[:, None, None]) / _SPREADS[None, :, None]
        return np.asarray(ndtr(z).mean(axis=2), dtype=np.float64)

    by_high = share_by(mouth.high) if mouth.happened else np.ones((len(_MEANS), len(_SPREADS)))
    # Before the cut's own day there was nothing to see.
    by_low = share_by(mouth.low) if mouth.low > 0 else np.zeros_like(by_high)
    return np.log(np.maximum(by_high - by_low, 1e-9))


def learn_lag(seen: Sequence[tuple[Span, Span]], rng: np.random.Generator) -> LagLaw:
    """Return the law that the pieces speak for, starting from what is usual.

    Parameters
    ----------
    seen : sequence of tuple of 2 Span
        When the wound of each piece was closed, and when it had a mouth; those whose wound is
        still open say nothing. May be empty, then only the custom speaks.
    rng : numpy.random.Generator
        Draws the worlds.

    Notes
    -----
    Bayes' rule on a grid. With few pieces the worlds differ widely, and so do the forecasts.
    """
    mean = (_MEANS - _USUAL_DAYS) / _USUAL_DAYS_SD
    spread = (np.log(_SPREADS) - log(_USUAL_SPREAD)) / log(_SPREAD_FACTOR)
    speaks = -0.5 * mean[:, None] ** 2 - 0.5 * spread[None, :] ** 2
    for sealed, mouth in seen:
        if sealed.happened:
            speaks = speaks + _log_chance(sealed, mouth)
    weight = np.exp(speaks - speaks.max()).ravel()
    steps = np.cumsum(weight / weight.sum())
    # Evenly through the weights, then shuffled: worlds of two laws must not go together.
    chosen = np.searchsorted(steps, (np.arange(N_WORLDS) + rng.random()) / N_WORLDS)
    chosen = rng.permutation(np.minimum(chosen, len(steps) - 1))
    row, column = np.divmod(chosen, len(_SPREADS))
    return LagLaw(mean_days=_MEANS[row], spread_days=_SPREADS[column])
