"""Looks of the close-up painter's discs: one clone's colours, tentacles and folds."""

from dataclasses import dataclass

import numpy as np

from polypvision.train.closeups.tools import Colour, Lamp, Points, Radiance, living_colour

KINDS = ("bubble", "bounce", "velvet", "fluffy", "fringe")


@dataclass(frozen=True, kw_only=True, eq=False)
class Kind:
    """What the discs of one clone have in common; sizes in radii of the disc.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    ring_colours, ring_edges : ndarray (k, 3), (k,)
        Colours of the disc from the mouth outwards, and where each begins.
    tips, bases : ndarray (k, 3)
        Colours of tentacle tips and stems, from the mouth outwards.
    """

    kind: str
    ring_colours: Radiance
    ring_edges: Points
    ring_soft: float
    tips: Radiance
    bases: Radiance
    tip_share: float
    mouth: Colour
    lips: Colour
    mouth_size: float
    mouth_hidden: float
    slit: bool
    tentacle: float
    growth: float
    packing: float
    stretch: float
    streaks: float
    streak_count: float
    mottle: float
    mottle_colour: Colour
    mottle_size: float
    speckle: float
    gloss: float
    lobes: float
    folds: float
    dome: float
    patches: float
    rows: int
    gap: float


def any_kind(rng: np.random.Generator, lamp: Lamp, kind: str) -> Kind:
    """Draw a clone's looks."""
    rings = int(rng.integers(2, 5)) if kind == "fringe" else int(rng.integers(1, 4))
    hue = float(rng.random())
    related = rng.random() < 0.5

    def some() -> Colour:
        near = hue + float(rng.normal(0, 0.06)) if related and rng.random() < 0.7 else None
        return living_colour(rng, lamp, hue=near)

    def brightest(n: int) -> Colour:
        several = [living_colour(rng, lamp) for _ in range(n)]
        return max(several, key=lambda colour: float(colour.max()))

    tips = np.stack([brightest(2) if kind != "velvet" else some() for _ in range(2)])
    bases = np.stack([some(), some()]) * rng.uniform(0.3, 1.0)
    if rng.random() < 0.4:
        tips[1] = tips[0]
    if rng.random() < 0.35:
        bases = tips * np.float32(rng.uniform(0.4, 0.9))
    surface = np.stack([some() for _ in range(rings)])
    if kind in ("bubble", "fluffy") or (kind == "bounce" and rng.random() < 0.7):
        surface = surface * np.float32(rng.uniform(0.1, 0.6))
    edges = np.sort(np.append(rng.uniform(0.15, 0.85, rings - 1), 0.0))
    tentacle = {
        "bubble": rng.uniform(0.045, 0.12),
        "bounce": rng.uniform(0.04, 0.09),
        "velvet": rng.uniform(0.015, 0.03),
        "fluffy": rng.uniform(0.02, 0.045),
        "fringe": rng.uniform(0.03, 0.065),
    }[kind]
    return Kind(
        kind=kind,
        ring_colours=surface.astype(np.float32),
        ring_edges=edges,
        ring_soft=float(rng.uniform(0.04, 0.3 if kind == "fringe" else 0.6)),
        tips=tips.astype(np.float32),
        bases=bases.astype(np.float32),
        tip_share=float(rng.uniform(0.15, 0.9)),
        mouth=brightest(3) if rng.random() < 0.75 else some() * np.float32(0.3),
        lips=brightest(2),
        mouth_size=float(rng.uniform(0.05, 0.12)),
        mouth_hidden=float(rng.choice([0.0, rng.uniform(0, 1)])),
        slit=bool(rng.random() < 0.5),
        tentacle=float(tentacle),
        growth=float(rng.uniform(-0.1, 1.2)),
        packing=float(rng.choice([rng.uniform(0.55, 0.8), rng.uniform(0.7, 1.05)])),
        stretch=float(rng.choice([1.0, rng.uniform(1.0, 1.35), rng.uniform(1.2, 1.8)])),
        streaks=float(rng.choice([0.0, rng.uniform(0.1, 0.8)])),
        streak_count=float(rng.uniform(12, 70)),
        mottle=float(rng.choice([0.0, rng.uniform(0.2, 1.0)])),
        mottle_colour=some(),
        mottle_size=float(rng.uniform(0.08, 0.6)),
        speckle=float(rng.choice([0.0, rng.uniform(0.1, 0.6)])),
        gloss=float(rng.choice([rng.uniform(0, 0.15), rng.uniform(0.1, 0.7)])),
        lobes=float(rng.choice([rng.uniform(0.0, 0.06), rng.uniform(0.04, 0.2)]))
        * (0.4 if kind == "fringe" else 1.0),
        folds=float(rng.choice([0.0, rng.uniform(0.03, 0.22)]))
        * (0.3 if kind == "fringe" else 1.0),
        patches=float(rng.choice([0.0, rng.uniform(0.1, 0.6)])),
        dome=float(rng.uniform(-0.35, 0.35)),
        rows=int(rng.integers(1, 4)),
        gap=float(rng.uniform(0.1, 0.7)),
    )
