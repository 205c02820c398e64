"""Discs of the close-up painter: bubble carpets, velvet, folds, fringes, at any slant."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.render.noise import Field
from polypvision.train.closeups.kinds import Kind
from polypvision.train.closeups.tools import (
    NOT_COUNTED,
    Picture,
    Points,
    Radiance,
    blobs,
    blur,
    lay,
    mix,
    step,
)

_TURNS = 256


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
        """Look a table up by angle, between its entries linearly: steps would show in relief."""
        turn = np.mod(theta, 2 * np.pi) * (_TURNS / (2 * np.pi))
        low = np.minimum(turn.astype(np.int32), _TURNS - 1)
        part = turn - low
        return np.asarray(table[low] * (1 - part) + table[(low + 1) % _TURNS] * part)

    def place(self, theta: Points, rho: Points) -> tuple[Points, Points]:
        """Return window places (n, 2) and nearness to the viewer of points of the disc."""
        radius = rho * self.at(self.outline, theta)
        plane = np.stack([np.cos(theta), np.sin(theta)], -1) * radius[:, None]
        height = self.at(self.fold, theta) * rho**2
        xy = self.middle + plane @ self.axes + height[:, None] * self.lift
        near = height * self.cos_slant + plane[:, 1] * self.sin_slant
        return xy, near


def _form(kind: Kind, disc: Disc, rng: np.random.Generator) -> _Form:
    theta = np.arange(_TURNS) * (2 * np.pi / _TURNS)
    outline = np.ones(_TURNS)
    for order in range(2, 9):
        strength = kind.lobes * rng.normal() / order**0.9
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
        middle=np.zeros(2),
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
        return theta, rho, wide, np.full(len(theta), rng.uniform(1.5, 4.0))
    thetas, rhos, wides = [], [], []
    ring = 0.0 if kind.kind != "bounce" else 0.1
    while ring < 1.0:
        size = max(kind.tentacle * (0.65 + kind.growth * ring**1.5), least)
        count = max(int(2 * np.pi * ring / (2 * size * kind.packing)), 1)
        around = (np.arange(count) + rng.random()) * (2 * np.pi / count)
        thetas.append(around + rng.normal(0, 0.3 / max(count, 3), count) * 2)
        rhos.append(ring + rng.normal(0, 0.35 * size, count))
        wides.append(size * np.exp(rng.normal(0, 0.12, count)))
        ring += 2 * size * kind.packing * 0.87
    theta, rho_all, wide_all = (np.concatenate(part) for part in (thetas, rhos, wides))
    if kind.kind == "bounce":
        keep = rng.random(len(theta)) < rng.uniform(0.25, 0.9)
        theta, rho_all, wide_all = theta[keep], rho_all[keep], wide_all[keep]
        grown = rng.random(len(theta)) < rng.uniform(0.04, 0.25)
        wide_all = np.where(grown, rng.uniform(0.09, 0.26, len(theta)), wide_all)
    # The rim is where tentacles end, but their tips stand over it a little.
    keep = (rho_all > 0) & (rho_all + 0.6 * wide_all < 1.04)
    theta, rho_all, wide_all = theta[keep], rho_all[keep], wide_all[keep]
    stretch = kind.stretch * np.exp(rng.normal(0, 0.08, len(theta)))
    return np.asarray(theta, np.float64), rho_all, wide_all, stretch


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


def _body(edge: Points, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Fill an outline; cv2 takes border pixels too, so it is drawn half a pixel smaller."""
    away = edge - edge.mean(axis=0)
    inner = edge - 0.5 * away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-6)
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(inner * 16).astype(np.int32)], 1, shift=4)
    return mask > 0


