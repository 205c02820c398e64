"""Mounts and other flat round things of the close-up painter, seen at a slant."""

from dataclasses import dataclass

import cv2
import numpy as np

from polypvision.render.noise import Field
from polypvision.train.closeups.photographs import weathered
from polypvision.train.closeups.tools import (
    Colour,
    Picture,
    Radiance,
    any_colour,
    blobs,
    blur,
    hsv,
    lay,
    living_colour,
    mix,
    step,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Slab:
    """A flat piece with an upright side, drawn in a square window round its middle.

    ``u, v`` run over the top in units of its half width (``u`` also along the side), ``reach`` is 1
    at its edge; ``top`` and ``side`` are covers.
    """

    half: int
    u: Field
    v: Field
    reach: Field
    top: Field
    side: Field

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width of the window."""
        return 2 * self.half + 1, 2 * self.half + 1


def slab(radius: float, *, squeeze: float, turn: float, thick: float, power: float = 2.0) -> Slab:
    """Return a slab: a disc for ``power`` 2, nearly a square for 8; sizes in pixels."""
    half = int(1.25 * radius * (1.2 if power > 2 else 1.0) + thick) + 3
    ticks = np.arange(-half, half + 1, dtype=np.float32)
    x, y = ticks[None, :], ticks[:, None]
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    across = np.asarray((x * c + y * s) / radius, np.float32)
    down = np.asarray((y * c - x * s) / radius, np.float32)

    def reach_at(shift: float) -> Field:
        v = (down - np.float32(shift / radius)) / np.float32(squeeze)
        return np.asarray((np.abs(across) ** power + np.abs(v) ** power) ** (1 / power), np.float32)

    soft = 2 / radius
    upper = reach_at(-thick / 2)
    top = 1 - step(upper, 1.0, soft)
    lower = 1 - step(reach_at(thick / 2), 1.0, soft)
    band = (np.abs(across) < 1) & (np.abs(down) < thick / 2 / radius)
    side = np.maximum(lower, band.astype(np.float32)) * (1 - top)
    v = np.asarray((down + np.float32(thick / 2 / radius)) / np.float32(squeeze), np.float32)
    return Slab(half=half, u=across, v=v, reach=upper, top=top, side=side)


def _ring(reach: Field, middle: float, width: float) -> Field:
    return np.asarray(np.exp(-(((reach - middle) / width) ** 2)), np.float32)


def _relief_of_top(picture: Picture, body: Slab, radius: float) -> tuple[Field, Field]:
    """Return height in pixels and depth of holes (0 to 1) of a plug's top."""
    rng = picture.rng
    height = np.zeros(body.shape, np.float32)
    hole = np.zeros(body.shape, np.float32)
    if rng.random() < 0.45:  # a raised or sunk rim
        width = rng.uniform(0.02, 0.09)
        height += _ring(body.reach, 1 - width - rng.uniform(0, 0.12), width) * np.float32(
            radius * rng.choice([-1, 1]) * rng.uniform(0.02, 0.09)
        )
    if rng.random() < 0.25:  # grooves, ring by ring
        turns = rng.uniform(10, 40)
        height += np.sin(body.reach * turns) * np.float32(radius / turns * rng.uniform(0.1, 0.5))
    if rng.random() < 0.45:  # a hole for the piece, or a peg
        size = rng.uniform(0.08, 0.38)
        wobble = rng.uniform(0.0, 0.02) * picture.noise.field(body.shape, radius * 0.5)
        away = np.asarray(np.hypot(body.u, body.v) + wobble, np.float32)
        inner = 1 - step(away, float(size), 2.5 / radius)
        if rng.random() < 0.7:
            hole = inner
            height -= inner * np.float32(radius * 0.1)
        else:
            height += inner * np.float32(radius * rng.uniform(0.03, 0.12))
    if rng.random() < 0.15:  # a cross, or ribs
        cross = np.minimum(np.abs(body.u), np.abs(body.v))
        height -= (1 - step(cross, 0.03, 0.03)) * np.float32(radius * 0.05)
    height -= step(body.reach, rng.uniform(0.9, 0.98), 0.08) * np.float32(radius * 0.04)
    return height, hole


def ceramic(picture: Picture) -> Colour:
    """Return the colour of a bare mount under this lamp: pale, cement grey, or glowing cyan."""
    rng, lamp = picture.rng, picture.lamp
    albedo = hsv(rng.uniform(0.05, 0.6), rng.uniform(0, 0.2), rng.uniform(0.45, 1.0))
    glow = hsv(rng.normal(0.53, 0.04), rng.uniform(0.4, 0.9), 1.0)
    strength = rng.choice([0.0, rng.uniform(0.02, 0.15), rng.uniform(0.1, 0.5)])
    colour = lamp.seen(albedo, glow * np.float32(strength))
    return np.asarray(colour * np.float32(rng.choice([1.0, 1.0, 1.0, 0.3])), np.float32)


def crusted(picture: Picture, light: Radiance, size: float) -> Radiance:
    """Return a surface with algae, and coralline in round spots or patches."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    shape = (light.shape[0], light.shape[1])
    if rng.random() < 0.5:
        algae = step(noise.field(shape, rng.uniform(20, 120)), rng.uniform(-0.5, 1.2), 0.6)
        light = mix(light, living_colour(rng, lamp) * np.float32(0.5), 0.8 * algae)
    if rng.random() < 0.45:
        light = spotted(picture, light, size)
    return light


def spotted(picture: Picture, light: Radiance, size: float) -> Radiance:
    """Return a surface with round flat crusts: coralline, sponge, young tunicates."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    shape = (light.shape[0], light.shape[1])
    count = int(rng.integers(3, 70))
    radius = np.clip(size * np.exp(rng.normal(-2.7, 0.6, count)), 2, 45)
    xy = rng.random((count, 2)) * [shape[1], shape[0]]
    found = blobs(shape, xy, radius, radius * rng.uniform(0.7, 1, count), radius, radius * 0)
    hue = float(rng.choice([rng.normal(0.88, 0.05), rng.normal(0.97, 0.04), rng.random()]))
    one = lamp.seen(any_colour(rng, hue=hue))
    if rng.random() < 0.35:
        one = living_colour(rng, lamp, hue=hue)
    ragged = found.nz + np.float32(0.15) * noise.field(shape, 12)
    cover = step(ragged, 0.25, 0.3) * found.there * np.float32(rng.uniform(0.5, 1.0))
    light = mix(light, one, cover)
    if rng.random() < 0.5:  # a paler or darker growing edge
        edge = found.there * _ring(found.nz, 0.35, 0.15)
        light = light * (1 + np.float32(rng.uniform(-0.6, 0.9)) * edge)[..., None]
    return np.asarray(light, np.float32)


def _stalk(picture: Picture, x: float, y: float, radius: float, turn: float, tilt: float) -> None:
    """Lay the peg under a plug, pointing away from its top."""
    rng, lamp = picture.rng, picture.lamp
    wide = radius * rng.uniform(0.25, 0.55)
    length = radius * rng.uniform(0.4, 1.5) * tilt
    half = int(length + wide) + 3
    ticks = np.arange(-half, half + 1, dtype=np.float32)
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    across = (ticks[None, :] * c + ticks[:, None] * s) / np.float32(wide)
    down = ticks[:, None] * c - ticks[None, :] * s
    taper = 1 - 0.2 * down / max(half, 1)
    inside = (np.abs(across) < taper) & (down > 0)
    inside &= down < length + wide * 0.3 * np.sqrt(np.clip(1 - across**2, 0, 1))
    nx = np.asarray(np.clip(across, -1, 1), np.float32)
    shade = lamp.shade(nx * c, nx * s, np.sqrt(1 - nx * nx))
    light = ceramic(picture) * (shade * 0.6)[..., None]
    light = crusted(picture, np.asarray(light, np.float32), wide)
    cover = blur(inside.astype(np.float32), 0.8)
    lay(picture, (round(x) - half, round(y) - half), light, cover, shadow=0.4, reach_px=8)


def paint_plug(picture: Picture, x: float, y: float, radius: float, *, blur_px: float) -> None:
    """Lay a round plug or a square tile seen at a slant, with its side, rim, hole and stalk."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    squeeze = float(rng.choice([rng.uniform(0.85, 1.0), rng.uniform(0.35, 1.0)]))
    power = float(rng.choice([2.0, 2.0, 2.0, 2.0, 8.0]))
    turn = float(rng.normal(0, 0.3)) if power == 2 else float(rng.uniform(0, np.pi / 2))
    tilt = float(np.sqrt(1 - squeeze**2))
    if power == 2 and tilt > 0.4 and rng.random() < 0.4:
        _stalk(picture, x, y, radius, turn, tilt)
    thick = rng.uniform(0.05, 0.5) * radius * tilt
    body = slab(radius, squeeze=squeeze, turn=turn, thick=float(thick), power=power)
    base = ceramic(picture)
    grit = noise.field(body.shape, rng.uniform(3, 8), soft=True)
    light = base * np.exp(rng.uniform(0.03, 0.2) * grit)[..., None]
    height, hole = _relief_of_top(picture, body, radius)
    height += grit * np.float32(rng.choice([0.0, rng.uniform(0, 0.4)]))
    if rng.random() < 0.6:
        light = weathered(picture, np.asarray(light, np.float32), height, strength=0.8)
    if rng.random() < 0.25:  # speckled stone
        speck = step(noise.field(body.shape, 5, soft=True), rng.uniform(1, 2), 0.4)
        light = mix(light, base * np.float32(rng.choice([0.2, 2.0])), speck)
    light = crusted(picture, np.asarray(light, np.float32), radius)
    lit = light * lamp.relief(blur(height, 0.8))[..., None]
    lit = lit * (1 - hole * np.float32(rng.uniform(0.5, 1.0)))[..., None]
    nx = np.clip(body.u, -1, 1)
    dark = lamp.shade(nx, 0 * nx, np.sqrt(1 - nx * nx)) * np.float32(rng.uniform(0.25, 0.8))
    whole = mix(light * dark[..., None], np.asarray(lit, np.float32), body.top)
    lay(
        picture,
        (round(x) - body.half, round(y) - body.half),
        whole,
        np.maximum(body.top, body.side),
        blur_px=blur_px,
        shadow=0.6,
        reach_px=8,
    )


def coin(picture: Picture, radius: float) -> tuple[Radiance, Field]:
    """Return a coin, token or lid with an embossed face, and its cover."""
    rng, noise, lamp = picture.rng, picture.noise, picture.lamp
    body = slab(
        radius,
        squeeze=float(rng.uniform(0.5, 1.0)),
        turn=float(rng.uniform(0, np.pi)),
        thick=float(radius * rng.uniform(0.02, 0.12)),
    )
    face = np.zeros(body.shape, np.uint8)
    text = "".join(rng.choice(list("0123456789ABCDEFGHJKLMNP"), int(rng.integers(1, 4))))
    size = radius / 40 * rng.uniform(0.7, 1.5)
    place = (int(body.half - 9 * size * len(text)), int(body.half + 10 * size))
    weight = max(int(3 * size), 1)
    cv2.putText(face, text, place, cv2.FONT_HERSHEY_SIMPLEX, float(size), 255, weight)
    marks = step(noise.field(body.shape, radius * 0.3), 0.4, 0.5) * (body.reach < 0.75)
    height = blur(np.asarray(face / 255 + rng.uniform(0, 1) * marks, np.float32), 0.8) * np.float32(
        0.06 * radius
    )
    height += _ring(body.reach, 0.93, 0.05) * np.float32(0.06 * radius)
    metal = hsv(rng.choice([0.07, 0.12, 0.6]), rng.uniform(0, 0.6), rng.uniform(0.4, 1.0))
    light = lamp.seen(metal) * lamp.relief(height)[..., None]
    if rng.random() < 0.4:
        light = mix(
            light, lamp.seen(any_colour(rng)), step(body.reach, rng.uniform(0.4, 0.8), 0.03)
        )
    light = light * (1 - 0.6 * body.side)[..., None]
    return np.asarray(light, np.float32), np.maximum(body.top, body.side)


def bottle_cap(picture: Picture, radius: float) -> tuple[Radiance, Field]:
    """Return a cap with a crimped or ribbed edge and plain rings, and its cover."""
    rng, lamp = picture.rng, picture.lamp
    body = slab(
        radius, squeeze=float(rng.uniform(0.6, 1.0)), turn=float(rng.normal(0, 0.4)), thick=1
    )
    around = np.arctan2(body.v, body.u)
    teeth = np.cos(around * int(rng.choice([21, 21, 36, 60]))).astype(np.float32)
    reach = body.reach + 0.03 * teeth
    cover = 1 - step(reach, 0.95, 3 / radius)
    height = teeth * step(reach, 0.8, 0.15) * np.float32(radius * 0.05)
    height -= step(reach, 0.82, 0.2) * np.float32(radius * rng.uniform(0.05, 0.25))
    light = np.broadcast_to(lamp.seen(any_colour(rng)), (*body.shape, 3)).astype(np.float32)
    for edge in rng.uniform(0.15, 0.75, int(rng.integers(0, 4))):
        ring = lamp.seen(any_colour(rng))
        light = mix(light, ring, 1 - step(body.reach, float(edge), 0.03))
    light = light * lamp.relief(blur(height, 1.0))[..., None]
    return np.asarray(light, np.float32), cover


def suction_cup(picture: Picture, radius: float) -> tuple[Radiance, Field]:
    """Return a clear or dark rubber cup with rings and a nub, and its cover."""
    rng, lamp = picture.rng, picture.lamp
    body = slab(
        radius, squeeze=float(rng.uniform(0.5, 1.0)), turn=float(rng.normal(0, 0.4)), thick=2
    )
    rings = np.sin(body.reach * rng.uniform(6, 20) + rng.uniform(0, 6)).astype(np.float32)
    height = rings * np.float32(0.05 * radius) - body.reach**2 * np.float32(0.15 * radius)
    height += (1 - step(body.reach, rng.uniform(0.15, 0.35), 0.06)) * np.float32(0.15 * radius)
    colour = lamp.seen(any_colour(rng)) * np.float32(rng.choice([0.05, 0.3, 1.0]))
    light = colour * lamp.relief(height)[..., None]
    light = light + np.float32(0.4) * (_ring(body.reach, 0.9, 0.04))[..., None] * lamp.colour
    clear = np.float32(rng.choice([0.3, 0.6, 1.0]))
    edge = np.maximum(clear, _ring(body.reach, 0.95, 0.05))
    return np.asarray(light, np.float32), np.asarray(body.top * edge, np.float32)


def magnet(picture: Picture, radius: float) -> tuple[Radiance, Field]:
    """Return a smooth dark or bright block, round or square, and its cover."""
    rng, lamp = picture.rng, picture.lamp
    squeeze = float(rng.uniform(0.4, 1.0))
    thick = float(radius * rng.uniform(0.2, 0.9) * np.sqrt(1 - squeeze**2))
    body = slab(
        radius,
        squeeze=squeeze,
        turn=float(rng.uniform(0, 3)),
        thick=thick,
        power=float(rng.choice([2.0, 8.0])),
    )
    colour = lamp.seen(any_colour(rng)) * np.float32(rng.choice([0.08, 0.3, 1.0]))
    nx = np.clip(body.u, -1, 1)
    shade = mix_field(lamp.shade(nx, 0 * nx, np.sqrt(1 - nx * nx)) * 0.6, body.top)
    light = weathered(picture, np.asarray(colour * shade[..., None], np.float32), strength=0.3)
    return light, np.maximum(body.top, body.side)


def mix_field(under: Field, weight: Field) -> Field:
    """Return ``under`` where the weight is 0, 1 where it is 1."""
    return np.asarray(under + weight * (1 - under), np.float32)
