"""Looks of the close-up painter's discs: one clone's colours, tentacles and folds."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from polypvision.train.closeups.pigments import clone_colours
from polypvision.train.closeups.tools import Colour, Lamp, Points, Radiance, hsv, living_colour

KINDS = ("bubble", "bounce", "velvet", "fluffy", "fringe")
_CARPETED = ("bubble", "bounce", "fluffy")
"""Kinds whose tentacles cover the disc up to the mouth, and often over it."""
_LONGEST = 0.16
"""Half the length of standing tentacles in the middle of a disc, at most, in its radii."""
SKINS = ("photographed", "cells", "chequered", "marbled", "banded", "composed", "zoned")


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
    rim_colour, rim_width : ndarray (3,), float
        Colour of the margin, or of the outermost tentacles' tips; no such line if 0 wide.
    gutter : float
        How dark the margin is, 0 to 1, where it bends down or lies in its neighbour's shade.
    curl : float
        Height of the margin's last fifth over the disc; below 0 it bends down.
    stripes, stripe_count, stripe_from, stripe_to
        Strength of a starburst of radial stripes, how many, and between which rho.
    rowed : float
        Rho up to which tentacles stand in radial rows.
    bare, warts : float
        Rho up to which few tentacles stand; share of warts that a velvet disc keeps.
    rim_stretch, mixed, clear : float
        How much longer tentacles get at the rim; how much neighbours differ in colour; how much
        light shines through them.
    valleys : int
        Folds from mouth to rim, at most.
    groove : bool
        Whether two dark lines run from the mouth across the disc.
    strand : float
        Length of the long thin tentacles of a fringe, in radii of the disc they stand round; 0
        for short fingers. With strands the sizes are those of the whole polyp, its fringe too.
    strand_count : int
        Strands round the disc.
    wave : float
        How far strands bend aside, in radians.
    veil : float
        Share of what lies behind that shows through a fringe, 0 to 1.
    bubbles : int
        Swollen tentacles among the short tufts of a bounce disc; 0 for a share drawn per disc.
    skin : str
        One of `SKINS` over the rings; empty for none.
    billows, billow_size, steepness : float
        Height of folds that run anywhere, not only from mouth to rim; how broad they are; from
        soft swellings (1) to steps that hide what lies behind (5).
    odd : float
        Share of tentacles of another, bright colour; they are no mouths.
    cleft : bool
        Whether its valleys are narrow and deep: a folded disc of lobes, dark lines between them.
    puffed : bool
        Whether mouths swell to a bubble instead of rising to a cone.
    pleated : bool
        Whether its large discs lie in pleats (`Pleat`).
    standing : float
        How much tentacles stand up from the disc, 0 to 1, instead of lying outwards: seen aslant
        the nearer hide what is behind them, the mouth too.
    shut : float
        Share of discs whose mouth is drawn in, so that nothing tells it from the tissue round it.
    """

    kind: str
    ring_colours: Radiance
    ring_edges: Points
    ring_soft: float
    rim_colour: Colour
    rim_width: float
    gutter: float
    curl: float
    tips: Radiance
    bases: Radiance
    tip_share: float
    mouth: Colour
    lips: Colour
    mouth_size: float
    mouth_hidden: float
    slit: bool
    groove: bool
    tentacle: float
    growth: float
    packing: float
    stretch: float
    rim_stretch: float
    rowed: float
    bare: float
    warts: float
    mixed: float
    clear: float
    stripes: float
    stripe_count: int
    stripe_from: float
    stripe_to: float
    streaks: float
    streak_count: float
    mottle: float
    mottle_colour: Colour
    mottle_size: float
    speckle: float
    gloss: float
    shine: float
    lobes: float
    folds: float
    valleys: int
    dome: float
    patches: float
    rows: int
    gap: float
    strand: float
    strand_count: int
    wave: float
    veil: float
    bubbles: int
    skin: str
    billows: float
    billow_size: float
    steepness: float
    odd: float
    cleft: bool
    puffed: bool
    pleated: bool
    standing: float
    shut: float


_TENTACLES = {
    "bubble": (0.03, 0.11),
    "bounce": (0.03, 0.08),
    "velvet": (0.015, 0.04),
    "fluffy": (0.02, 0.045),
    "fringe": (0.025, 0.07),
}


def _some(rng: np.random.Generator, low: float, high: float, chance: float = 0.5) -> float:
    """Return 0, or with a chance something between two bounds."""
    return float(rng.uniform(low, high)) if rng.random() < chance else 0.0


