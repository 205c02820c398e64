"""Discs of the close-up painter: bubble carpets, velvet, folds, fringes, at any slant."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.draw import polygon

from polypvision.render.noise import Field
from polypvision.train.wild_tools import (
    NOT_COUNTED,
    Colour,
    Lamp,
    Picture,
    Points,
    Radiance,
    blobs,
    lay,
    living_colour,
    mix,
    step,
)

KINDS = ("bubble", "bounce", "velvet", "fluffy", "fringe")
_TURNS = 256


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
    rows: int
    gap: float


@dataclass(frozen=True, kw_only=True)
class Disc:
    """Where one disc lies; ``squeeze`` is the short axis of the slanted disc over the long one."""

    x: float
    y: float
    radius: float
    squeeze: float
    towards: float
    mouths: int
    blur_px: float
    counted: bool


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
        packing=float(rng.uniform(0.72, 1.1)),
        stretch=float(rng.choice([1.0, rng.uniform(1.0, 1.7)])),
        streaks=float(rng.choice([0.0, rng.uniform(0.1, 0.8)])),
        streak_count=float(rng.uniform(12, 70)),
        mottle=float(rng.choice([0.0, rng.uniform(0.2, 1.0)])),
        mottle_colour=some(),
        mottle_size=float(rng.uniform(0.08, 0.6)),
        speckle=float(rng.choice([0.0, rng.uniform(0.1, 0.6)])),
        gloss=float(rng.choice([rng.uniform(0, 0.15), rng.uniform(0.1, 0.7)])),
        lobes=float(rng.choice([rng.uniform(0.0, 0.06), rng.uniform(0.04, 0.22)]))
        * (0.4 if kind == "fringe" else 1.0),
        folds=float(rng.choice([0.0, rng.uniform(0.03, 0.22)]))
        * (0.3 if kind == "fringe" else 1.0),
        dome=float(rng.uniform(-0.35, 0.35)),
        rows=int(rng.integers(1, 4)),
        gap=float(rng.uniform(0.1, 0.7)),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Form:
    """A disc's outline and folds by angle, and its way onto the picture."""

    outline: Points
    fold: Points
    axes: Points
    lift: Points
    middle: Points
    cos_slant: float
    sin_slant: float

    def at(self, table: Points, theta: NDArray[np.floating]) -> NDArray[np.float64]:
        turn = np.mod(theta, 2 * np.pi) * (_TURNS / (2 * np.pi))
        return table[np.minimum(turn.astype(np.int32), _TURNS - 1)]

    def place(self, theta: Points, rho: Points) -> tuple[Points, Points]:
        """Return window places (n, 2) and nearness to the viewer of points of the disc."""
        radius = rho * self.at(self.outline, theta)
        plane = np.stack([np.cos(theta), np.sin(theta)], -1) * radius[:, None]
        height = self.at(self.fold, theta) * rho**2
        xy = self.middle + plane @ self.axes + height[:, None] * self.lift
        near = height * self.cos_slant + plane[:, 1] * self.sin_slant
        return xy, near


def _form(kind: Kind, disc: Disc, rng: np.random.Generator, middle: Points) -> _Form:
    theta = np.arange(_TURNS) * (2 * np.pi / _TURNS)
    outline = np.ones(_TURNS)
    for order in range(2, 9):
        strength = kind.lobes * rng.normal() / order**0.6
        outline += strength * np.cos(order * theta + rng.uniform(0, 2 * np.pi))
    if disc.mouths > 1:
        outline += rng.uniform(0.05, 0.28) * np.cos(2 * theta)
    outline = np.clip(outline, 0.5, 1.5)
    outline /= np.sqrt(np.mean(outline**2))
    waves = rng.integers(2, 8)
    fold = kind.folds * np.cos(waves * theta + rng.uniform(0, 2 * np.pi))
    fold += 0.5 * kind.folds * np.cos((waves + 2) * theta + rng.uniform(0, 2 * np.pi))
    across = np.array([-np.sin(disc.towards), np.cos(disc.towards)])
    towards = np.array([np.cos(disc.towards), np.sin(disc.towards)])
    sine = np.sqrt(1 - disc.squeeze**2)
    spin = rng.uniform(0, 2 * np.pi)
    shift = round(spin / (2 * np.pi) * _TURNS)
    # Keep the two mouths' axis turned with the outline: mouths are placed at angle `spin`.
    return _Form(
        outline=np.roll(outline, shift),
        fold=np.roll(fold, shift),
        axes=disc.radius * np.stack([across, towards * disc.squeeze]),
        lift=-towards * sine * disc.radius,
        middle=middle,
        cos_slant=disc.squeeze,
        sin_slant=float(sine),
    )


