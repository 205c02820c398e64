"""Long thin tentacles round the discs of the close-up painter, and where their polyp ends."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.render.noise import Field
from polypvision.train.closeups.form import TURNS, Disc, Form
from polypvision.train.closeups.kinds import Kind
from polypvision.train.closeups.tools import (
    Colour,
    Picture,
    Points,
    Radiance,
    blobs,
    blur,
    mix,
    step,
    times,
)

_PARTS = 7
"""Pieces that a strand is drawn from."""
_OUTLINE_SHARE = 0.8
"""How far along its strands a fringed polyp's outline runs: as a person draws it."""
_DENSE = 2.0
"""Gaps up to so many strands' widths are part of the polyp."""
_LEAST_PX = 0.8


@dataclass(frozen=True, kw_only=True, eq=False)
class Strands:
    """Strands of one disc, sorted by angle.

    Attributes
    ----------
    theta, tip : ndarray (n,)
        Angle of the base; rho of the tip.
    bend : ndarray (n,)
        Angle from base to tip.
    wide : ndarray (n,)
        Half width at the base, in radii.
    """

    theta: Points
    tip: Points
    bend: Points
    wide: Points


def oral_share(kind: Kind) -> float:
    """Return rho at which a fringed disc ends and its strands begin.

    The polyp's outline, at 80 % of the strands, lies at rho 1.
    """
    return 1 / (1 + _OUTLINE_SHARE * kind.strand)


def some_strands(kind: Kind, radius: float, rng: np.random.Generator) -> Strands:
    """Draw a disc's strands."""
    oral = oral_share(kind)
    # Small polyps have fewer: thinner ones than a pixel would not be seen.
    count = int(np.clip(kind.strand_count, 12, max(0.9 * np.pi * oral * radius, 12)))
    theta = (np.arange(count) + rng.normal(0, 0.22, count)) * (2 * np.pi / count)
    theta = np.sort(theta[rng.random(count) > rng.choice([0.0, rng.uniform(0, 0.15)])])
    n = len(theta)
    # Two rows, now and then: the inner one stands up and is seen shorter.
    short = np.where(np.arange(n) % 2 == 0, 1.0, rng.choice([1.0, rng.uniform(0.5, 1.0)]))
    length = oral * kind.strand * short * np.exp(rng.normal(0, 0.1, n))
    common = rng.normal(0, 0.5)
    # What is half clear and thin as well would not be seen at all.
    thin = oral * np.pi / count * rng.uniform(0.42 + 0.5 * kind.veil, 0.95)
    return Strands(
        theta=theta,
        tip=oral + np.minimum(length, 1.25 - oral),
        bend=kind.wave * (0.4 * common + 0.5 * rng.normal(0, 1, n)),
        wide=np.full(n, max(thin, _LEAST_PX / radius)) * rng.uniform(0.8, 1.15, n),
    )


def fringe_reach(strands: Strands, oral: float) -> Points:
    """Return rho (`TURNS`,) of a fringed polyp's margin by angle, as seen from above.

    The margin is a smooth line through about 80 % of the strands' reach, as a person would draw
    it: neither round each strand nor round the tips. It bridges the gap between two strands that
    is, at their bases, narrower than two strands; a wider gap lets the margin in to the disc.
    """
    theta = np.append(strands.theta, strands.theta[0] + 2 * np.pi)
    wide = 2 * np.append(strands.wide, strands.wide[0])
    gap = np.diff(theta) * oral - (wide[1:] + wide[:-1]) / 2
    open_gap = gap > _DENSE * (wide[1:] + wide[:-1]) / 2
    angles = np.arange(TURNS) * (2 * np.pi / TURNS)
    share = oral + _OUTLINE_SHARE * (strands.tip - oral)
    reach = np.interp(angles, strands.theta, share, period=2 * np.pi)
    turn = np.mod(angles - strands.theta[0], 2 * np.pi) + strands.theta[0]
    within = np.clip(np.searchsorted(theta, turn, side="right") - 1, 0, len(open_gap) - 1)
    reach = np.where(open_gap[within], oral, reach)
    span = max(round(1.2 * TURNS / len(strands.theta)), 1)
    shifts = range(-span, span + 1)
    return np.asarray(np.mean([np.roll(reach, shift) for shift in shifts], axis=0))


def _pieces(strands: Strands, form: Form, disc: Disc, oral: float) -> tuple[Points, ...]:
    """Return places (n, k, 2), half length, half width and direction (n, k), pixels."""
    part = (np.linspace(0, 1, _PARTS + 1) ** 0.9)[None, :]
    rho = 0.9 * oral + (strands.tip[:, None] - 0.9 * oral) * part
    theta = strands.theta[:, None] + strands.bend[:, None] * part**1.7
    xy, _ = form.place(theta.ravel(), rho.ravel())
    xy = xy.reshape(*rho.shape, 2)
    way = np.diff(xy, axis=1)
    wide = np.maximum(strands.wide[:, None] * disc.radius, _LEAST_PX) * (1 - 0.5 * part[:, 1:] ** 2)
    wide = np.maximum(wide, 0.7)
    long = 0.5 * np.hypot(way[..., 0], way[..., 1]) + 0.9 * wide
    return (xy[:, 1:] + xy[:, :-1]) / 2, long, wide, np.arctan2(way[..., 1], way[..., 0])


def _colours(kind: Kind, picture: Picture, n: int) -> Radiance:
    """Return the colours (n, k, 3) of strands from base to tip."""
    rng = picture.rng
    along = step(np.linspace(0, 1, _PARTS, dtype=np.float32), 1 - kind.tip_share, 0.5)
    colour: Colour = kind.bases[1] + along[:, None] * (kind.tips[1] - kind.bases[1])
    spread = np.exp(rng.normal(0, 0.15, (n, 1, 1))).astype(np.float32)
    if kind.gap > 0.6:  # every other one paler or darker
        spread[::2] *= np.float32(kind.gap)
    return np.asarray(colour[None] * spread, np.float32)


def lay_strands(
    kind: Kind,
    disc: Disc,
    picture: Picture,
    form: Form,
    light: Radiance,
    rho: Field,
    theta: Field,
    body: NDArray[np.bool_],
) -> tuple[Radiance, NDArray[np.bool_], NDArray[np.bool_]]:
    """Return light and cover of a disc's window with its strands, and where the polyp is."""
    rng = picture.rng
    oral = oral_share(kind)
    strands = some_strands(kind, disc.radius, rng)
    places, long, wide, direction = _pieces(strands, form, disc, oral)
    n = len(strands.theta)
    shape = (int(body.shape[0]), int(body.shape[1]))
    base = np.repeat(rng.uniform(0, 6, n) * disc.radius * strands.wide, _PARTS)
    found = blobs(shape, places.reshape(-1, 2), long.ravel(), wide.ravel(), direction.ravel(), base)
    own = _colours(kind, picture, n).reshape(-1, 3)[np.maximum(found.which, 0)]
    shade = picture.lamp.shade(0.6 * found.nx, 0.6 * found.ny, found.nz)
    shade = shade * (1 - kind.clear) + kind.clear * (0.6 + 0.4 * found.nz)
    there = found.there
    edge = blur(there.astype(np.float32), 0.5) * there
    laid = mix(light, times(own, shade), edge)
    margin = form.look_up(theta)(fringe_reach(strands, oral))
    polyp = body | (rho < margin) | (there & (rho < 1.0))
    return laid, body | there, polyp
