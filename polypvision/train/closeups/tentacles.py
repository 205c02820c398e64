"""Tentacles of the close-up painter's discs: bubbles, tufts, warts and fringes."""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from polypvision.train.closeups.form import Disc, Form, place_round_mouth, way_from_mouth
from polypvision.train.closeups.kinds import Kind
from polypvision.train.closeups.tools import (
    Blobs,
    Picture,
    Points,
    Radiance,
    blobs,
    blur,
    mix,
    step,
    times,
    tinted,
)

_LEAST_PX = 1.3


@dataclass(frozen=True, kw_only=True, eq=False)
class Tentacles:
    """Places ``theta, rho`` of a disc's tentacles, half width in radii, length over width.

    ``way`` is the share of the way from the mouth to the margin; ``swollen`` ones are bubbles that
    stand over short tufts.
    """

    theta: Points
    rho: Points
    way: Points
    wide: Points
    stretch: Points
    swollen: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.theta)

    def __getitem__(self, chosen: NDArray[np.bool_]) -> "Tentacles":
        return Tentacles(
            theta=self.theta[chosen],
            rho=self.rho[chosen],
            way=self.way[chosen],
            wide=self.wide[chosen],
            stretch=self.stretch[chosen],
            swollen=self.swollen[chosen],
        )


def _fringe(kind: Kind, radius: float, rng: np.random.Generator) -> Tentacles:
    """Return rows of fingers round the margin, each row between those of the next."""
    least = _LEAST_PX / radius
    count = int(np.clip(rng.uniform(0.7, 1.1) * np.pi / max(kind.tentacle, least), 14, 90))
    parts = []
    for row in range(kind.rows):
        theta = (np.arange(count) + 0.5 * row) * (2 * np.pi / count)
        theta = theta + rng.normal(0, 0.15 * np.pi / count, count)
        rho = 0.93 - 0.10 * row + rng.normal(0, 0.025, count)
        parts.append(np.stack([theta, rho]))
    theta, rho = np.concatenate(parts, 1)
    wide = np.full(len(theta), max(0.9 * np.pi / count, least)) * rng.uniform(0.6, 1.1)
    stretch = min(float(np.exp(rng.uniform(np.log(1.2), np.log(5)))), 0.2 / wide[0])
    return Tentacles(
        theta=theta,
        rho=rho,
        way=rho,
        wide=wide,
        stretch=np.full(len(theta), max(stretch, 1)),
        swollen=np.zeros(len(theta), np.bool_),
    )


def _rings(kind: Kind, radius: float, rng: np.random.Generator) -> Tentacles:
    """Return tentacles packed ring by ring; in rows along radii as far as the kind has them."""
    least = _LEAST_PX / radius
    thetas, rhos, wides = [], [], []
    ring = 0.1 if kind.kind == "bounce" and kind.mouth_hidden < 1 else 0.0
    rays, phase = int(rng.integers(5, 12)), rng.random()
    while ring < 1.0:
        size = max(kind.tentacle * (0.65 + kind.growth * ring**1.5), least)
        count = max(int(2 * np.pi * ring / (2 * size * kind.packing)), 1)
        shift, loose = rng.random(), 1.0
        if ring < kind.rowed and count > rays:  # rows fork where there is room for twice as many
            count = rays * 2 ** int(np.log2(count / rays))
            shift, loose = phase * count / rays, rng.uniform(0.15, 0.8)
        around = (np.arange(count) + shift) * (2 * np.pi / count)
        thetas.append(around + rng.normal(0, loose * 0.6 / max(count, 3), count))
        rhos.append(ring + rng.normal(0, 0.35 * size, count))
        wides.append(size * np.exp(rng.normal(0, 0.12, count)))
        ring += 2 * size * kind.packing * 0.87
    theta, rho, wide = (np.concatenate(part) for part in (thetas, rhos, wides))
    return Tentacles(
        theta=theta,
        rho=rho,
        way=rho,
        wide=wide,
        stretch=np.ones(len(theta)),
        swollen=np.zeros(len(theta), np.bool_),
    )


def _round_mouths(kind: Kind, radius: float, rng: np.random.Generator, mouths: Points) -> Tentacles:
    """Return tentacles in rings round each mouth (m, 2; angle and rho), up to its neighbours'."""
    parts = []
    for mouth in mouths:
        rings = _rings(kind, radius, rng)
        theta, rho = place_round_mouth(rings.theta, rings.way, mouth)
        _, least = way_from_mouth(theta, rho, mouths)
        near = rings.way <= least * rng.uniform(0.95, 1.05, len(rings)) + 1e-3
        parts.append(replace(rings, theta=theta, rho=rho)[near])
    return Tentacles(
        **{
            part.name: np.concatenate([getattr(one, part.name) for one in parts])
            for part in fields(Tentacles)
        }
    )