def _tentacles(kind: Kind, radius: float, rng: np.random.Generator) -> tuple[Points, ...]:
    """Return angle, rho, half width (radii) and stretch of a disc's tentacles."""
    least = 1.3 / radius
    if kind.kind == "fringe":
        count = int(np.clip(rng.uniform(0.7, 1.1) * np.pi / max(kind.tentacle, least), 14, 90))
        parts = []
        for row in range(kind.rows):
            theta = (np.arange(count) + 0.5 * row) * (2 * np.pi / count)
            theta = theta + rng.normal(0, 0.15 * np.pi / count, count)
            rho = 0.93 - 0.10 * row + rng.normal(0, 0.025, count)
            parts.append(np.stack([theta, rho]))
        theta, rho = np.concatenate(parts, 1)
        wide = np.full(len(theta), max(0.9 * np.pi / count, least)) * rng.uniform(0.8, 1.1)
        return theta, rho, wide, np.full(len(theta), rng.uniform(1.6, 3.2))
    thetas, rhos, wides = [], [], []
    rho = 0.0 if kind.kind != "bounce" else 0.1
    while rho < 1.0:
        wide = max(kind.tentacle * (0.65 + kind.growth * rho**1.5), least)
        count = max(int(2 * np.pi * rho / (2 * wide * kind.packing)), 1)
        around = (np.arange(count) + rng.random()) * (2 * np.pi / count)
        thetas.append(around + rng.normal(0, 0.3 / max(count, 3), count) * 2)
        rhos.append(rho + rng.normal(0, 0.35 * wide, count))
        wides.append(wide * np.exp(rng.normal(0, 0.12, count)))
        rho += 2 * wide * kind.packing * 0.87
    theta, rho_all, wide_all = (np.concatenate(part) for part in (thetas, rhos, wides))
    if kind.kind == "bounce":
        keep = rng.random(len(theta)) < rng.uniform(0.25, 0.9)
        theta, rho_all, wide_all = theta[keep], rho_all[keep], wide_all[keep]
        grown = rng.random(len(theta)) < rng.uniform(0.04, 0.25)
        wide_all = np.where(grown, rng.uniform(0.09, 0.26, len(theta)), wide_all)
    keep = (rho_all > 0) & (rho_all < 1.02)
    theta, rho_all, wide_all = theta[keep], rho_all[keep], wide_all[keep]
    if len(theta) > 4000:
        theta, rho_all, wide_all = theta[:4000], rho_all[:4000], wide_all[:4000]
    stretch = np.full(len(theta), kind.stretch) * np.exp(rng.normal(0, 0.08, len(theta)))
    return theta, rho_all, wide_all, stretch


def _surface(
    kind: Kind, picture: Picture, theta: Field, rho: Field, radius: float
) -> tuple[Radiance, Field]:
    """Return colour and relief of the disc between the tentacles."""
    shape = (int(rho.shape[0]), int(rho.shape[1]))
    noise, rng = picture.noise, picture.rng
    wobble = rho + 0.03 * noise.field(shape, 0.4 * radius)
    light = np.broadcast_to(kind.ring_colours[0], (*shape, 3)).astype(np.float32)
    for edge, colour in zip(kind.ring_edges[1:], kind.ring_colours[1:], strict=True):
        light = mix(light, colour, step(wobble, float(edge), kind.ring_soft))
    if kind.mottle:
        spots = step(noise.field(shape, kind.mottle_size * radius), 0.4, 0.5)
        light = mix(light, kind.mottle_colour, kind.mottle * spots)
    height = np.zeros(shape, np.float32)
    if kind.streaks:
        streaks = noise.polar(theta, rho, kind.streak_count, rng.uniform(0.5, 3))
        light = light * np.exp(0.8 * kind.streaks * streaks)[..., None]
        height += streaks * (0.02 * kind.streaks * radius)
    if kind.speckle:
        dots = step(noise.field(shape, max(0.08 * radius, 3), soft=True), 1.0, 0.5)
        light = mix(light, kind.tips[0], kind.speckle * dots)
    height += 0.012 * radius * noise.field(shape, max(0.1 * radius, 6))
    return np.asarray(light, np.float32), height


