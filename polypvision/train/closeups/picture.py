"""Close-up photographs as keepers and sellers take them, painted at the view's scale.

Plates from `polypvision.render` are exact but all of one world. These pictures draw nearly
everything by chance (domain randomisation; Tobin et al. 2017, from memory): a reader that has
seen any colour and ground holds on photographs nobody here drew.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from polypvision.render.scene import LEAST_VISIBLE
from polypvision.train.closeups.camera import develop
from polypvision.train.closeups.discs import paint_disc
from polypvision.train.closeups.form import Disc
from polypvision.train.closeups.grounds import (
    paint_back,
    paint_chunk,
    paint_clutter,
    paint_finger,
    paint_photo,
    paint_plug,
)
from polypvision.train.closeups.kinds import (
    KINDS,
    Kind,
    any_kind,
    dimmed,
    few_bubbles,
    with_outer_colour,
)
from polypvision.train.closeups.layout import MOST_DISCS, carpet, cluster
from polypvision.train.closeups.neighbours import paint_far_corals, paint_neighbours
from polypvision.train.closeups.stalks import paint_button
from polypvision.train.closeups.tools import (
    NOT_COUNTED,
    Lamp,
    Noise,
    Picture,
    Points,
    Radiance,
    blur,
)
from polypvision.train.lesson import LESSON_PX, Lesson

_MARGIN_PX = 40
_LEAST_PX = 60
_RADII_PX = {
    "bubble": (55, 190),
    "bounce": (35, 180),
    "velvet": (35, 150),
    "fluffy": (40, 180),
    "fringe": (22, 100),
}
_YOUNG_PX = (9, 26)
_CLOSED_PX = 80.0
_CLOSING = 0.4
"""How often some of a fringed clone's polyps are closed."""
# Of `KINDS`, how often each is drawn.
_OFTEN = (0.33, 0.15, 0.15, 0.1, 0.27)
_OFTEN_CARPETS = (0.28, 0.08, 0.24, 0.14, 0.26)
_EMPTY = 0.2
"""How often no polyp is planted at all."""

_GLOWING = 0.12
"""Of pictures under blue light, how many show only black polyps with few bubbles."""
_SOFT = 0.07

Planted = tuple[Kind, Disc]


_MOTLEY = 0.1
"""Of pictures not to be natural, how many are motley."""
_MOUTH_REACH_PX, _BLACK = 8, 20
"""A mouth is not told if hardly anything so near it has a larger code."""
_BLENDED = 0.15
"""How often the outer parts of clones have the colour of the ground that they stand on."""


def _blank(rng: np.random.Generator, natural: bool) -> Picture:
    height, width = (int(side) for side in rng.integers(480, LESSON_PX + 1, 2))
    shape = (height + 2 * _MARGIN_PX, width + 2 * _MARGIN_PX)
    return Picture(
        light=np.zeros((*shape, 3), np.float32),
        owner=np.zeros(shape, np.uint8),
        lamp=Lamp.chance(rng),
        noise=Noise(rng),
        rng=rng,
        natural=natural,
        motley=bool(not natural and rng.random() < _MOTLEY),
    )


def _any(picture: Picture, name: str) -> Kind:
    """Draw the looks of a clone of a picture."""
    return any_kind(picture.rng, picture.lamp, name, natural=picture.natural, motley=picture.motley)


