"""Shapes of the close-up painter's discs: lobes, valleys, pressed margins, any slant."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from polypvision.train.closeups.kinds import Kind
from polypvision.train.closeups.pleats import Pleat, some_pleats
from polypvision.train.closeups.tools import Points

TURNS = 256
"""Entries of a table by angle."""
_LEAST_PLEATED_PX = 50
"""Radius of a disc large enough to lie in pleats."""
_ANGLES = np.arange(TURNS) * (2 * np.pi / TURNS)


@dataclass(frozen=True, kw_only=True, eq=False)
class Disc:
    """Where one disc lies; ``squeeze`` is the short axis of the slanted disc over the long one.

    ``walls`` (n, 3) are straight margins it shares with neighbours: a point at x, y pixels from
    its middle is within one while ``wall[0] * x + wall[1] * y < wall[2]``.
    """

    x: float
    y: float
    radius: float
    squeeze: float
    towards: float
    mouths: int
    blur_px: float
    counted: bool
    walls: Points = field(default_factory=lambda: np.empty((0, 3)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Form:
    """A disc's outline, folds, creases by angle and pleats, and its way onto the picture."""

    outline: Points
    fold: Points
    crease: Points
    axes: Points
    lift: Points
    middle: Points
    cos_slant: float
    sin_slant: float
    pleats: tuple[Pleat, ...] = ()

    def look_up(self, theta: NDArray[np.floating]) -> Callable[[Points], NDArray[np.float32]]:
        """Return what looks tables up at angles, linearly between: steps would show in relief."""
        turn = np.asarray(theta, np.float32) * np.float32(TURNS / (2 * np.pi))
        whole = np.floor(turn)
        part = turn - whole
        low = whole.astype(np.int32) % TURNS

        def at(table: Points) -> NDArray[np.float32]:
            first = table.astype(np.float32)
            slope = np.roll(first, -1) - first
            return np.asarray(first[low] + slope[low] * part, np.float32)

        return at

    def place(self, theta: Points, rho: Points) -> tuple[Points, Points]:
        """Return window places (n, 2) and nearness to the viewer of points of the disc."""
        at = self.look_up(theta)
        radius = rho * at(self.outline)
        plane = np.stack([np.cos(theta), np.sin(theta)], -1) * radius[:, None]
        height = at(self.fold) * rho**2
        for pleat in self.pleats:
            carried, lifted = pleat.moved(plane)
            plane, height = plane + carried, height + lifted
        xy = self.middle + plane @ self.axes + height[:, None] * self.lift
        near = height * self.cos_slant + plane[:, 1] * self.sin_slant
        return xy, near


def _lobes(kind: Kind, disc: Disc, rng: np.random.Generator) -> Points:
    outline = np.ones(TURNS)
    for order in range(2, 9):
        strength = kind.lobes * rng.normal() / order**0.9
        outline += strength * np.cos(order * _ANGLES + rng.uniform(0, 2 * np.pi))
    if disc.mouths > 1:
        outline += rng.uniform(0.0, 0.28) * np.cos(2 * _ANGLES)
        if rng.random() < 0.25:  # nearly in two, or in three
            parts = 2 if disc.mouths < 3 else int(rng.integers(2, 4))
            waist = np.maximum(-np.cos(parts * _ANGLES), 0) ** 3
            outline -= rng.uniform(0.1, 0.5) * waist
    return np.asarray(np.clip(outline, 0.5, 1.5))


def _valleys(kind: Kind, rng: np.random.Generator) -> Points:
    """Return how deep in a valley, 0 to 1, each direction is; valleys run from mouth to rim."""
    crease = np.zeros(TURNS)
    count = kind.valleys if kind.cleft else int(rng.integers(0, kind.valleys + 1))
    ways = rng.uniform(0, 2 * np.pi, count)
    if kind.cleft:  # lobes are of unlike width, none a mere splinter
        ways = (np.arange(count) + rng.normal(0, 0.2, count)) * (2 * np.pi / max(count, 1))
    low, high = (0.06, 0.22) if kind.cleft else (0.12, 0.4)
    for way in ways:
        off = np.angle(np.exp(1j * (_ANGLES - way)))
        depth = rng.uniform(0.4, 1.0) if kind.cleft else 1.0
        crease = np.maximum(crease, depth * np.exp(-((off / rng.uniform(low, high)) ** 2)))
    return crease


def pressed(outline: Points, axes: Points, walls: Points, sharpness: float) -> Points:
    """Flatten an outline by angle against straight walls; its corners stay round.

    Parameters
    ----------
    outline : ndarray (`TURNS`,)
    axes : ndarray (2, 2)
        Rows are the picture's way of the disc's own axes, pixels for an outline of 1.
    walls : ndarray (n, 3)
        As in `Disc`.
    sharpness : float
        The larger, the sharper corners; about 12.
    """
    ray = np.stack([np.cos(_ANGLES), np.sin(_ANGLES)], -1) @ axes
    # 1 / (the outline at which a ray meets a wall); a soft least of all limits.
    meets = np.maximum(ray @ walls[:, :2].T / walls[:, 2], 0)
    total = outline**-sharpness + (meets**sharpness).sum(axis=1)
    return np.asarray(total ** (-1 / sharpness))


