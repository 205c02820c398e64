"""One invented polyp through time: growth, healing, a new mouth, division, loss."""

import math
from dataclasses import dataclass

import numpy as np

from polypvision.render.scene import Morph, PolypSpec, Shape, Texture


@dataclass(frozen=True, kw_only=True)
class Life:
    """How one polyp fares, day by day after the first photo.

    Attributes
    ----------
    diameter_mm, wound_mm2 : float
        On day 0.
    growth_per_week : float
        Of the diameter, as a part of it.
    closed_day : float
        When the wound is closed.
    mouth_day : float or None
        When a piece's new mouth shows; None never.
    stalled, failing : bool
        The wound does not shrink; the tissue pales.
    second_mouth_day, divides_day : float or None
        Of a two-mouth fission.
    lost_day, sold_day : float or None
        From that day it is no longer on the plate.
    """

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float
    shape: Shape = "disc"
    angle_deg: float = 0.0
    lobes: int = 0
    morph: Morph = "rust"
    texture: Texture = "ridges"
    donor: str = ""
    growth_per_week: float = 0.015
    wound_mm2: float = 0.0
    closed_day: float = 14.0
    mouth_day: float | None = 0.0
    stalled: bool = False
    failing: bool = False
    second_mouth_day: float | None = None
    divides_day: float | None = None
    lost_day: float | None = None
    sold_day: float | None = None
    seed: int = 0

    @property
    def child(self) -> str:
        """Name of the polyp that a division makes beside it."""
        return f"{self.name}b"


def _drift(life: Life, day: float) -> tuple[float, float]:
    """Slow creep over the plate: at most about 1.5 mm in eight weeks."""
    rng = np.random.default_rng([life.seed, 7])
    heading, reach = rng.uniform(0, 2 * math.pi), rng.uniform(0.2, 1.4)
    gone = reach * (1 - math.exp(-day / 25))
    return life.x_mm + gone * math.cos(heading), life.y_mm + gone * math.sin(heading)


def wound_at(life: Life, day: float) -> float:
    """Return the wound area on a day, mm2: fast at first, closed on ``closed_day``."""
    if life.wound_mm2 == 0 or life.stalled:
        # A stalled wound only breathes a little with the light.
        return life.wound_mm2 * (1 + 0.02 * math.sin(day))
    left = max(1 - day / life.closed_day, 0.0) ** 1.5
    return life.wound_mm2 * left if life.wound_mm2 * left > 1.0 else 0.0


def _plain(life: Life, day: float) -> PolypSpec:
    piece = life.shape in ("half", "quarter", "margin")
    diameter = life.diameter_mm * (1 + life.growth_per_week * day / 7)
    pace = 4.0 if life.stalled else 1.0
    healed = (1 - math.exp(-day / (15 * pace))) * 0.97 if piece else 0.0
    x, y = _drift(life, day)
    vigour = 1 - (0.25 * math.exp(-day / 12) if piece else 0.0)
    if life.failing:
        vigour = max(0.9 - 0.015 * day, 0.4)
    has_mouth = not piece or (life.mouth_day is not None and day >= life.mouth_day)
    rng = np.random.default_rng([life.seed, 8])
    return PolypSpec(
        name=life.name,
        x_mm=x,
        y_mm=y,
        diameter_mm=round(diameter, 3),
        shape=life.shape,
        angle_deg=life.angle_deg,
        aspect=1.12,
        lobes=life.lobes,
        lobe_depth=0.025,
        wobble=round(float(rng.uniform(0.008, 0.02)), 4),
        roundness=round(healed, 4),
        morph=life.morph,
        texture=life.texture,
        vigour=round(vigour, 3),
        mouths=int(has_mouth),
        mouth_length=round(float(rng.uniform(0.12, 0.16)), 4),
        wound_mm2=round(wound_at(life, day), 3),
        seed=life.seed,
    )


def _dividing(life: Life, plain: PolypSpec, day: float) -> tuple[PolypSpec, ...]:
    """Two-mouth fission: disc, oval with two mouths, hourglass, two polyps."""
    second, parted = life.second_mouth_day, life.divides_day
    assert second is not None
    assert parted is not None
    if day < second:
        return (plain,)
    values = vars(plain)
    if day < parted:
        part = (day - second) / (parted - second)
        gap = plain.diameter_mm * (0.22 + 0.33 * part)
        if part < 0.35:
            shape: dict[str, object] = {"shape": "oval", "aspect": round(1.12 + 0.8 * part, 3)}
        else:
            shape = {"shape": "hourglass", "waist": round(0.93 - 0.78 * (part - 0.35), 3)}
        changes = {**shape, "mouths": 2, "mouth_gap_mm": round(gap, 2), "mouth_length": 0.11}
        return (PolypSpec(**{**values, **changes}),)
    since = day - parted
    half = plain.diameter_mm / math.sqrt(2)
    apart = half * 1.12 / 2 + 0.4 + 0.04 * since
    axis = math.radians(life.angle_deg)
    step = np.array([math.cos(axis), math.sin(axis)]) * apart
    common = {
        **values,
        "shape": "oval",
        "aspect": round(max(1.16 - 0.004 * since, 1.05), 3),
        "mouths": 1,
        "mouth_gap_mm": 0.0,
    }
    return (
        PolypSpec(
            **{
                **common,
                "x_mm": plain.x_mm - step[0],
                "y_mm": plain.y_mm - step[1],
                "diameter_mm": round(half * 1.02, 3),
                "angle_deg": life.angle_deg + 80.0,
            }
        ),
        PolypSpec(
            **{
                **common,
                "name": life.child,
                "x_mm": plain.x_mm + step[0],
                "y_mm": plain.y_mm + step[1],
                "diameter_mm": round(half * 0.98, 3),
                "angle_deg": life.angle_deg + 100.0,
                "seed": life.seed + 500,
            }
        ),
    )


def polyp_at(life: Life, day: float) -> tuple[PolypSpec, ...]:
    """Return what is on the plate of this polyp on a day: none, itself, or its two halves."""
    gone = [when for when in (life.lost_day, life.sold_day) if when is not None]
    if gone and day >= min(gone):
        return ()
    plain = _plain(life, day)
    if life.divides_day is None:
        return (plain,)
    return _dividing(life, plain, day)
