"""How an invented polyp reads on one photo: outline, mouths, wound, colour, and their noise."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray

from polypvision.reading import Mouth, Points, Polyp
from polypvision.render.series_lives import TruePolyp

PX_PER_MM = 10.0
_N_POINTS = 72
_ANGLES = np.linspace(0.0, 2 * np.pi, _N_POINTS, endpoint=False)
_DIAMETER_NOISE = 0.006
"""RMS error of a diameter on the sample plates (accuracy table in DEVELOPERS.md)."""
_WOUND_NOISE = 0.08
"""Relative error of a wound's area beside 0.5 mm2; own estimate from rendered plates."""
_PLACE_NOISE_MM = 0.3
"""A disc's middle wanders by expanding to one side (common practice, no source)."""
_BOTH_MOUTHS, _GHOST_MOUTH = 0.95, 0.01
"""How often a reader sees the second mouth that is there, and one that is not."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """What all polyps of one photo share: the plate's pose, the light, the expansion."""

    turn_deg: float
    middle_mm: NDArray[np.float64]
    shift_mm: NDArray[np.float64]
    tint: NDArray[np.float64]
    expansion: float
    own_expansion_sd: float

    def place(self, points_mm: Points) -> Points:
        """Return points (n, 2) of the first photo's plate where they lie on this one."""
        turn = np.deg2rad(self.turn_deg)
        matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        moved: Points = (points_mm - self.middle_mm) @ matrix.T + self.middle_mm + self.shift_mm
        return moved


def parting_outline(diameter_mm: float, part: float) -> Points:
    """Return the outline (n, 2) about 0 of a disc (NaN) or of one so far through its fission.

    As in the painted season: an oval first, then an hourglass whose waist narrows; same area.
    """
    aspect = 1.04 if math.isnan(part) else 1.12 + 0.8 * min(part, 0.6)
    x, y = math.sqrt(aspect) * np.cos(_ANGLES), np.sin(_ANGLES) / math.sqrt(aspect)
    if part > 0.35:
        pinch = 0.9 * (part - 0.35)
        y = y * (1 - pinch * np.exp(-((np.cos(_ANGLES) / 0.4) ** 2)))
    area = 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
    outline: Points = diameter_mm / 2 * math.sqrt(math.pi / area) * np.column_stack([x, y])
    return outline


def _turned(points: Points, turn_deg: float) -> Points:
    turn = np.deg2rad(turn_deg)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    turned: Points = points @ matrix.T
    return turned


def _feret(outline: Points) -> float:
    return float(np.linalg.norm(outline[:, None] - outline[None], axis=-1).max())


def _mouths(
    one: TruePolyp, day: float, diameter_mm: float, rng: np.random.Generator
) -> tuple[Points, float]:
    """Return the places (n, 2) of the mouths about the middle, and the probability of two."""
    part = one.parting(day)
    gap = diameter_mm * (0.22 + 0.33 * part)
    both = np.array([[-gap / 2, 0.0], [gap / 2, 0.0]])
    noise = rng.normal(0, 0.25, (2, 2))
    if not math.isnan(part):
        # Just after the second mouth opens it is small and often not seen.
        seen = rng.random() < _BOTH_MOUTHS * min(1.0, 0.5 + 5 * part)
        probability = float(rng.beta(12, 2) if seen else rng.beta(2, 4))
        places = _turned(both, one.angle_deg) + noise
        return (places if seen else places[:1]), probability
    if day < one.mouth_day:
        return np.zeros((0, 2)), 0.0
    if rng.random() < _GHOST_MOUTH:
        ghost = np.array([[0.0, 0.0], [0.2 * diameter_mm, 0.0]])
        return _turned(ghost, float(rng.uniform(0, 360))) + noise, float(rng.beta(8, 4))
    return noise[:1], float(rng.beta(1, 25))


