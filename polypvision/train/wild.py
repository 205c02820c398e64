"""Close-up photographs as keepers and sellers take them, painted at the view's scale.

Plates from `polypvision.render` are exact but all of one world. These pictures draw nearly
everything by chance (domain randomisation; Tobin et al. 2017, from memory): a reader that has
seen any colour and ground holds on photographs nobody here drew.
"""

import numpy as np
from numpy.typing import NDArray

from polypvision.train.lesson import LESSON_PX, Lesson
from polypvision.train.wild_camera import develop
from polypvision.train.wild_discs import KINDS, Disc, Kind, any_kind, paint_disc
from polypvision.train.wild_grounds import (
    paint_back,
    paint_chunk,
    paint_clutter,
    paint_finger,
    paint_plug,
)
from polypvision.train.wild_tools import NOT_COUNTED, Lamp, Noise, Picture, Points

_MARGIN_PX = 40
_LEAST_VISIBLE = 0.35
_LEAST_PX = 60
_LARGEST = {"bubble": 330, "bounce": 330, "velvet": 300, "fluffy": 330, "fringe": 150}


def _blank(rng: np.random.Generator) -> Picture:
    height, width = (int(side) for side in rng.integers(480, LESSON_PX + 1, 2))
    shape = (height + 2 * _MARGIN_PX, width + 2 * _MARGIN_PX)
    return Picture(
        light=np.zeros((*shape, 3), np.float32),
        owner=np.zeros(shape, np.uint8),
        lamp=Lamp.chance(rng),
        noise=Noise(rng),
        rng=rng,
    )


def _places(
    count: int, middle: Points, spread: float, radii: Points, closeness: float, picture: Picture
) -> Points:
    """Return places (n, 2) round a middle, no two nearer than ``closeness`` of their radii."""
    rng = picture.rng
    taken: list[tuple[float, float, float]] = []
    reach = spread
    for radius in radii[:count]:
        for _ in range(30):
            x, y = middle + rng.normal(0, reach, 2)
            if all(np.hypot(x - a, y - b) > closeness * (radius + r) for a, b, r in taken):
                taken.append((float(x), float(y), float(radius)))
                break
            reach *= 1.02
    return np.array(taken).reshape(-1, 3)


def _discs(picture: Picture, middle: Points, radius: float, kind: str) -> list[Disc]:
    """Lay out one clone: alone, scattered, as a cluster, or as a carpet."""
    rng = picture.rng
    count = int(rng.choice([1, rng.integers(2, 6), rng.integers(5, 14), rng.integers(12, 26)]))
    room = np.hypot(*picture.shape) / 2
    largest = min(radius, 0.9 * room / np.sqrt(count))
    radii = np.clip(largest * np.exp(rng.normal(-0.1, rng.uniform(0.05, 0.4), count)), 15, 190)
    closeness = float(rng.choice([rng.uniform(0.6, 0.85), rng.uniform(0.85, 1.0), 1.3]))
    spread = float(np.median(radii) * rng.uniform(0.4, 1.0) * np.sqrt(count))
    spots = _places(count, middle, spread, np.sort(radii)[::-1], closeness, picture)
    squeeze = float(rng.choice([1.0, rng.uniform(0.75, 1.0), rng.uniform(0.4, 1.0)]))
    towards = float(rng.normal(np.pi / 2, 0.6) if rng.random() < 0.7 else rng.uniform(0, 6.3))
    bowed = float(rng.uniform(0, 0.5))  # a cluster on a round stone looks outwards at its rim
    focus = rng.uniform(-1, 1) * spread
    depth = float(rng.choice([0.0, 0.0, rng.uniform(0, 3)]))
    many_mouths = rng.uniform(0, 0.5) if kind in ("bubble", "fluffy", "velvet") else 0.05
    discs = []
    for x, y, size in spots:
        away = np.array([x, y]) - middle
        slant = np.array([np.cos(towards), np.sin(towards)]) * np.sqrt(1 - squeeze**2)
        slant = slant + bowed * away / max(2 * spread, 1) + rng.normal(0, 0.12, 2)
        tilt = float(np.clip(np.hypot(*slant), 0, 0.91))
        mouths = 1 + int(rng.random() < many_mouths) + int(rng.random() < 0.3 * many_mouths)
        blur = depth * abs(away[1] - focus) / max(spread, 1)
        discs.append(
            Disc(
                x=float(x),
                y=float(y),
                radius=float(size),
                squeeze=float(np.sqrt(1 - tilt**2)),
                towards=float(np.arctan2(slant[1], slant[0])),
                mouths=mouths,
                blur_px=float(min(blur, 4.0)),
                counted=bool(blur < 3.0),
            )
        )
    if rng.random() < 0.5:
        discs.sort(key=lambda disc: disc.y)
    return discs


