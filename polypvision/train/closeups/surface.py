"""Tissue of the close-up painter's discs between tentacles: rings, stripes, mouths."""

import numpy as np

from polypvision.render.noise import Field
from polypvision.train.closeups.form import Disc
from polypvision.train.closeups.kinds import Kind
from polypvision.train.closeups.skins import lay_skin
from polypvision.train.closeups.tools import Picture, Points, Radiance, mix, step, times, tinted


def _stripes(kind: Kind, picture: Picture, theta: Field, rho: Field) -> tuple[Field, Field]:
    """Return how much stripe, 0 to 1, each pixel is, and the waves it is made from."""
    phase = picture.rng.uniform(0, 2 * np.pi)
    waves = np.cos(kind.stripe_count * theta + np.float32(phase))
    middle, half = (kind.stripe_from + kind.stripe_to) / 2, (kind.stripe_to - kind.stripe_from) / 2
    band = 1 - step(np.abs(rho - np.float32(middle)), half, 0.12)
    return np.asarray(band * step(waves, 0.0, 0.8) * kind.stripes, np.float32), waves


def _groove(picture: Picture, theta: Field, rho: Field) -> Field:
    """Return how much of two dark lines from the mouth outwards each pixel is."""
    off = np.abs(np.sin(theta - np.float32(picture.rng.uniform(0, np.pi)))) * rho
    return np.asarray((1 - step(off, 0.035, 0.04)) * (1 - step(rho, 0.75, 0.1)), np.float32)


def surface(
    kind: Kind, picture: Picture, theta: Field, rho: Field, radius: float
) -> tuple[Radiance, Field]:
    """Return colour and relief, pixels, of a disc between the tentacles."""
    shape = (int(rho.shape[0]), int(rho.shape[1]))
    noise, rng = picture.noise, picture.rng
    wobble = rho + 0.03 * noise.field(shape, 0.4 * radius, soft=True)
    light = np.full((*shape, 3), kind.ring_colours[0], np.float32)
    for edge, colour in zip(kind.ring_edges[1:], kind.ring_colours[1:], strict=True):
        light = mix(light, colour, step(wobble, float(edge), kind.ring_soft))
    if kind.mottle:
        spots = step(noise.field(shape, kind.mottle_size * radius), 0.4, 0.5)
        light = mix(light, kind.mottle_colour, kind.mottle * spots)
    rough = float(rng.choice([1.0, rng.uniform(0, 1)]))  # some are smooth as wet leather
    height = np.float32(0.012 * rough * radius) * noise.field(shape, max(0.1 * radius, 6))
    if kind.skin:
        light, raised = lay_skin(kind, picture, light, theta, wobble, radius)
        height += raised
    if kind.streaks:
        streaks = noise.polar(theta, rho, kind.streak_count, rng.uniform(0.5, 3))
        light = times(light, np.exp(0.8 * kind.streaks * streaks))
        height += streaks * (0.02 * kind.streaks * radius)
    if kind.stripes:
        stripe, waves = _stripes(kind, picture, theta, wobble)
        light = mix(light, kind.tips[1], stripe)
        height += stripe * waves * np.float32(rng.normal(0, 0.02) * radius)
    if kind.speckle:
        dots = step(noise.field(shape, max(0.08 * radius, 3), soft=True), 1.0, 0.5)
        light = mix(light, kind.tips[0], kind.speckle * dots)
    if kind.rim_width:
        light = mix(light, kind.rim_colour, step(wobble, 1 - kind.rim_width, 0.04))
    if kind.groove:
        light = times(light, 1 - 0.8 * _groove(picture, theta, rho))
    return np.asarray(light, np.float32), np.asarray(height, np.float32)


def paint_mouths(
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
    shut = picture.rng.choice([0.12, picture.rng.uniform(0.1, 0.7)])  # how dark a slit is
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
        if kind.puffed:
            cone = np.sqrt(np.clip(1 - (reach / 1.2) ** 2, 0, 1)) * size * disc.radius
        bump = np.clip(picture.lamp.relief(np.asarray(cone, np.float32)), 0.3, 1.8)
        painted = mix(part, tinted(bump, kind.mouth), 1 - step(reach, 1.1, 0.35))
        slit = np.hypot(along, over * (5 if kind.slit else 1.5)) / (0.55 * size)
        dark = kind.mouth * np.float32(shut) if kind.slit else kind.lips
        part[:] = mix(painted, dark, 1 - step(slit, 1.0, 0.4))