def _mouth_places(disc: Disc, rng: np.random.Generator, form: _Form) -> Points:
    """Return angle and rho of each mouth, (m, 2)."""
    if disc.mouths == 1:
        return np.array([[rng.uniform(0, 2 * np.pi), abs(rng.normal(0, 0.08))]])
    axis = np.argmax(form.outline[: _TURNS // 2] + form.outline[_TURNS // 2 :])
    spread = rng.uniform(0.25, 0.5)
    start = axis * 2 * np.pi / _TURNS
    angles = start + np.arange(disc.mouths) * (2 * np.pi / disc.mouths) + rng.normal(0, 0.15)
    return np.stack([angles, np.full(disc.mouths, spread)], 1)


def paint_disc(picture: Picture, kind: Kind, disc: Disc, number: int) -> None:
    """Paint one disc over what is there, and note its pixels and mouths under ``number``."""
    rng, lamp = picture.rng, picture.lamp
    margin = round(0.35 * disc.radius + 4 + 3 * disc.blur_px)
    half = int(np.ceil(1.35 * disc.radius)) + margin
    corner = (round(disc.x) - half, round(disc.y) - half)
    side = 2 * half + 1
    if disc.x < -half or disc.y < -half:
        return
    middle = np.array([disc.x - corner[0], disc.y - corner[1]])
    form = _form(kind, disc, rng, middle)
    ticks = np.arange(side, dtype=np.float32)
    x, y = np.meshgrid(ticks - np.float32(middle[0]), ticks - np.float32(middle[1]))
    back = np.linalg.inv(form.axes).astype(np.float32)
    u, v = x * back[0, 0] + y * back[1, 0], x * back[0, 1] + y * back[1, 1]
    theta = np.arctan2(v, u)
    rho = np.asarray(np.hypot(u, v) / form.at(form.outline, theta), np.float32)
    rim = np.arange(_TURNS) * (2 * np.pi / _TURNS)
    edge, _ = form.place(rim, np.ones(_TURNS) * (0.97 if kind.kind != "fringe" else 0.9))
    body = np.zeros((side, side), np.bool_)
    body[polygon(edge[:, 1], edge[:, 0], body.shape)] = True

    light, height = _surface(kind, picture, theta, rho, disc.radius)
    inside = np.clip(rho, 0, 1.2)
    fold = np.asarray(form.at(form.fold, theta), np.float32) * inside**2
    bowl = kind.dome * (1 - inside**2)
    shape_light = lamp.relief(
        np.asarray(disc.radius * (0.8 * bowl + 0.8 * fold) + height, np.float32)
    )
    broad = np.clip(lamp.relief(np.asarray(disc.radius * (0.8 * bowl + 1.2 * fold))), 0.25, 1.6)
    light = light * (shape_light * (1 - 0.3 * step(rho, 1.0, 0.25)))[..., None]

    places = _mouth_places(disc, rng, form)
    mouth_xy, _ = form.place(places[:, 0], places[:, 1])
    size = kind.mouth_size * float(np.exp(rng.normal(0, 0.15)))
    turn = rng.uniform(0, np.pi)
    for mx, my in mouth_xy:
        mu = (x - np.float32(mx - middle[0])) * back[0, 0] + (
            y - np.float32(my - middle[1])
        ) * back[1, 0]
        mv = (x - np.float32(mx - middle[0])) * back[0, 1] + (
            y - np.float32(my - middle[1])
        ) * back[1, 1]
        along = mu * np.cos(turn) + mv * np.sin(turn)
        over = mv * np.cos(turn) - mu * np.sin(turn)
        reach = np.hypot(along, over * 1.3) / size
        cone = np.clip(1.25 - reach, 0, 1) * size * disc.radius
        bump = np.clip(lamp.relief(np.asarray(cone, np.float32)), 0.3, 1.8)
        light = mix(light, kind.mouth * bump[..., None], 1 - step(reach, 1.1, 0.35))
        slit = np.hypot(along, over * (5 if kind.slit else 1.5)) / (0.55 * size)
        dark = kind.mouth * np.float32(0.12) if kind.slit else kind.lips
        light = mix(light, dark, 1 - step(slit, 1.0, 0.4))

    mask = body
    if kind.kind != "velvet":
        angle, far, wide, stretch = _tentacles(kind, disc.radius, rng)
        xy, near = form.place(angle, far)
        clear = (1 - kind.mouth_hidden) * size * 1.1
        flat = (xy - middle) @ np.linalg.inv(form.axes)
        mouths_flat = (mouth_xy - middle) @ np.linalg.inv(form.axes)
        gap = np.min(np.linalg.norm(flat[:, None] - mouths_flat[None], axis=2), axis=1)
        if kind.kind != "fringe":
            keep = gap > clear + 0.5 * wide
            angle, far, wide, stretch = (p[keep] for p in (angle, far, wide, stretch))
            xy, near = xy[keep], near[keep]
        if len(angle):
            light, mask = _lay_tentacles(
                kind, disc, picture, form, light, body, broad, (angle, far, wide, stretch, xy, near)
            )
    cover = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.6)
    taken = lay(
        picture,
        corner,
        light,
        cover,
        blur_px=disc.blur_px,
        shadow=float(rng.uniform(0.3, 0.85)),
        reach_px=float(0.05 * disc.radius + 2),
    )
    if taken is None:
        return
    rows, columns, *inner = taken
    width = 2 * max(round(kind.tentacle * disc.radius), 1) + 1
    close = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    whole = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, close) > 0
    owner = picture.owner[rows, columns]
    owner[whole[inner[0], inner[1]]] = number if disc.counted else NOT_COUNTED
    if disc.counted:
        picture.mouths[number] = mouth_xy + np.array(corner)
        picture.areas[number] = int(whole.sum())