def _made(
    outline: Points,
    mouths: Points,
    *,
    probability: float,
    wound: tuple[float, float, float],
    lab: NDArray[np.float64],
    score: float,
) -> Polyp:
    """Return the polyp of this outline (n, 2) in mm; the label comes later."""
    shape = shapely.Polygon(outline)
    x_mm, y_mm = shape.centroid.x, shape.centroid.y
    diameter = 2 * math.sqrt(shape.area / math.pi)
    err = math.hypot(_DIAMETER_NOISE * diameter, 0.05)
    return Polyp(
        label=0,
        x_mm=x_mm,
        y_mm=y_mm,
        x_px=PX_PER_MM * x_mm,
        y_px=PX_PER_MM * y_mm,
        outline_px=PX_PER_MM * outline,
        outline_mm=outline,
        diameter_mm=diameter,
        diameter_mm_err=err,
        feret_max_mm=_feret(outline),
        area_mm2=float(shape.area),
        area_mm2_err=math.pi / 2 * diameter * err,
        mouths=tuple(
            Mouth(x_px=PX_PER_MM * x, y_px=PX_PER_MM * y, x_mm=x, y_mm=y, score=0.9)
            for x, y in mouths.tolist()
        ),
        two_mouths_probability=probability,
        wound_mm2=wound[0],
        wound_mm2_err=wound[1],
        wound_margin_mm=wound[2],
        colour_lab=(float(lab[0]), float(lab[1]), float(lab[2])),
        score=float(np.clip(score, 0.05, 1.0)),
        flags=("two-mouths",) if len(mouths) > 1 else (),
    )


def read_polyp(
    one: TruePolyp,
    day: float,
    pushed_mm: NDArray[np.float64],
    look: Look,
    rng: np.random.Generator,
) -> Polyp:
    """Return how a polyp reads on the photo of a day, its tile pushed by so much."""
    grown = one.diameter_on(day) * look.expansion
    grown *= float(np.exp(rng.normal(0, look.own_expansion_sd)))
    grown *= 1 + float(rng.normal(0, _DIAMETER_NOISE))
    here = one.place_mm(day) + pushed_mm + rng.normal(0, _PLACE_NOISE_MM, 2)
    outline = look.place(_turned(parting_outline(grown, one.parting(day)), one.angle_deg) + here)
    mouths, probability = _mouths(one, day, grown, rng)
    area, margin = one.wound_on(day)
    err = math.hypot(0.5, _WOUND_NOISE * area)
    return _made(
        outline,
        look.place(mouths + here),
        probability=probability,
        wound=(max(area + float(rng.normal(0, err)), 0.0) if area else 0.0, err, margin),
        lab=np.array(one.colour_lab) + look.tint + rng.normal(0, 1.0, 3),
        score=float(rng.normal(0.94, 0.04)),
    )


def read_false(look: Look, side_mm: float, rng: np.random.Generator) -> Polyp:
    """Return something that is no polyp, read as one."""
    here = 5.0 + rng.uniform(0, side_mm + 10, 2)
    outline = look.place(parting_outline(float(rng.uniform(4, 14)), math.nan) + here)
    return _made(
        outline,
        np.zeros((0, 2)),
        probability=0.02,
        wound=(0.0, 0.5, 0.0),
        lab=np.array([55.0, 3.0, 10.0]) + look.tint + rng.normal(0, 6, 3),
        score=float(rng.normal(0.7, 0.12)),
    )


def join(
    read: Sequence[tuple[Polyp, tuple[str, ...]]], rate: float, rng: np.random.Generator
) -> list[tuple[Polyp, tuple[str, ...]]]:
    """Return the readings, some pairs nearer than 1 mm taken for one polyp; the larger first."""
    left = dict(enumerate(read))
    for a, b in combinations(range(len(read)), 2):
        if a not in left or b not in left or len(left[a][1]) > 1:
            continue
        one, other = read[a][0], read[b][0]
        reach = (one.feret_max_mm + other.feret_max_mm) / 2 + 1.0
        if math.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm) > reach:
            continue
        shapes = [shapely.Polygon(polyp.outline_mm) for polyp in (one, other)]
        if shapely.distance(*shapes) > 1.0 or rng.random() >= rate:
            continue
        whole = shapely.union(*(shape.buffer(1.0) for shape in shapes)).buffer(-1.0)
        if whole.geom_type != "Polygon":
            continue
        first, second = (a, b) if one.area_mm2 >= other.area_mm2 else (b, a)
        lead, rest = read[first][0], read[second][0]
        outline = shapely.get_coordinates(shapely.get_exterior_ring(whole))[:-1]
        joined = _made(
            outline,
            np.array([[m.x_mm, m.y_mm] for m in (*lead.mouths, *rest.mouths)]).reshape(-1, 2),
            probability=0.9,
            wound=(lead.wound_mm2 + rest.wound_mm2, lead.wound_mm2_err, lead.wound_margin_mm),
            lab=np.array(lead.colour_lab),
            score=lead.score,
        )
        left[first] = (replace(joined, flags=lead.flags), (*read[first][1], *read[second][1]))
        del left[second]
    return list(left.values())