def _paint_mouths(
    kind: Kind,
    disc: Disc,
    picture: Picture,
    light: Radiance,
    mouths: Points,
    back: Points,
    size: float,
) -> None:
    """Paint each mouth into the window: a cone with a slit, or with bright or dark lips."""
    turn = picture.rng.uniform(0, np.pi)
    half = int(np.ceil(1.5 * size * disc.radius)) + 2
    for mx, my in mouths:
        left, top = max(int(mx) - half, 0), max(int(my) - half, 0)
        part = light[top : int(my) + half + 1, left : int(mx) + half + 1]
        if part.size == 0:
            continue
        x = np.arange(part.shape[1]) + left - mx
        y = (np.arange(part.shape[0]) + top - my)[:, None]
        u, v = x * back[0, 0] + y * back[1, 0], x * back[0, 1] + y * back[1, 1]
        along = (u * np.cos(turn) + v * np.sin(turn)).astype(np.float32)
        over = (v * np.cos(turn) - u * np.sin(turn)).astype(np.float32)
        reach = np.hypot(along, over * 1.3) / size
        cone = np.clip(1.25 - reach, 0, 1) * size * disc.radius
        bump = np.clip(picture.lamp.relief(np.asarray(cone, np.float32)), 0.3, 1.8)
        painted = mix(part, kind.mouth * bump[..., None], 1 - step(reach, 1.1, 0.35))
        slit = np.hypot(along, over * (5 if kind.slit else 1.5)) / (0.55 * size)
        dark = kind.mouth * np.float32(0.12) if kind.slit else kind.lips
        part[:] = mix(painted, dark, 1 - step(slit, 1.0, 0.4))


def paint_disc(picture: Picture, kind: Kind, disc: Disc, number: int) -> None:
    """Paint one disc over what is there, and note its pixels and mouths under ``number``."""
    rng, lamp = picture.rng, picture.lamp
    if disc.squeeze < 0.9 and rng.random() < 0.35:
        _paint_stalk(picture, kind, disc)
    form = _form(kind, disc, rng)
    rim = np.asarray(np.arange(_TURNS) * (2 * np.pi / _TURNS), np.float64)
    edge, _ = form.place(rim, np.ones(_TURNS) * (0.97 if kind.kind != "fringe" else 0.9))
    grown = {"bounce": 0.3, "velvet": 0.03}.get(kind.kind, 3 * kind.tentacle)
    margin = grown * disc.radius + 8 + 3 * disc.blur_px
    low = np.floor(edge.min(axis=0) - margin).astype(int)
    width, height = (int(n) for n in np.ceil(edge.max(axis=0) + margin).astype(int) - low + 1)
    corner = (int(low[0] + round(disc.x)), int(low[1] + round(disc.y)))
    if corner[0] + width < 0 or corner[1] + height < 0:
        return
    if corner[0] >= picture.shape[1] or corner[1] >= picture.shape[0]:
        return
    form = replace(form, middle=-low.astype(np.float64))
    edge = edge - low
    x, y = np.meshgrid(
        np.arange(low[0], low[0] + width, dtype=np.float32),
        np.arange(low[1], low[1] + height, dtype=np.float32),
    )
    back = np.asarray(np.linalg.inv(form.axes), np.float64)
    u, v = (x * np.float32(back[0, i]) + y * np.float32(back[1, i]) for i in (0, 1))
    theta = np.arctan2(v, u)
    rho = np.asarray(np.hypot(u, v) / form.at(form.outline, theta), np.float32)
    body = _body(edge, (height, width))

    light, relief = _surface(kind, picture, theta, rho, disc.radius)
    inside = np.clip(rho, 0, 1.2)
    fold = np.asarray(form.at(form.fold, theta), np.float32) * inside**2
    bowl = kind.dome * (1 - inside**2)
    fine = lamp.relief(np.asarray(disc.radius * 0.8 * (bowl + fold) + relief, np.float32))
    broad = lamp.relief(np.asarray(disc.radius * (0.8 * bowl + 1.2 * fold), np.float32))
    broad = np.clip(broad, 0.25, 1.6)
    light = light * (fine * (1 - 0.3 * step(rho, 1.0, 0.25)))[..., None]

    places = _mouth_places(disc, rng, form)
    mouth_xy, _ = form.place(places[:, 0], places[:, 1])
    size = kind.mouth_size * float(np.exp(rng.normal(0, 0.15)))
    _paint_mouths(kind, disc, picture, light, mouth_xy, back, size)
    mask = body
    if kind.kind != "velvet":
        angle, far, wide, stretch = _tentacles(kind, disc.radius, rng)
        xy, near = form.place(angle, far)
        if kind.kind != "fringe":
            away = np.linalg.norm(((xy[:, None] - mouth_xy[None]) @ back), axis=2).min(axis=1)
            keep = away > (1 - kind.mouth_hidden) * size * 1.1 + 0.5 * wide
            angle, far, wide, stretch = (p[keep] for p in (angle, far, wide, stretch))
            xy, near = xy[keep], near[keep]
        if len(angle):
            tentacles = (angle, far, wide, stretch, xy, near)
            light, mask = _lay_tentacles(kind, disc, picture, form, light, body, broad, tentacles)
    taken = lay(
        picture,
        corner,
        light,
        blur(mask.astype(np.float32), 0.6),
        blur_px=disc.blur_px,
        shadow=float(rng.uniform(0.3, 0.85)),
        reach_px=float(0.05 * disc.radius + 2),
    )
    if taken is None:
        return
    rows, columns, *inner = taken
    reach = 2 * max(round(kind.tentacle * disc.radius), 1) + 1
    close = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    whole = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, close) > 0
    picture.owner[rows, columns][whole[inner[0], inner[1]]] = (
        number if disc.counted else NOT_COUNTED
    )
    if disc.counted:
        picture.mouths[number] = mouth_xy + np.array(corner)
        picture.areas[number] = int(whole.sum())