def _lay_tentacles(
    kind: Kind,
    disc: Disc,
    picture: Picture,
    form: _Form,
    light: Radiance,
    body: NDArray[np.bool_],
    broad: Field,
    tentacles: tuple[Points, ...],
) -> tuple[Radiance, NDArray[np.bool_]]:
    """Return light and cover of a disc with its tentacles on it."""
    rng, lamp = picture.rng, picture.lamp
    angle, far, wide, stretch, xy, near = tentacles
    half_px = np.maximum(wide * disc.radius, 1.2)
    outward = (np.stack([np.cos(angle), np.sin(angle)], -1) @ form.axes) / disc.radius
    # A tentacle that points away from the viewer is seen shorter, one sideways longer.
    length = half_px * (1 + (stretch - 1) * np.linalg.norm(outward, axis=1))
    direction = np.arctan2(outward[:, 1], outward[:, 0]) + rng.normal(0, 0.15, len(angle))
    lifted = xy + 0.5 * half_px[:, None] * form.lift / disc.radius
    base = near * disc.radius * 0.9 + rng.normal(0, 0.25, len(angle)) * half_px
    if kind.kind == "fringe":
        base = base + 1.5 * half_px * (rng.random(len(angle)) < 0.5)
    found = blobs((len(body), len(body)), lifted, length, half_px, direction, base)
    there = found.there
    n = np.maximum(found.which, 0)
    patch = rng.normal(0, 0.12, len(angle)) + far
    share = np.clip(patch, 0, 1)[:, None].astype(np.float32)
    spread = np.exp(rng.normal(0, 0.12, (len(angle), 1))).astype(np.float32)
    tips = (kind.tips[0] + share * (kind.tips[1] - kind.tips[0])) * spread
    stems = (kind.bases[0] + share * (kind.bases[1] - kind.bases[0])) * spread
    if kind.kind == "fringe":
        odd = (np.arange(len(angle)) % 2)[:, None]
        tips = np.where(odd * (kind.gap > 0.45), tips * np.float32(kind.gap), tips)
        top = step(found.along, 1 - 2 * kind.tip_share, 0.6)
    else:
        top = step(found.nz, 1 - kind.tip_share, 0.5)
    colour = mix(np.asarray(stems[n], np.float32), np.asarray(tips[n], np.float32), top)
    shade = lamp.shade(found.nx, found.ny, found.nz)
    hollow = np.asarray(kind.gap + (1 - kind.gap) * step(found.nz, 0.35, 0.7), np.float32)
    colour = colour * (shade * hollow * broad)[..., None]
    shine = lamp.highlight(found.nx, found.ny, found.nz, 30.0)
    colour += (kind.gloss * shine)[..., None] * lamp.colour * (1 - 0.6 * lamp.blue)
    edge = cv2.GaussianBlur(there.astype(np.float32), (0, 0), 0.5)
    dark = np.float32(0.55) if kind.kind in ("bubble", "fluffy") else np.float32(0.85)
    return mix(light * dark, colour.astype(np.float32), edge * there), body | there