def _far_discs(picture: Picture) -> None:
    """Paint discs far out of focus, which do not count."""
    rng = picture.rng
    kind = any_kind(rng, picture.lamp, str(rng.choice(KINDS)))
    for _ in range(int(rng.integers(1, 6))):
        x, y = rng.random(2) * picture.shape[::-1]
        disc = Disc(
            x=float(x),
            y=float(y),
            radius=float(rng.uniform(20, 70)),
            squeeze=float(rng.uniform(0.4, 1)),
            towards=float(rng.uniform(0, 6.3)),
            mouths=1,
            blur_px=float(rng.uniform(5, 12)),
            counted=False,
        )
        paint_disc(picture, kind, disc, NOT_COUNTED)


def _stage(picture: Picture, middle: Points) -> None:
    """Paint what the discs stand on and before."""
    rng = picture.rng
    sharp = bool(rng.random() < 0.35)
    paint_back(picture, sharp=sharp)
    if rng.random() < 0.25:
        _far_discs(picture)
    far = rng.integers(0, 4) if rng.random() < 0.4 else 0
    for _ in range(int(far)):
        x, y = rng.random(2) * picture.shape[::-1]
        paint_plug(picture, x, y, rng.uniform(50, 130), blur_px=float(rng.uniform(1, 12)))
    support = rng.random()
    if not sharp or support < 0.3:
        reach = rng.uniform(0.2, 0.6) * min(picture.shape)
        if support < 0.6:
            paint_chunk(picture, *middle, reach)
        elif support < 0.85:
            paint_plug(
                picture, *middle, rng.uniform(70, 220), blur_px=float(rng.choice([0.0, 1.0, 3.0]))
            )
    if rng.random() < 0.3:
        paint_clutter(picture)


def _paint(picture: Picture) -> None:
    rng = picture.rng
    middle = rng.uniform(0.3, 0.7, 2) * picture.shape[::-1]
    _stage(picture, middle)
    if rng.random() >= 0.1:
        number = 0
        for _ in range(int(rng.choice([1, 1, 2, 3]))):
            name = str(rng.choice(KINDS, p=[0.34, 0.12, 0.14, 0.1, 0.3]))
            largest = np.exp(rng.uniform(np.log(24), np.log(_LARGEST[name] / 2)))
            kind: Kind = any_kind(rng, picture.lamp, name)
            for disc in _discs(picture, middle, float(largest), name):
                number += 1
                if number > 60:
                    break
                paint_disc(picture, kind, disc, number)
            middle = rng.uniform(0.1, 0.9, 2) * picture.shape[::-1]
    if rng.random() < 0.2:
        paint_clutter(picture)
    for _ in range(int(rng.choice([0, 0, 0, 1, 3]))):
        paint_finger(picture)


def wild_lesson(rng: np.random.Generator) -> Lesson:
    """Paint one close-up picture and what it teaches.

    Parameters
    ----------
    rng : numpy.random.Generator
        All chance; the same generator gives the same picture.

    Returns
    -------
    Lesson
        Sides 480 to `LESSON_PX` pixels; no wounds; gains of one. Discs of which little is seen,
        and those far out of focus, do not count.
    """
    picture = _blank(rng)
    _paint(picture)
    return _truth(picture, develop(picture))


def _truth(picture: Picture, rgb: NDArray[np.uint8]) -> Lesson:
    """Cut the margin off, and keep what is seen well enough to be counted."""
    cut = slice(_MARGIN_PX, -_MARGIN_PX), slice(_MARGIN_PX, -_MARGIN_PX)
    counts = np.bincount(picture.owner.ravel(), minlength=256)
    inner = np.bincount(picture.owner[cut].ravel(), minlength=256)
    new = np.full(256, NOT_COUNTED, np.uint8)
    new[0] = 0
    polyps: list[tuple[float, float, float]] = []
    mouths: list[tuple[float, float, float]] = []
    for number, places in sorted(picture.mouths.items()):
        visible = counts[number]
        hidden = visible < max(_LEAST_VISIBLE * picture.areas[number], _LEAST_PX)
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
            if inside and picture.owner[line, column] == number:
                mouths.append((x - _MARGIN_PX, y - _MARGIN_PX, row))
    owner = new[picture.owner[cut]]
    return Lesson(
        rgb=np.ascontiguousarray(rgb[cut]),
        owner=owner,
        wound=np.zeros(owner.shape, np.bool_),
        polyps=np.array(polyps, np.float32).reshape(-1, 3),
        mouths=np.array(mouths, np.float32).reshape(-1, 3),
        gains=np.ones(3, np.float32),
    )