def _colours(
    rng: np.random.Generator, lamp: Lamp, kind: str, some: Callable[[], Colour]
) -> dict[str, np.ndarray]:
    """Draw a clone's colours, by the names they have in `Kind`."""

    def brightest(n: int) -> Colour:
        return max((some() for _ in range(n)), key=lambda colour: float(colour.max()))

    rings = int(rng.integers(2, 5)) if kind == "fringe" else int(rng.integers(1, 4))
    tips = np.stack([brightest(2) if kind != "velvet" else some() for _ in range(2)])
    bases = np.stack([some(), some()]) * rng.uniform(0.3, 1.0)
    if rng.random() < 0.4:
        tips[1] = tips[0]
    if rng.random() < 0.4:
        bases = tips * np.float32(rng.uniform(0.4, 0.9))
    surface = np.stack([some() for _ in range(rings)])
    if kind in ("bubble", "fluffy") or (kind == "bounce" and rng.random() < 0.7):
        surface = surface * np.float32(rng.uniform(0.1, 0.6))
        if rng.random() < 0.4:  # what shows between tentacles is the same tissue in shade
            surface[:] = bases.mean(axis=0) * rng.uniform(0.3, 0.8)
    elif rng.random() < 0.3:  # rings of one pigment, some denser
        surface = surface[:1] * rng.uniform(0.25, 1.6, (rings, 1)).astype(np.float32)
    mouth = rng.choice(4, p=[0.5, 0.15, 0.15, 0.2])
    if rng.random() < 0.25:  # a dark morph
        dark = np.float32(rng.uniform(0.06, 0.4))
        surface, bases = surface * dark, bases * dark
        tips = tips * (dark if rng.random() < 0.6 else 1)
    if mouth == 0 and rng.random() < 0.5:  # mouths often glow where all else is dull
        some = clone_colours(rng, lamp)
    if kind == "fringe" and rng.random() < 0.4:  # strands of another colour, most of them darker
        bases = np.stack([some(), some()]) * np.float32(rng.uniform(0.05, 1.0))
        tips = bases * np.float32(rng.uniform(0.5, 1.6)) if rng.random() < 0.6 else tips
    mouths = (brightest(3), some() * 0.3, surface[0] * rng.uniform(0.5, 1.8), tips[0])
    found = {
        "ring_colours": surface,
        "rim_colour": brightest(3) if rng.random() < 0.7 else surface[-1] * 0.2,
        "tips": tips,
        "bases": bases,
        "mouth": mouths[mouth],
        "lips": brightest(2) if rng.random() < 0.7 else mouths[mouth] * rng.uniform(0.1, 0.7),
        "mottle_colour": some(),
    }
    return {name: np.asarray(colour, np.float32) for name, colour in found.items()}


def _hidden(rng: np.random.Generator, kind: str) -> float:
    """Draw how far tentacles close over a mouth: carpets of them often hide it altogether."""
    if kind in _CARPETED and rng.random() < 0.16:
        return 1.0
    return _some(rng, 0, 1)


def _stretch(rng: np.random.Generator, standing: float, tentacle: float) -> float:
    """Draw the length of tentacles over their width; those that stand are the longest."""
    if standing:
        return float(rng.uniform(1.2, max(min(3.2, _LONGEST / tentacle), 1.3)))
    return float(rng.choice([1.0, rng.uniform(1.0, 1.35), rng.uniform(1.2, 1.8)]))


def _fringe(rng: np.random.Generator, kind: str) -> tuple[float, float, float]:
    """Draw length, bend and veil of a fringe's strands."""
    veil = _some(rng, 0.2, 0.7, 0.3) if kind == "fringe" else 0.0
    long = kind == "fringe" and rng.random() < (0.8 if veil else 0.4)
    return float(rng.uniform(0.25, 0.6)) if long else 0.0, _some(rng, 0.1, 0.6, 0.6), veil


def _any_skin(rng: np.random.Generator, kind: str) -> str:
    often = {"velvet": 0.6, "fringe": 0.35, "bounce": 0.3, "fluffy": 0.1}.get(kind, 0.0)
    return str(rng.choice(SKINS)) if rng.random() < often else ""


_FOLDED = {"bubble": 0.2, "bounce": 0.1, "velvet": 0.22, "fluffy": 0.2, "fringe": 0.0}
_PLEATED = {"bubble": 0.35, "bounce": 0.15, "velvet": 0.0, "fluffy": 0.3, "fringe": 0.0}
_STRANGE = {"bubble": 0.15, "bounce": 0.15, "velvet": 0.45, "fluffy": 0.15, "fringe": 0.35}
"""How often a clone is folded deeply, lies in pleats, as thick tentacles show, or wears a pattern
that no species does."""
_STRANGE_IF_MOTLEY = 0.8