def _far_discs(picture: Picture, planted: Sequence[Planted] = (), *, before: bool = False) -> None:
    """Paint discs out of focus, from a little to far; scattered, or a colony on its plug.

    Those behind are ground: they lie off the plane whose scale is known. Those ``before`` all else,
    nearer than the focus, hide what counts; they are neither right nor wrong, and no plug is seen.
    Half of them are of a clone that is ``planted`` in focus.
    """
    rng = picture.rng
    kind = _any(picture, str(rng.choice(KINDS)))
    largest = float(np.exp(rng.uniform(np.log(25), np.log(110))))
    if len(planted) and rng.random() < 0.5:  # further off they are no larger than those in focus
        kind, one = planted[int(rng.integers(len(planted)))]
        largest = float(np.clip(one.radius * rng.uniform(0.5, 1), 15, 130))
    blur_px = float(rng.uniform(5, 12) if before else np.exp(rng.uniform(np.log(3), np.log(15))))
    together = rng.random() < 0.6
    home = rng.random(2) * picture.shape[::-1]
    if together and not before:
        x, y = (float(value) for value in home)
        paint_plug(picture, x, y, 2.2 * largest, blur_px=blur_px)
    for _ in range(int(rng.integers(1, 7))):
        x, y = rng.random(2) * picture.shape[::-1]
        if together:
            x, y = home + rng.normal(0, largest, 2)
        disc = Disc(
            x=float(x),
            y=float(y),
            radius=largest * float(rng.uniform(0.6, 1)),
            squeeze=float(rng.uniform(0.4, 1)),
            towards=float(rng.uniform(0, 6.3)),
            mouths=1,
            blur_px=blur_px,
            counted=False,
        )
        paint_disc(picture, kind, disc, NOT_COUNTED)
    if not before:
        picture.owner[picture.owner == NOT_COUNTED] = 0


def _stage(picture: Picture, middle: Points, reach: float, planted: Sequence[Planted]) -> None:
    """Paint what the discs stand on and before; they reach ``reach`` pixels from the middle."""
    rng = picture.rng
    sharp = bool(rng.random() < 0.5)
    paint_back(picture, sharp=sharp)
    if rng.random() < 0.4:
        _far_discs(picture, planted)
    if rng.random() < 0.25:
        paint_far_corals(picture)
    far = rng.integers(0, 4) if rng.random() < 0.4 else 0
    for _ in range(int(far)):
        x, y = rng.random(2) * picture.shape[::-1]
        paint_plug(picture, x, y, rng.uniform(50, 130), blur_px=float(rng.uniform(1, 12)))
    support = rng.random()
    if not sharp or support < 0.3:
        reach = float(np.clip(reach * rng.uniform(0.7, 1.5), 60, 0.6 * max(picture.shape)))
        x, y = (float(value) for value in middle)
        if support < 0.65:
            paint_chunk(picture, x, y, reach)
        elif support < 0.85:
            blur = float(rng.choice([0.0, 1.0, 3.0]))
            paint_plug(picture, x, y, min(reach, 230.0), blur_px=blur)
    if rng.random() < 0.3:
        paint_clutter(picture)


def _clones(picture: Picture, middle: Points) -> tuple[list[Planted], float]:
    """Lay out some clones, the foremost last; and how far the first reaches from the middle."""
    rng = picture.rng
    planted: list[Planted] = []
    extent = 0.0
    for clone in range(int(rng.choice([1, 1, 1, 2, 3]))):
        name = str(rng.choice(KINDS, p=_OFTEN))
        low, high = _RADII_PX[name]
        if rng.random() < 0.12:  # young ones only
            low, high = _YOUNG_PX
        largest = float(np.exp(rng.uniform(np.log(low), np.log(high))))
        discs = cluster(picture, middle, largest, name)
        if clone == 0:
            far = [np.hypot(*(middle - (d.x, d.y))) + 0.5 * d.radius for d in discs]
            extent = float(np.quantile(far, 0.9))
        kind = _any(picture, name)
        planted = [(kind, disc) for disc in discs] + planted
        middle = rng.uniform(0.1, 0.9, 2) * picture.shape[::-1] if rng.random() < 0.6 else middle
    return planted, extent


def _carpet(picture: Picture, middle: Points) -> tuple[list[Planted], float]:
    """Lay out a carpet of one clone, or of several that meet or mingle."""
    rng = picture.rng
    name = str(rng.choice(KINDS, p=_OFTEN_CARPETS))
    discs, extent = carpet(picture, middle, name)
    kinds = [_any(picture, name) for _ in range(int(rng.choice([1, 1, 1, 2, 3])))]
    homes = rng.random((len(kinds), 2)) * picture.shape[::-1]
    mingled = rng.random() < 0.3
    planted = []
    for disc in discs:
        nearest = int(np.argmin(np.hypot(*(homes - (disc.x, disc.y)).T)))
        own = int(rng.integers(len(kinds))) if mingled else nearest
        planted.append((kinds[own], disc))
    return planted, extent


