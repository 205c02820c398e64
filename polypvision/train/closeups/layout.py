"""Where the close-up painter's discs lie: alone, in clusters, in carpets; seen at any slant."""

from dataclasses import dataclass, replace

import numpy as np

from polypvision.train.closeups.form import Disc
from polypvision.train.closeups.tools import Picture, Points

MOST_DISCS = 60
"""Discs of a picture at most."""
_RADII_PX = (8.0, 200.0)
_JUVENILES_PX = (8.0, 25.0)
_MANY_MOUTHS = ("bubble", "fluffy", "velvet")
"""Kinds whose discs keep several mouths for long; the others have two while they divide."""


def _many_mouths(kind: str, rng: np.random.Generator) -> float:
    """Draw what share of a clone's discs have more than one mouth, roughly."""
    if kind in _MANY_MOUTHS:
        return float(rng.uniform(0, 0.6))
    return float(rng.choice([0.02, rng.uniform(0, 0.6)]))


@dataclass(frozen=True, kw_only=True, eq=False)
class View:
    """How a clone on its ground is seen.

    Attributes
    ----------
    squeeze, towards : float
        Slant of the ground as of a `Disc`.
    flat : bool
        Whether the places are slanted with the discs, as on a level ground.
    recede : float
        How much smaller things get up the picture, over its height; 0 from straight above.
    bowed : float
        How much a cluster on a round stone looks outwards at its rim.
    rugged : float
        How unlike the slants of neighbours are: little on a plug, much on rubble.
    """

    squeeze: float
    towards: float
    flat: bool
    recede: float
    bowed: float
    rugged: float

    @classmethod
    def chance(cls, rng: np.random.Generator) -> "View":
        """Draw a view: straight from above, a little aside, or strongly slanted."""
        squeeze = float(rng.choice([1.0, rng.uniform(0.75, 1.0), rng.uniform(0.3, 1.0)]))
        return cls(
            squeeze=squeeze,
            towards=float(
                rng.normal(np.pi / 2, 0.6) if rng.random() < 0.7 else rng.uniform(0, 2 * np.pi)
            ),
            flat=bool(rng.random() < 0.75),
            recede=float(rng.choice([0.0, rng.uniform(0, 0.9)])) if squeeze < 0.95 else 0.0,
            bowed=float(rng.choice([0.0, rng.uniform(0, 0.8)])),
            rugged=float(rng.choice([0.12, 0.12, rng.uniform(0.2, 0.6)])),
        )

    def matrix(self) -> Points:
        """Return the way from the ground's plane to the picture, before receding."""
        if not self.flat:
            return np.eye(2)
        axis = np.array([np.cos(self.towards), np.sin(self.towards)])
        return np.asarray(np.eye(2) - (1 - self.squeeze) * np.outer(axis, axis))


def _places(
    middle: Points,
    spread: float,
    radii: Points,
    closeness: float,
    rng: np.random.Generator,
    *,
    compact: bool,
) -> Points:
    """Return x, y, radius (n, 3) round a middle, no two nearer than ``closeness`` of their radii.

    A compact clone fills from its middle outwards, as polyps that budded do.
    """
    taken = np.empty((0, 3))
    for radius in radii:
        reach = spread * np.linspace(0.4, 2.0, 60)[:, None]
        tries = middle + rng.normal(0, 1, (60, 2)) * reach
        far = np.hypot(*(tries[:, None] - taken[None, :, :2]).transpose(2, 0, 1))
        free = (far > closeness * (radius + taken[:, 2])).all(axis=1)
        if not free.any():
            continue
        away = np.hypot(*(tries - middle).T)
        best = int(np.argmin(np.where(free, away, np.inf))) if compact else int(np.argmax(free))
        taken = np.vstack([taken, [*tries[best], radius]])
    return taken