def strange(rng: np.random.Generator, lamp: Lamp, kind: Kind) -> Kind:
    """Turn a kind into one whose pattern is all that is seen of it: few tentacles, a plain form."""
    found = replace(
        kind,
        kind=kind.kind if kind.kind == "fringe" else "velvet",
        skin=str(rng.choice(["composed", "composed", "photographed", "zoned", "zoned", *SKINS])),
        warts=_some(rng, 0.05, 0.4, 0.2),
        streaks=0.0 if rng.random() < 0.7 else kind.streaks,
        stripes=0.0,
        speckle=0.0,
        billows=0.0 if rng.random() < 0.7 else kind.billows,
        lobes=kind.lobes if rng.random() < 0.4 else float(rng.uniform(0, 0.06)),
        folds=kind.folds if rng.random() < 0.4 else 0.0,
        dome=float(rng.uniform(-0.35, 0.45)),
    )
    if rng.random() < 0.5:  # any colours, not one clone's family
        several = np.stack([living_colour(rng, lamp) for _ in range(6)])
        found = replace(
            found, tips=several[:2], bases=several[2:4], rim_colour=several[4], lips=several[5]
        )
    return found


def few_bubbles(rng: np.random.Generator, lamp: Lamp, kind: Kind) -> Kind:
    """Turn a kind into a nearly black one, its surface all tufts, with few bubbles that glow."""
    hues = rng.choice([0.07, 0.15, 0.33], 2) + rng.normal(0, 0.03, 2)
    glows = np.stack([hsv(float(hue), float(rng.uniform(0.7, 1)), 1.0) for hue in hues])
    bright = float(rng.uniform(0.25, 0.9))
    black = hsv(float(rng.random()), float(rng.uniform(0.2, 0.9)), float(rng.uniform(0.03, 0.3)))
    dark = lamp.seen(black)
    glowing = lamp.seen(glows[0], glows[0] * np.float32(bright * rng.uniform(0.1, 0.8)))
    opening = rng.random()  # mouths are as dark as all, have pale lips, or glow
    shades = dark * rng.uniform(0.3, 1.6, (2, 1)).astype(np.float32)
    return replace(
        kind,
        kind="bounce",
        strand=0.0,
        veil=0.0,
        ring_colours=(dark * np.float32(0.5))[None],
        ring_edges=np.zeros(1),
        bases=shades.astype(np.float32),
        tips=np.stack([lamp.seen(glow, glow * np.float32(bright)) for glow in glows]),
        rim_width=0.0,
        speckle=0.0,
        stripes=0.0,
        mottle_colour=dark,
        mouth=glowing if opening < 0.25 else np.asarray(dark * np.float32(1 + opening), np.float32),
        lips=glowing if 0.2 < opening < 0.5 else shades[1].astype(np.float32),
        mouth_hidden=1.0 if rng.random() < 0.5 else _some(rng, 0.3, 1.0),
        gutter=float(rng.uniform(0.2, 0.9)),
        tentacle=float(rng.uniform(0.018, 0.045)),
        packing=float(rng.uniform(0.7, 1.3)),
        bare=0.0,
        odd=0.0,
        skin="",
        bubbles=int(rng.choice([rng.integers(1, 7), rng.integers(3, 26)])),
    )


def dimmed(kind: Kind, factor: float) -> Kind:
    """Return a kind whose tissue reflects and glows ``factor`` times as much."""
    names = ("ring_colours", "rim_colour", "tips", "bases", "mouth", "lips", "mottle_colour")
    return replace(
        kind, **{name: (getattr(kind, name) * factor).astype(np.float32) for name in names}
    )


def with_outer_colour(kind: Kind, colour: Colour) -> Kind:
    """Return a kind whose disc, margin and tentacles have one colour far from the mouth."""

    def ending(colours: Radiance) -> Radiance:
        return np.concatenate([colours[:-1], colour[None]]).astype(np.float32)

    return replace(
        kind,
        ring_colours=ending(kind.ring_colours),
        bases=ending(kind.bases),
        tips=ending(kind.tips),
        rim_colour=colour,
    )


