"""When polyps reach a size, given what all of a plate may share; plain numbers, so that they can be
kept."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class GrowthLine:
    """A polyp's ln of diameter as a line over days.

    Attributes
    ----------
    level : float
        ln of mm, on `GrowthNodes.middle_day`.
    slope : float
        A day.
    level_var, level_slope_cov, slope_var : float
        Variances of both and their covariance.
    """

    level: float
    slope: float
    level_var: float
    level_slope_cov: float
    slope_var: float


@dataclass(frozen=True, kw_only=True, eq=False)
class GrowthNodes:
    """What all polyps of a plate may share, and all that is needed to say when they reach a size.

    Attributes
    ----------
    middle_day : float
        Lines have their level there.
    freedom : int
        Degrees of freedom of the residual.
    level, trend, weight : ndarray (k,) of float64
        As of `SharedGrowth`.
    """

    middle_day: float
    freedom: int
    level: Floats
    trend: Floats
    weight: Floats

    def reached(self, line: GrowthLine, log_size: float, days: Floats, *, linear: bool) -> Floats:
        """Return the probability (m, k) that a polyp is as large on each day, under each level and
        trend that all may share.

        Two polyps depend on each other only through these: who counts how many of a plate are as
        large must go through them one by one.

        Parameters
        ----------
        line : GrowthLine
        log_size, days, linear
            As of `SharedGrowth.reached`.
        """
        ahead = (days - self.middle_day)[:, None]
        level = line.level - self.level[None, :]
        slope = line.slope - self.trend[None, :]
        if linear:
            grown = 1 + slope * ahead
            alive = grown > 1e-6
            grown = np.where(alive, grown, 1.0)
            expected, turn = level + np.log(grown), ahead / grown
        else:
            alive = np.ones((len(days), slope.shape[1]), np.bool_)
            expected, turn = level + slope * ahead, ahead
        var = line.level_var + 2 * turn * line.level_slope_cov + turn**2 * line.slope_var
        error = np.sqrt(np.maximum(var, 1e-18))
        chance = special.stdtr(self.freedom, (expected - log_size) / error)
        return np.where(alive, chance, 0.0)