def _with_bubbles(tufts: Tentacles, count: int, rng: np.random.Generator) -> Tentacles:
    """Add bubbles of very different size, here and there, more often side by side than evenly."""
    size = np.exp(rng.uniform(np.log(0.04), np.log(rng.uniform(0.12, 0.25)), count))
    heaped = rng.random()
    home = rng.uniform(0, 2 * np.pi)
    theta = home + rng.normal(0, 0.4 + 3 * heaped, count)
    rho = np.minimum(0.95 * np.sqrt(rng.beta(rng.uniform(1, 3), 1.3, count)), 1.03 - 0.7 * size)
    return Tentacles(
        theta=np.append(tufts.theta, theta),
        rho=np.append(tufts.rho, rho),
        way=np.append(tufts.way, rho),
        wide=np.append(tufts.wide, size),
        stretch=np.append(tufts.stretch, np.exp(np.abs(rng.normal(0, 0.2, count)))),
        swollen=np.append(tufts.swollen, np.ones(count, np.bool_)),
    )


def some_tentacles(
    kind: Kind, radius: float, rng: np.random.Generator, mouths: Points | None = None
) -> Tentacles:
    """Draw a disc's tentacles or warts; round the mouths (m, 2; angle and rho), if given."""
    if kind.kind == "fringe":
        return _fringe(kind, radius, rng)
    found = (
        _rings(kind, radius, rng) if mouths is None else _round_mouths(kind, radius, rng, mouths)
    )
    rho, way, wide = found.rho, found.way, found.wide
    keep = np.ones(len(found), np.bool_)
    if kind.bubbles:
        keep = rng.random(len(found)) < rng.uniform(0.6, 1.0)
    elif kind.kind == "bounce":
        keep = rng.random(len(found)) < rng.uniform(0.25, 0.9)
        grown = rng.random(len(found)) < rng.uniform(0.04, 0.3) * (0.4 + 1.2 * way**2)
        large = rng.uniform(0.07, rng.uniform(0.1, 0.26), len(found))
        wide = np.where(grown, large, wide)
    elif kind.kind == "velvet":
        keep = rng.random(len(found)) < kind.warts * rng.uniform(0.3, 1.0)
    if kind.bare:
        keep &= rng.random(len(found)) < np.clip(way / kind.bare, 0.25, 1)
    # The rim is where tentacles end, but their tips stand over it a little.
    keep &= (rho > 0) & (rho + 0.6 * wide < 1.04)
    longer = 1 + kind.rim_stretch * np.clip((rho - 0.75) / 0.25, 0, 1)
    stretch = kind.stretch * longer * np.exp(rng.normal(0, 0.08, len(found)))
    drawn = replace(found, rho=rho, wide=wide, stretch=stretch)[keep]
    return _with_bubbles(drawn, kind.bubbles, rng) if kind.bubbles else drawn


def _odd_ones(kind: Kind, xy: Points, rng: np.random.Generator) -> NDArray[np.int64]:
    """Choose tentacles of another colour: scattered, or side by side."""
    count = max(round(kind.odd * len(xy)), 1)
    if rng.random() < 0.5:
        return rng.choice(len(xy), count, replace=False)
    home = xy[rng.integers(len(xy))]
    return np.argsort(np.hypot(*(xy - home).T))[:count]


def _colours(
    kind: Kind, picture: Picture, tentacles: Tentacles, xy: Points, shape: tuple[int, int]
) -> tuple[Radiance, Radiance]:
    """Return the colours (n, 3) of each tentacle's stem and tip."""
    rng = picture.rng
    n = len(tentacles)
    patch = rng.normal(0, kind.mixed, n) + tentacles.way
    if kind.patches:
        size_px = 0.8 * float(np.ptp(xy)) / 2 + 8
        spots = picture.noise.field(shape, size_px, soft=True)
        columns = np.clip(xy[:, 0].astype(int), 0, shape[1] - 1)
        rows = np.clip(xy[:, 1].astype(int), 0, shape[0] - 1)
        patch += kind.patches * spots[rows, columns]
    share = np.clip(patch, 0, 1)[:, None].astype(np.float32)
    spread = np.exp(rng.normal(0, 0.12, (n, 1))).astype(np.float32)
    tips = (kind.tips[0] + share * (kind.tips[1] - kind.tips[0])) * spread
    stems = (kind.bases[0] + share * (kind.bases[1] - kind.bases[0])) * spread
    if kind.bubbles:
        tufts = kind.bases[0] * rng.uniform(0.6, 2.0, (n, 1)).astype(np.float32)
        tips = np.where(tentacles.swollen[:, None], tips, tufts)
        stems = np.where(tentacles.swollen[:, None], 0.5 * tips, stems)
    if kind.odd:
        other = _odd_ones(kind, xy, rng)
        tips[other] = kind.lips * np.exp(rng.normal(0, 0.2, (len(other), 1)))
    if kind.kind == "fringe":
        odd = (np.arange(n) % 2)[:, None]
        tips = np.where(odd * (kind.gap > 0.45), tips * np.float32(kind.gap), tips)
    elif kind.rim_width:
        outer = (tentacles.rho + tentacles.wide > 1 - kind.rim_width)[:, None]
        tips = np.where(outer, 0.25 * tips + 0.75 * kind.rim_colour, tips)
    return np.asarray(stems, np.float32), np.asarray(tips, np.float32)