def shared_margins(spots: Points, room: float) -> list[Points]:
    """Return the walls (m, 3) of each disc against the neighbours it would overlap.

    The margin of two lies across the line between their middles, divided as their radii are;
    ``room`` times as far off lets them overlap a little (above 1) or leave a gap (below).
    """
    walls = []
    for x, y, radius in spots:
        away = spots[:, :2] - (x, y)
        far = np.hypot(*away.T)
        near = (far > 0) & (far < 1.2 * (radius + spots[:, 2]))
        unit = away[near] / far[near, None]
        limit = room * far[near] * radius / (radius + spots[near, 2])
        walls.append(np.column_stack([unit, limit]))
    return walls


def seen_from(
    picture: Picture,
    middle: Points,
    spots: Points,
    walls: list[Points] | None,
    view: View,
    many_mouths: float,
) -> list[Disc]:
    """Return discs of the places (n, 3) on the ground as the camera sees them, nearest last."""
    rng = picture.rng
    matrix = view.matrix()
    inverse = np.linalg.inv(matrix)
    spread = float(np.hypot(*spots[:, :2].std(axis=0))) + float(np.median(spots[:, 2]))
    focus = rng.uniform(-1, 1) * spread
    depth = float(rng.choice([0.0, 0.0, rng.uniform(0, 2.5)]))
    ground = np.array([np.cos(view.towards), np.sin(view.towards)]) * np.sqrt(1 - view.squeeze**2)
    discs = []
    for number, (px, py, size) in enumerate(spots):
        away = matrix @ (np.array([px, py]) - middle)
        shrink = 1 / max(1 - view.recede * away[1] / picture.shape[0], 0.4)
        away = away * shrink
        slant = ground + view.bowed * away / max(2 * spread, 1) + rng.normal(0, view.rugged, 2)
        tilt = float(np.clip(np.hypot(*slant), 0, 0.96))
        blur = depth * abs(away[1] - focus) / max(spread, 1)
        own = np.empty((0, 3)) if walls is None else walls[number].copy()
        own[:, :2] = own[:, :2] @ inverse
        own[:, 2] *= shrink
        discs.append(
            Disc(
                x=float(middle[0] + away[0]),
                y=float(middle[1] + away[1]),
                radius=float(np.clip(size * shrink, *_RADII_PX)),
                squeeze=float(np.sqrt(1 - tilt**2)),
                towards=float(np.arctan2(slant[1], slant[0])),
                mouths=1 + int(rng.binomial(3, 0.5 * many_mouths)),
                blur_px=float(min(blur, 4.0)),
                counted=bool(blur < 3.0),
                walls=own,
            )
        )
    if rng.random() < 0.7:
        discs.sort(key=lambda disc: float(ground @ (disc.x, disc.y)) + 0.2 * disc.y)
    return discs


def with_juveniles(radii: Points, rng: np.random.Generator) -> Points:
    """Let some of a clone's discs be young: small, whatever the size of the grown ones."""
    young = rng.random(len(radii)) < rng.uniform(0.1, 0.6)
    low, high = _JUVENILES_PX
    sizes = np.exp(rng.uniform(np.log(low), np.log(high), len(radii)))
    return np.asarray(np.where(young, np.minimum(sizes, 0.6 * radii), radii))