def make_form(kind: Kind, disc: Disc, rng: np.random.Generator) -> Form:
    """Draw a disc's shape."""
    outline = _lobes(kind, disc, rng)
    crease = _valleys(kind, rng)
    notched = rng.uniform(0.15, 0.6) if kind.cleft else rng.uniform(0.0, 0.5)
    outline = outline * (1 - notched * crease)
    outline = np.maximum(outline, 0.4 if kind.cleft else 0.45)
    outline /= np.sqrt(np.mean(outline**2))
    waves = rng.integers(2, 8)
    fold = kind.folds * np.cos(waves * _ANGLES + rng.uniform(0, 2 * np.pi))
    fold += 0.5 * kind.folds * np.cos((waves + 2) * _ANGLES + rng.uniform(0, 2 * np.pi))
    fold -= rng.uniform(0.1, 0.4) * crease
    across = np.array([-np.sin(disc.towards), np.cos(disc.towards)])
    towards = np.array([np.cos(disc.towards), np.sin(disc.towards)])
    axes = disc.radius * np.stack([across, towards * disc.squeeze])
    sine = np.sqrt(1 - disc.squeeze**2)
    # The axis of a dividing disc turns with its outline: mouths are looked up on it.
    shift = int(rng.integers(0, TURNS))
    outline = np.roll(outline, shift)
    if len(disc.walls):
        outline = pressed(outline, axes, disc.walls, float(np.exp(rng.uniform(2, 3.6))))
    return Form(
        outline=outline,
        fold=np.roll(fold, shift),
        crease=np.roll(crease, shift),
        axes=axes,
        lift=-towards * sine * disc.radius,
        middle=np.zeros(2),
        cos_slant=disc.squeeze,
        sin_slant=float(sine),
        pleats=some_pleats(int(rng.integers(1, 4)), rng)
        if kind.pleated and disc.radius > _LEAST_PLEATED_PX
        else (),
    )


def mouth_places(disc: Disc, rng: np.random.Generator, form: Form) -> Points:
    """Return angle and rho of each mouth, (m, 2): two along the long axis, more in a chain."""
    if disc.mouths == 1:
        return np.array([[rng.uniform(0, 2 * np.pi), abs(rng.normal(0, 0.1))]])
    axis = np.argmax(form.outline[: TURNS // 2] + form.outline[TURNS // 2 :])
    start = axis * 2 * np.pi / TURNS
    near = rng.random() < 0.35  # just divided; else well apart
    spread = rng.uniform(0.13, 0.25) if near else rng.uniform(0.25, 0.6)
    if near and disc.mouths > 2:
        spread *= 1.4
    if disc.mouths > 2 and rng.random() < 0.5:  # a chain across
        along = np.linspace(-1.3, 1.3, disc.mouths) * min(spread, 0.5)
        angles = start + np.pi * (along < 0) + rng.normal(0, 0.25, disc.mouths)
        return np.stack([angles, np.abs(along)], 1)
    around = np.arange(disc.mouths) * (2 * np.pi / disc.mouths)
    angles = start + around + rng.normal(0, 0.15, disc.mouths)
    return np.stack([angles, spread * rng.uniform(0.8, 1.2, disc.mouths)], 1)


def way_from_mouth(
    theta: NDArray[np.floating], rho: NDArray[np.floating], mouths: Points
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the direction, and the share of the way from the mouth to the margin, of points.

    Of several mouths (m, 2; angle and rho), the one that is nearest in this sense: zones and
    tentacles of a dividing disc lie round each of its mouths.
    """
    x, y = (np.asarray(rho * part(theta), np.float32) for part in (np.cos, np.sin))
    towards = np.zeros_like(x)
    share = np.full_like(x, np.inf)
    for angle, off in mouths:
        at_x, at_y = np.float32(off * np.cos(angle)), np.float32(off * np.sin(angle))
        dx, dy = x - at_x, y - at_y
        away = np.maximum(np.hypot(dx, dy), np.float32(1e-6))
        along = (at_x * dx + at_y * dy) / away
        whole = np.sqrt(along**2 + np.float32(max(1 - off**2, 0.01))) - along
        nearer = away < share * whole
        towards = np.where(nearer, np.arctan2(dy, dx), towards)
        share = np.where(nearer, away / whole, share)
    return towards, share


def place_round_mouth(theta: Points, share: Points, mouth: Points) -> tuple[Points, Points]:
    """Return angle and rho of points given by direction and share of the way from one mouth."""
    at = mouth[1] * np.array([np.cos(mouth[0]), np.sin(mouth[0])])
    ray = np.stack([np.cos(theta), np.sin(theta)], -1)
    along = ray @ at
    whole = np.sqrt(along**2 + max(1 - mouth[1] ** 2, 0.01)) - along
    x, y = (at + ray * (share * whole)[:, None]).T
    return np.arctan2(y, x), np.hypot(x, y)