def _shaded(
    kind: Kind, picture: Picture, found: Blobs, colours: Radiance, broad: NDArray[np.float32]
) -> Radiance:
    """Return the light of tentacles: shaded, in part clear, darker low between them, wet."""
    lamp = picture.lamp
    shade = lamp.shade(found.nx, found.ny, found.nz)
    if kind.kind != "fringe":
        shade = shade * (1 - kind.clear) + kind.clear * (0.55 + 0.45 * found.nz)
    hollow = kind.gap + (1 - kind.gap) * step(found.nz, 0.35, 0.7)
    light = times(colours, shade * hollow * broad)
    if kind.gloss > 0.03:
        shine = lamp.highlight(found.nx, found.ny, found.nz, kind.shine)
        light += tinted(kind.gloss * shine, lamp.colour * (1 - 0.6 * lamp.blue))
    return np.asarray(light, np.float32)


def _pointing(kind: Kind, outward: Points, way: Points, axis: Points) -> Points:
    """Return where tentacles point in the picture, (n, 2), shorter the more to the viewer.

    ``outward`` (n, 2) and ``axis`` (2,): the ways from mouth to margin, and off the disc. Standing
    tentacles follow the axis in the middle and lean out towards the margin.
    """
    if not kind.standing:
        return outward
    up = kind.standing * np.pi / 2 * (1 - 0.7 * np.clip(way, 0, 1) ** 2)
    return np.asarray(np.cos(up)[:, None] * outward + np.sin(up)[:, None] * axis)


def _risen(
    disc: Disc, form: Form, billow: NDArray[np.float32], xy: Points, rng: np.random.Generator
) -> tuple[Points, NDArray[np.float64]]:
    """Return how far folds move tentacles at ``xy`` (n, 2) in the picture, and lift them, pixels.

    Seen a little from aside, a fold's crest moves over the hollow behind it.
    """
    columns, rows = (
        np.clip(xy[:, axis].astype(int), 0, side - 1)
        for axis, side in enumerate(billow.shape[::-1])
    )
    rise = billow[rows, columns].astype(np.float64) * disc.radius
    aside = form.lift / disc.radius + rng.normal(0, 0.3, 2)
    return rise[:, None] * aside, rise


def lay_tentacles(
    kind: Kind,
    disc: Disc,
    picture: Picture,
    form: Form,
    light: Radiance,
    body: NDArray[np.bool_],
    broad: NDArray[np.float32],
    billow: NDArray[np.float32] | None,
    tentacles: Tentacles,
) -> tuple[Radiance, NDArray[np.bool_]]:
    """Return the light of a disc's window with its tentacles laid on it, and where these are.

    ``billow`` (H, W): height of folds in radii, if there are any.
    """
    rng = picture.rng
    shape = (int(body.shape[0]), int(body.shape[1]))
    xy, near = form.place(tentacles.theta, tentacles.rho)
    half_px = np.maximum(tentacles.wide * disc.radius, 1.2)
    plane = np.stack([np.cos(tentacles.theta), np.sin(tentacles.theta)], -1)
    outward = (plane @ form.axes) / disc.radius
    pointing = _pointing(kind, outward, tentacles.way, form.lift / disc.radius)
    # A tentacle that points to the viewer is seen shorter, one sideways longer.
    sideways = np.linalg.norm(pointing, axis=1)
    length = half_px * (1 + (tentacles.stretch - 1) * sideways)
    direction = np.arctan2(pointing[:, 1], pointing[:, 0]) + rng.normal(0, 0.15, len(tentacles))
    lifted = xy + 0.5 * half_px[:, None] * form.lift / disc.radius
    if kind.standing:  # by its foot, not by its middle
        lifted = lifted + ((length - half_px) / np.maximum(sideways, 1e-6))[:, None] * pointing
    base = near * disc.radius * 0.9 + rng.normal(0, 0.25, len(tentacles)) * half_px
    base = base + half_px * tentacles.swollen
    if billow is not None:
        risen, rise_px = _risen(disc, form, billow, xy, rng)
        lifted, base = lifted + risen, base + rise_px
    if kind.kind == "fringe":
        base = base + 1.5 * half_px * (rng.random(len(tentacles)) < 0.5)
    found = blobs(shape, lifted, length, half_px, direction, base)
    n = np.maximum(found.which, 0)
    stems, tips = _colours(kind, picture, tentacles, xy, shape)
    if kind.kind == "fringe":
        top = step(found.along, 1 - 2 * kind.tip_share, 0.6)
    else:  # the tip of a long one lies at its outer end
        lean = (np.clip(tentacles.stretch - 1, 0, 1) * sideways).astype(np.float32)[n]
        top = step(found.nz + 0.6 * lean * found.along, 1 - kind.tip_share, 0.5)
    colour = _shaded(kind, picture, found, mix(stems[n], tips[n], top), broad)
    there = found.there
    edge = blur(there.astype(np.float32), 0.5) * there
    dark = np.float32(0.55) if kind.kind in ("bubble", "fluffy") else np.float32(0.85)
    return mix(light * dark, colour, edge), there