def paint_button(picture: Picture, kind: Kind, disc: Disc) -> None:
    """Paint a closed polyp: a stalk's rounded end with a puckered middle; it does not count."""
    rng, lamp = picture.rng, picture.lamp
    radius = disc.radius * float(rng.uniform(0.35, 0.65))
    half = round(1.3 * radius) + 4
    centre = np.full((1, 2), float(half))
    size = np.array([radius])
    found = blobs((2 * half + 1,) * 2, centre, size * 1.1, size, np.zeros(1), np.zeros(1))
    light = kind.bases[1] * lamp.shade(found.nx, found.ny, found.nz)[..., None]
    pucker = step(found.nz, float(rng.uniform(0.9, 0.99)), 0.06)
    light = mix(np.asarray(light, np.float32), kind.tips[0], pucker)
    light *= np.exp(0.25 * picture.noise.field(found.which.shape, radius))[..., None]
    cover = blur(found.there.astype(np.float32), 0.8)
    corner = (round(disc.x) - half, round(disc.y) - half)
    taken = lay(picture, corner, light, cover, blur_px=disc.blur_px, shadow=0.5)
    if taken is not None:
        rows, columns, *inner = taken
        picture.owner[rows, columns][found.there[inner[0], inner[1]]] = NOT_COUNTED


def _paint_stalk(picture: Picture, kind: Kind, disc: Disc) -> None:
    """Paint the column below the nearer rim of a slanted disc: part of the ground to a reader."""
    rng, lamp = picture.rng, picture.lamp
    sine = np.sqrt(1 - disc.squeeze**2)
    half = round(1.6 * disc.radius) + 4
    reach = disc.radius * rng.uniform(0.5, 0.9)
    away = disc.squeeze * 0.55 * disc.radius + 0.35 * sine * reach
    centre = half + away * np.array([[np.cos(disc.towards), np.sin(disc.towards)]])
    wide = np.array([disc.radius * rng.uniform(0.5, 0.85)])
    long = np.maximum(np.array([reach * sine]), 3)
    found = blobs((2 * half + 1,) * 2, centre, long, wide, np.full(1, disc.towards), np.zeros(1))
    colour = kind.bases[1] * np.float32(rng.uniform(0.3, 1.0))
    light = np.asarray(colour * lamp.shade(found.nx, found.ny, found.nz)[..., None], np.float32)
    light *= np.exp(0.3 * picture.noise.field(found.which.shape, 0.5 * disc.radius))[..., None]
    cover = blur(found.there.astype(np.float32), 0.8)
    corner = (round(disc.x) - half, round(disc.y) - half)
    taken = lay(picture, corner, light, cover, blur_px=disc.blur_px, shadow=0.4)
    if taken is not None:
        rows, columns, *inner = taken
        picture.owner[rows, columns][found.there[inner[0], inner[1]]] = 0


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
    found = blobs(
        (int(body.shape[0]), int(body.shape[1])), lifted, length, half_px, direction, base
    )
    there = found.there
    n = np.maximum(found.which, 0)
    patch = rng.normal(0, 0.12, len(angle)) + far
    if kind.patches:
        spots = picture.noise.field(found.which.shape, 0.8 * disc.radius, soft=True)
        columns, rows = (
            np.clip(xy[:, i].astype(int), 0, n - 1)
            for i, n in ((0, body.shape[1]), (1, body.shape[0]))
        )
        patch += kind.patches * spots[rows, columns]
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
    edge = blur(there.astype(np.float32), 0.5)
    dark = np.float32(0.55) if kind.kind in ("bubble", "fluffy") else np.float32(0.85)
    return mix(light * dark, colour.astype(np.float32), edge * there), body | there
