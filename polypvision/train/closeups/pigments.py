"""Colours that the discs of one clone draw from: vivid, plain as most corallimorphs, or glowing."""

from collections.abc import Callable

import numpy as np

from polypvision.train.closeups.tools import Colour, Lamp, hsv, living_colour

# Hues of the commonest plain morphs: browns, tans, olives, greens, teal, blue grey, wine.
_PLAIN_HUES = (0.05, 0.08, 0.11, 0.16, 0.24, 0.33, 0.42, 0.52, 0.6, 0.68, 0.95)


def _plain(rng: np.random.Generator, lamp: Lamp, hue: float) -> Colour:
    """Return a muted pigment, 3 to 50 % reflectance at most, that glows a little or not."""
    hue = hue + float(rng.normal(0, 0.03))
    albedo = hsv(hue, float(rng.uniform(0.1, 0.75)), float(rng.uniform(0.2, 0.72)))
    glow = hsv(hue, float(rng.uniform(0.4, 0.9)), 1.0)
    return lamp.seen(albedo, glow * np.float32(rng.choice([0.0, rng.uniform(0.01, 0.08)])))


def _night(rng: np.random.Generator, lamp: Lamp, hue: float) -> Colour:
    """Return a nearly black pigment or one that glows strongly."""
    hue = hue + float(rng.normal(0, 0.03))
    albedo = hsv(hue, float(rng.uniform(0.3, 0.9)), float(rng.uniform(0.05, 0.3)))
    glow = hsv(hue, float(rng.uniform(0.75, 1.0)), 1.0)
    strength = rng.choice([0.0, rng.uniform(0, 0.03), rng.uniform(0.1, 0.8)])
    return lamp.seen(albedo, glow * np.float32(strength))


def clone_colours(
    rng: np.random.Generator, lamp: Lamp, *, night: float = 0.12
) -> Callable[[], Colour]:
    """Return a function that draws colours as seen under a lamp, all of one clone's family.

    ``night`` is how often a clone is nearly black but for what glows; under blue light, twice.
    """
    night = night * (2 if lamp.blue > 0.5 else 1)
    family = str(rng.choice(["vivid", "plain", "night"], p=[0.55 - night, 0.45, night]))
    related = 0.7 if rng.random() < 0.5 else 0.0
    own = float(rng.choice(_PLAIN_HUES)) if family == "plain" else float(rng.random())

    def draw() -> Colour:
        if family == "plain":
            hue = own if rng.random() < 0.7 else float(rng.choice(_PLAIN_HUES))
            return _plain(rng, lamp, hue)
        near = own + float(rng.normal(0, 0.06)) if rng.random() < related else None
        if family == "night":
            commonest = rng.choice([0.33, 0.05, rng.random()]) + rng.normal(0, 0.04)
            return _night(rng, lamp, float(commonest) if near is None else near)
        return living_colour(rng, lamp, hue=near)

    return draw