def cluster(picture: Picture, middle: Points, radius: float, kind: str) -> list[Disc]:
    """Lay out one clone: alone, scattered, as a cluster, or heaped over one another."""
    rng = picture.rng
    least, most = rng.choice(np.array([[1, 2], [2, 6], [5, 14], [12, 26]]))
    count = int(rng.integers(least, most))
    room = np.hypot(*picture.shape) / 2
    largest = min(radius, 1.1 * room / np.sqrt(count))
    least_px = min(15.0, 0.8 * largest)
    spread = rng.uniform(0.05, 0.4)
    radii = np.clip(largest * np.exp(rng.normal(-0.1, spread, count)), least_px, 190)
    closeness = float(
        rng.choice([rng.uniform(0.65, 0.85), rng.uniform(0.8, 1.0), rng.uniform(0.8, 1.0), 1.3])
    )
    heaped = kind != "fringe" and count > 5 and rng.random() < 0.3
    if heaped:  # overlapping discs from edge to edge
        covering = 0.65 * np.sqrt(picture.shape[0] * picture.shape[1] / count)
        radii = np.clip(radii * covering / np.median(radii), 15, 190)
        closeness = float(rng.uniform(0.6, 0.85))
    if rng.random() < 0.3:
        radii = with_juveniles(radii, rng)
    tightness = float(rng.choice([rng.uniform(0.2, 0.5), rng.uniform(0.3, 1.0)]))
    spread = float(np.quantile(radii, 0.7) * tightness * np.sqrt(count))
    compact = bool(heaped or rng.random() < 0.65)
    order = np.sort(radii)[::-1] if rng.random() < 0.5 else radii
    spots = _places(middle, spread, order, closeness, rng, compact=compact)
    walls = None
    if closeness < 1 and rng.random() < 0.5:  # neighbours flatten one another
        walls = shared_margins(spots, float(rng.uniform(0.97, 1.25)))
    many_mouths = _many_mouths(kind, rng)
    return seen_from(picture, middle, spots, walls, View.chance(rng), many_mouths)


def carpet(picture: Picture, middle: Points, kind: str) -> tuple[list[Disc], float]:
    """Lay out a carpet of discs that press one another flat; and how far it reaches, pixels.

    Over the whole frame, or an island; from a few large discs to as many as a picture holds.
    """
    rng = picture.rng
    view = replace(View.chance(rng), flat=True)
    height, width = picture.shape
    whole = rng.random() < 0.5
    share = 1.0 if whole else rng.uniform(0.15, 0.6)
    count = float(np.exp(rng.uniform(np.log(6), np.log(50 if whole else 40))))
    # A slanted carpet holds more discs; rows of a hexagon grid are sqrt(3) / 2 apart.
    gap = np.sqrt(share * height * width / (0.87 * view.squeeze * count))
    gap = float(np.clip(gap, 30, 300))
    side = np.arange(-12, 13)
    grid = np.stack(np.meshgrid(side + 0.0, side * np.sqrt(0.75)), -1)
    grid[1::2, :, 0] += 0.5
    turn = rng.uniform(0, np.pi)
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    xy = (grid.reshape(-1, 2) + rng.normal(0, rng.uniform(0.05, 0.25), (grid.size // 2, 2))) * gap
    xy = xy @ turned
    centre = np.array([width, height]) / 2 if whole else middle
    away = (xy @ view.matrix().T)[:, :2]
    reach = float(np.sqrt(share * height * width / np.pi))
    if whole:
        away = away / np.maximum(1 - view.recede * away[:, 1] / height, 0.4)[:, None]
        inside = (np.abs(away) < np.array([width, height]) / 2 + 0.25 * gap).all(axis=1)
    else:
        wave = picture.noise.field((64, 64), 24)[32, np.arange(64)]
        turns = (np.arctan2(away[:, 1], away[:, 0]) / np.pi * 15).astype(int) + 32
        inside = np.hypot(*away.T) < reach * (1 + 0.2 * wave[turns % 64])
    inside &= rng.random(len(xy)) > rng.choice([0.0, rng.uniform(0, 0.2)])
    if not inside.any():
        inside[len(inside) // 2] = True
    size = np.exp(rng.normal(0, rng.uniform(0.03, 0.3), len(xy)))
    spots = np.column_stack([xy + centre, gap * rng.uniform(0.52, 0.85) * size])[inside]
    spots = spots[np.argsort(np.hypot(*(spots[:, :2] - centre).T))][:MOST_DISCS]
    walls = shared_margins(spots, float(rng.choice([1.0, rng.uniform(0.93, 1.2)])))
    many_mouths = 0.5 * _many_mouths(kind, rng)
    discs = seen_from(picture, centre, spots, walls, view, many_mouths)
    return discs, max(reach, gap)
