"""Pleats of the close-up painter's discs: tissue that a fold carries over its own neighbourhood.

Large discs have more margin than room: they fold over themselves, so that a strip is hidden, a
crest stands before it, and a shade lies under the crest (common practice, no source).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.render.noise import Field
from polypvision.train.closeups.tools import Points

_SHADE_REACH = 0.1
"""How far a crest's shade reaches, in radii."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Pleat:
    """One fold of a disc; lengths in radii, places in the disc's own plane, its middle 0, 0.

    Attributes
    ----------
    across : ndarray (2,)
        Unit way across the fold, to the side that lies over the other.
    at : ndarray (2,)
        The middle of its line.
    half_length : float
        Along the line, where it is 1 / e as strong.
    over : float
        How far the upper side is carried over the lower one.
    fades : float
        How far from the line that is 1 / e as much.
    height : float
        Of the crest.
    shade : float
        How dark it is under the crest, 0 to 1.
    """

    across: Points
    at: Points
    half_length: float
    over: float
    fades: float
    height: float
    shade: float

    def _strength(
        self, x: NDArray[np.floating], y: NDArray[np.floating]
    ) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
        """Return how far places lie to the upper side, and how strong the fold is beside them."""
        dx, dy = x - self.at[0], y - self.at[1]
        beyond = self.across[0] * dx + self.across[1] * dy
        along = self.across[0] * dy - self.across[1] * dx
        return beyond, np.exp(-((along / self.half_length) ** 2))

    def moved(self, xy: Points) -> tuple[Points, NDArray[np.floating]]:
        """Return by how much places (n, 2) are carried, and how high they are lifted (n,)."""
        beyond, strong = self._strength(*xy.T)
        near = strong * np.exp(-np.abs(beyond) / self.fades)
        upper = beyond > 0
        carried = np.where(upper, -self.over * near, 0)
        return carried[:, None] * self.across, np.where(upper, near, -0.3 * near) * self.height

    def light_left(self, x: Field, y: Field) -> Field:
        """Return the part of the light (H, W) that is left at places, under the crest least."""
        beyond, strong = self._strength(x, y)
        below = -(beyond + self.over * strong)
        shade = np.where(below > 0, np.exp(-below / _SHADE_REACH), 0) * strong
        return np.asarray(1 - self.shade * shade, np.float32)


def some_pleats(count: int, rng: np.random.Generator) -> tuple[Pleat, ...]:
    """Draw pleats of a disc, none through its middle."""
    pleats = []
    for _ in range(count):
        way = rng.uniform(0, 2 * np.pi)
        outwards = np.array([np.cos(way), np.sin(way)])
        # Most run with the margin; the margin's side lies over the middle's, or under it.
        turn = way + rng.normal(0, 0.6)
        across = np.array([np.cos(turn), np.sin(turn)]) * (1 if rng.random() < 0.65 else -1)
        over = rng.uniform(0.08, 0.36)
        pleats.append(
            Pleat(
                across=across,
                at=outwards * rng.uniform(0.35, 0.85),
                half_length=float(rng.uniform(0.2, 0.6)),
                over=float(over),
                fades=float(over * rng.uniform(1.1, 4)),
                height=float(over * rng.uniform(0.5, 1.2)),
                shade=float(rng.uniform(0.3, 0.9)),
            )
        )
    return tuple(pleats)