def any_kind(
    rng: np.random.Generator, lamp: Lamp, kind: str, *, natural: bool = False, motley: bool = False
) -> Kind:
    """Draw a clone's looks.

    A natural one wears no pattern that no species does; in a motley picture most do.
    """
    night = 0.25 if kind == "bounce" else 0.12
    colours = _colours(rng, lamp, kind, clone_colours(rng, lamp, night=night))
    strand, wave, veil = _fringe(rng, kind)
    fringe = kind == "fringe"
    rings = len(colours["ring_colours"])
    edges = np.sort(np.append(rng.uniform(0.15, 0.85, rings - 1), 0.0))
    low, high = _TENTACLES[kind]
    tentacle = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    stripe_from = float(rng.uniform(0.1, 0.6))
    cleft = bool(rng.random() < _FOLDED[kind])
    standing = _some(rng, 0.3, 1.0, 0.4) if kind in _CARPETED else 0.0
    found = Kind(
        kind=kind,
        **colours,
        strand=strand,
        wave=wave,
        veil=veil,
        strand_count=int(rng.integers(25, 71)),
        bubbles=0,
        skin="" if natural else _any_skin(rng, kind),
        billows=0.0 if fringe else _some(rng, 0.05, 0.4, 0.55),
        billow_size=float(rng.uniform(0.35, 1.1)),
        steepness=float(rng.uniform(0.6, 5.0)),
        odd=_some(rng, 0.005, 0.06, 0.35),
        ring_edges=edges,
        ring_soft=float(rng.uniform(0.015, 0.25) if fringe else rng.uniform(0.04, 0.6)),
        rim_width=_some(rng, 0.03, 0.14, 0.4),
        gutter=float(rng.choice([rng.uniform(0.05, 0.4), rng.uniform(0.3, 0.85)])),
        curl=float(rng.choice([0.0, rng.normal(0, 0.1)])),
        tip_share=float(rng.uniform(0.15, 0.9)),
        mouth_size=float(rng.uniform(0.04, 0.12 if fringe else 0.16)),
        mouth_hidden=_hidden(rng, kind),
        slit=bool(rng.random() < (0.7 if fringe else 0.45)),
        groove=bool(fringe and rng.random() < 0.15),
        tentacle=tentacle,
        growth=float(rng.uniform(-0.1, 1.2)),
        packing=float(rng.choice([rng.uniform(0.55, 0.8), rng.uniform(0.7, 1.05)]))
        * float(rng.choice([1.0, rng.uniform(1.0, 1.6)]) if kind == "fluffy" else 1.0),
        stretch=_stretch(rng, standing, tentacle),
        rim_stretch=_some(rng, 0.2, 1.6),
        rowed=_some(rng, 0.2, 1.0) if kind != "bubble" else _some(rng, 0.2, 0.6),
        bare=_some(rng, 0.1, 0.45, 0.4),
        warts=_some(rng, 0.1, 0.9, 0.4),
        mixed=float(rng.choice([0.08, rng.uniform(0.1, 0.5)])),
        clear=float(rng.uniform(0.0, 0.75)),
        stripes=_some(rng, 0.2, 1.0, 0.55 if fringe else 0.25),
        stripe_count=int(rng.integers(16, 60)),
        stripe_from=stripe_from,
        stripe_to=float(rng.uniform(stripe_from + 0.15, 1.1)),
        streaks=_some(rng, 0.1, 0.8),
        streak_count=float(rng.uniform(12, 70)),
        mottle=_some(rng, 0.2, 1.0),
        mottle_size=float(rng.uniform(0.08, 0.6)),
        speckle=_some(rng, 0.1, 0.6),
        gloss=float(rng.choice([rng.uniform(0, 0.12), rng.uniform(0.1, 0.6)])),
        shine=float(np.exp(rng.uniform(np.log(6), np.log(90)))),
        lobes=float(rng.choice([rng.uniform(0.0, 0.06), rng.uniform(0.04, 0.2)]))
        * (0.4 if fringe else 1.0),
        folds=_some(rng, 0.03, 0.22) * (0.3 if fringe else 1.0),
        valleys=int(rng.integers(3, 8))
        if cleft
        else 0
        if fringe
        else int(rng.choice([0, 0, 1, 3])),
        cleft=cleft,
        puffed=bool(rng.random() < 0.3),
        pleated=bool(rng.random() < _PLEATED[kind]),
        standing=standing,
        shut=_some(rng, 0.2, 1.0, 0.2) if kind in _CARPETED else 0.0,
        patches=_some(rng, 0.1, 0.6),
        dome=float(rng.uniform(-0.35, 0.35)),
        rows=int(rng.integers(1, 4)),
        gap=float(rng.uniform(0.15, 0.9)),
    )
    if kind == "bounce" and rng.random() < (0.6 if lamp.blue < 0.5 else 0.75):
        return few_bubbles(rng, lamp, found)
    if not natural and rng.random() < (_STRANGE_IF_MOTLEY if motley else _STRANGE[kind]):
        return strange(rng, lamp, found)
    return found