def _paint_planted(picture: Picture, planted: list[Planted]) -> None:
    rng = picture.rng
    often = rng.uniform(0.08, 0.5)
    closing = rng.random() < _CLOSING
    for number, (kind, disc) in enumerate(planted[:MOST_DISCS], 1):
        if closing and kind.kind == "fringe" and rng.random() < often:
            paint_button(picture, kind, replace(disc, radius=min(disc.radius, _CLOSED_PX)))
        elif kind.kind == "fringe" and rng.random() < 0.08:  # half closed: a cup
            cup = replace(disc, squeeze=disc.squeeze * rng.uniform(0.5, 0.8), mouths=1)
            paint_disc(picture, replace(kind, dome=-1.0), cup, number)
        else:
            paint_disc(picture, kind, disc, number)


def _among(picture: Picture, planted: list[Planted]) -> list[Planted]:
    """Let polyps of another species stand among those of a picture, as they do on wild rock."""
    rng = picture.rng
    name = str(rng.choice(KINDS, p=_OFTEN))
    kind = _any(picture, name)
    share = rng.uniform(0.1, 0.5)
    return [(kind if rng.random() < share else own, disc) for own, disc in planted]


def _ground_under(picture: Picture, planted: list[Planted]) -> Radiance:
    """Return the light (n, 3) of what is painted where the discs' middles are to be."""
    rows, columns = (
        np.clip([round(value) for value in values], 0, limit - 1)
        for values, limit in zip(
            ([disc.y for _, disc in planted], [disc.x for _, disc in planted]),
            picture.shape,
            strict=True,
        )
    )
    return np.asarray(picture.light[rows, columns], np.float32)


def _blended(picture: Picture, planted: list[Planted]) -> list[Planted]:
    """Give the outer parts of the clones the colour of the ground that they stand on.

    What then tells where a disc ends is its form and its shade.
    """
    rng = picture.rng
    ground = np.median(_ground_under(picture, planted), axis=0)
    turned: dict[int, Kind] = {}
    for kind, _ in planted:
        if id(kind) not in turned:
            like = ground * np.exp(rng.normal(0, 0.25) + rng.normal(0, 0.08, 3))
            turned[id(kind)] = with_outer_colour(kind, np.asarray(like, np.float32))
    return [(turned[id(kind)], disc) for kind, disc in planted]


def _darkened(picture: Picture, planted: list[Planted]) -> list[Planted]:
    """Dim the clones until their tissue is darker than the ground that they stand on.

    What glows on them stays: the same share of bright to dark is kept within a clone.
    """
    ground = float(np.median(_ground_under(picture, planted).max(axis=1)))
    share = float(picture.rng.uniform(0.08, 0.7))
    dimmer: dict[int, Kind] = {}
    for kind, _ in planted:
        own = float(np.median(np.concatenate([kind.ring_colours, kind.bases]).max(axis=1)))
        dimmer[id(kind)] = dimmed(kind, min(share * ground / max(own, 1e-4), 1.0))
    return [(dimmer[id(kind)], disc) for kind, disc in planted]


def _glowing(picture: Picture, planted: list[Planted]) -> list[Planted]:
    """Turn all clones into nearly black ones of which only few bubbles glow."""
    turned: dict[int, Kind] = {}
    for kind, _ in planted:
        turned.setdefault(id(kind), few_bubbles(picture.rng, picture.lamp, kind))
    return [(turned[id(kind)], disc) for kind, disc in planted]


def _soften(picture: Picture) -> None:
    """Put the whole picture out of focus: what is as sharp as all else is no background."""
    sigma = float(np.exp(picture.rng.uniform(np.log(1.2), np.log(5))))
    picture.light[:] = blur(picture.light, sigma)


def _paint(picture: Picture) -> None:
    rng = picture.rng
    middle = rng.uniform(0.3, 0.7, 2) * picture.shape[::-1]
    planted: list[Planted] = []
    extent = rng.uniform(0.2, 0.6) * min(picture.shape)
    empty = rng.random() < _EMPTY
    if empty and rng.random() < 0.5:
        paint_photo(picture)
        return
    if not empty:
        lay_out = _carpet if rng.random() < 0.25 else _clones
        planted, extent = lay_out(picture, middle)
    if planted and rng.random() < 0.15:
        planted = _among(picture, planted)
    if picture.lamp.blue > 0.4 and rng.random() < _GLOWING:
        planted = _glowing(picture, planted)
    _stage(picture, middle, extent, planted)
    if planted and rng.random() < 0.3:
        paint_neighbours(picture, [disc for _, disc in planted])
    if planted and rng.random() < 0.22:
        if rng.random() < 0.4:  # dark ones on a pale plug
            x, y = (float(value) for value in middle)
            reach = float(np.clip(1.6 * extent, 60, 230))
            paint_plug(picture, x, y, reach, blur_px=float(rng.choice([0.0, 1.0])))
        planted = _darkened(picture, planted)
    elif planted and rng.random() < _BLENDED:
        planted = _blended(picture, planted)
    _paint_planted(picture, planted)
    if rng.random() < 0.06:  # nearer than the focus, before the colony
        _far_discs(picture, before=True)
    if rng.random() < 0.2:
        paint_clutter(picture)
    for _ in range(int(rng.choice([0, 0, 0, 1, 3]))):
        paint_finger(picture)
    if rng.random() < _SOFT:
        _soften(picture)


def closeup_lesson(rng: np.random.Generator, *, natural: bool = False) -> Lesson:
    """Paint one close-up picture and what it teaches.

    Parameters
    ----------
    rng : numpy.random.Generator
        All chance; the same generator gives the same picture.
    natural : bool
        Without the patterns that no species wears. They teach that form tells what is a polyp; how
        often an answer is true, only pictures of what lives can tell.

    Returns
    -------
    Lesson
        Sides 480 to `LESSON_PX` pixels; no wounds; gains of one. Discs of which little is seen,
        and those far out of focus, do not count.
    """
    picture = _blank(rng, natural)
    _paint(picture)
    cut = slice(_MARGIN_PX, -_MARGIN_PX), slice(_MARGIN_PX, -_MARGIN_PX)
    seen = replace(picture, light=picture.light[cut].copy(), owner=picture.owner[cut])
    return _truth(picture, seen.owner, develop(seen))


def _lost(rgb: NDArray[np.uint8], x: float, y: float) -> bool:
    """Return whether a mouth at x, y of the picture with its margin lies in black."""
    rows, columns = (
        slice(max(middle - _MOUTH_REACH_PX, 0), max(middle + _MOUTH_REACH_PX + 1, 0))
        for middle in (round(y) - _MARGIN_PX, round(x) - _MARGIN_PX)
    )
    near = rgb[rows, columns].max(axis=2, initial=0)
    return bool(near.size and np.quantile(near, 0.9) < _BLACK)


def _truth(picture: Picture, seen: NDArray[np.uint8], rgb: NDArray[np.uint8]) -> Lesson:
    """Keep what is seen well enough to be counted; ``seen`` is the owner without the margin."""
    counts = np.bincount(picture.owner.ravel(), minlength=256)
    inner = np.bincount(seen.ravel(), minlength=256)
    new = np.full(256, NOT_COUNTED, np.uint8)
    new[0] = 0
    polyps: list[tuple[float, float, float]] = []
    mouths: list[tuple[float, float, float]] = []
    for number, places in sorted(picture.mouths.items()):
        visible = counts[number]
        hidden = visible < max(LEAST_VISIBLE * picture.areas[number], _LEAST_PX)
        if hidden or inner[number] == 0:
            continue
        row = len(polyps)
        new[number] = row + 1
        rows, columns = np.nonzero(picture.owner == number)
        diameter = 2 * np.sqrt(visible / np.pi)
        polyps.append((columns.mean() - _MARGIN_PX, rows.mean() - _MARGIN_PX, diameter))
        for x, y in places:
            column, line = round(x), round(y)
            inside = 0 <= line < picture.shape[0] and 0 <= column < picture.shape[1]
            if inside and picture.owner[line, column] == number and not _lost(rgb, x, y):
                mouths.append((x - _MARGIN_PX, y - _MARGIN_PX, row))
    owner = new[seen]
    return Lesson(
        rgb=rgb,
        owner=owner,
        wound=np.zeros(owner.shape, np.bool_),
        polyps=np.array(polyps, np.float32).reshape(-1, 3),
        mouths=np.array(mouths, np.float32).reshape(-1, 3),
        gains=np.ones(3, np.float32),
    )
