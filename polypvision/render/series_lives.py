"""Invented polyps through time, for series of readings: growth, healing, division, loss, birth.

Rates are plausible, not real: no closure times of cut mushroom polyps were ever published. Where
a source stands behind a figure it is named beside it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from polypvision.events import CutMethod

Fate = Literal["divided", "lost"]
Healing = Literal["margin", "exponential"]

CLOSED_MM2 = 2.0
"""An exponential wound never reaches zero; from this area down it counts as closed."""
_SHARE_OF_HALF = 0.97
"""Diameter of each half of a division, as a part of that of half the parent's area."""


@dataclass(frozen=True, kw_only=True)
class MethodTraits:
    """How pieces of one way of cutting fare (`None`: uncut polyps).

    Attributes
    ----------
    diameter_mm : tuple of 2 floats
        Smallest and largest, on day 0.
    loss_per_month : float
        Probability of being lost within 30 days; constant hazard.
    wound_length_share, wound_width_mm : float
        A wound is a strip: its length as a part of the diameter, and its mean width.
    delay_days : tuple of 2 floats
        Smallest and largest delay before the margin moves.
    advance_mm_per_day : float
        Median speed of the living margin; pieces differ by about a fifth.
    mouth_days : tuple of 2 floats
        Smallest and largest time to a new mouth.
    """

    diameter_mm: tuple[float, float] = (12.0, 28.0)
    loss_per_month: float = 0.0
    wound_length_share: float = 0.0
    wound_width_mm: float = 0.0
    delay_days: tuple[float, float] = (0.0, 0.0)
    advance_mm_per_day: float = 0.0
    mouth_days: tuple[float, float] = (0.0, 0.0)


TRAITS: dict[CutMethod | None, MethodTraits] = {
    # Wounds closed in one to three weeks; a foot-margin piece on its own in about a fortnight
    # (common practice, no source). The rest is invented.
    None: MethodTraits(),
    "halves": MethodTraits(
        diameter_mm=(16.0, 26.0),
        loss_per_month=0.03,
        wound_length_share=0.9,
        wound_width_mm=4.5,
        delay_days=(1.0, 4.0),
        advance_mm_per_day=0.18,
        mouth_days=(7.0, 20.0),
    ),
    "quarters": MethodTraits(
        diameter_mm=(12.0, 20.0),
        loss_per_month=0.08,
        wound_length_share=1.1,
        wound_width_mm=4.5,
        delay_days=(1.0, 5.0),
        advance_mm_per_day=0.16,
        mouth_days=(12.0, 30.0),
    ),
    "margin": MethodTraits(
        diameter_mm=(8.0, 13.0),
        loss_per_month=0.12,
        wound_length_share=0.8,
        wound_width_mm=3.0,
        delay_days=(1.0, 4.0),
        advance_mm_per_day=0.12,
        mouth_days=(16.0, 32.0),
    ),
}


@dataclass(frozen=True, kw_only=True)
class TruePolyp:
    """One invented polyp; days count from the first photo.

    Attributes
    ----------
    parents : tuple of str
        It came from by division or from the foot margin.
    tile : str
        Pieces of one tile are pushed together; the name of the first polyp on it.
    x_mm, y_mm, creep_mm_per_day : float, float, tuple of 2 floats
        Place when born, and how it creeps over the plate.
    born_day, gone_day : float
        On the plate from the one until before the other (infinite: stays).
    fate : {'divided', 'lost'} or None
        Why it goes.
    diameter_mm, growth_per_day : float
        When born, not expanded nor contracted; specific growth rate of the diameter.
    angle_deg : float
        Direction in which it stretches and divides.
    method : {'halves', 'quarters', 'margin'} or None
        How it was cut on day 0; None for an uncut one.
    healing : {'margin', 'exponential'}
        Law by which its wound closes.
    wound_long_mm, wound_wide_mm : float
        The wound on day 0: a strip.
    delay_days, advance_mm_per_day : float
        The margin waits, then moves inwards from all sides at this speed; 0 is a stalled wound.
    mouth_day : float
        A piece's new mouth shows from then on; 0 for an uncut polyp.
    second_mouth_day, divides_day : float
        Of a two-mouth fission; infinite for none.
    """

    name: str
    parents: tuple[str, ...] = ()
    tile: str
    x_mm: float
    y_mm: float
    creep_mm_per_day: tuple[float, float] = (0.0, 0.0)
    born_day: float = 0.0
    gone_day: float = math.inf
    fate: Fate | None = None
    diameter_mm: float
    growth_per_day: float
    angle_deg: float = 0.0
    colour_lab: tuple[float, float, float] = (50.0, 10.0, 20.0)
    method: CutMethod | None = None
    healing: Healing = "margin"
    wound_long_mm: float = 0.0
    wound_wide_mm: float = 0.0
    delay_days: float = 0.0
    advance_mm_per_day: float = 0.0
    mouth_day: float = 0.0
    second_mouth_day: float = math.inf
    divides_day: float = math.inf

    def there(self, day: float) -> bool:
        """Whether it is on the plate on a day."""
        return self.born_day <= day < self.gone_day

    def place_mm(self, day: float) -> NDArray[np.float64]:
        """Return where (2,) it has crept to; tiles pushed by a hand are the series' matter."""
        age = day - self.born_day
        return np.array([self.x_mm, self.y_mm]) + age * np.array(self.creep_mm_per_day)

    def diameter_on(self, day: float) -> float:
        """Return its diameter, mm, neither expanded nor contracted."""
        return self.diameter_mm * math.exp(self.growth_per_day * (day - self.born_day))

    def parting(self, day: float) -> float:
        """Return how far its fission is: 0 second mouth, 1 apart; NaN before and without one."""
        if day < self.second_mouth_day or math.isinf(self.divides_day):
            return math.nan
        return (day - self.second_mouth_day) / (self.divides_day - self.second_mouth_day)

    @property
    def wound_mm2(self) -> float:
        """Wound area on day 0."""
        return self.wound_long_mm * self.wound_wide_mm

    @property
    def closed_day(self) -> float:
        """Day on which the wound is closed: 0 without one, infinite if it stalls."""
        if self.wound_mm2 == 0:
            return 0.0
        if self.advance_mm_per_day == 0:
            return math.inf
        return self.delay_days + self.wound_wide_mm / (2 * self.advance_mm_per_day)

    def wound_on(self, day: float) -> tuple[float, float]:
        """Return (area mm2, length of the living margin mm) of the wound on a day.

        By the margin law every side of the strip moves inwards at one speed (the closed forms of
        Saiko 2021, BIOSTEC 2021:182-187, for a rectangle); by the exponential law the area falls
        by a constant share a day, to `CLOSED_MM2` at the same `closed_day`.
        """
        whole, long, wide = self.wound_mm2, self.wound_long_mm, self.wound_wide_mm
        if whole == 0 or day >= self.closed_day:
            return 0.0, 0.0
        since = max(day - self.delay_days, 0.0)
        if self.healing == "margin":
            gone = self.advance_mm_per_day * since
            return (long - 2 * gone) * (wide - 2 * gone), 2 * (long + wide) - 8 * gone
        left = 1.0
        if math.isfinite(self.closed_day):
            left = (CLOSED_MM2 / whole) ** (since / (self.closed_day - self.delay_days))
        return whole * left, 2 * (long + wide) * math.sqrt(left)


def whole_or_piece(
    name: str,
    place_mm: NDArray[np.float64],
    method: CutMethod | None,
    traits: MethodTraits,
    *,
    healing: Healing,
    stalled: bool,
    colour_sd: float = 3.0,
    rng: np.random.Generator,
) -> TruePolyp:
    """Return a polyp of day 0 with a size, growth, wound and end by chance."""
    diameter = float(rng.uniform(*traits.diameter_mm))
    lab = np.array([50.0, 10.0, 20.0]) + rng.normal(0, colour_sd, 3)
    advance = traits.advance_mm_per_day * float(np.exp(rng.normal(0, 0.2)))
    hazard = -math.log1p(-traits.loss_per_month) / 30
    lost = float(rng.exponential(1 / hazard)) if hazard > 0 else math.inf
    return TruePolyp(
        name=name,
        tile=name,
        x_mm=float(place_mm[0]),
        y_mm=float(place_mm[1]),
        gone_day=lost,
        fate=None if math.isinf(lost) else "lost",
        diameter_mm=diameter,
        growth_per_day=float(rng.normal(0.003, 0.0015)),
        angle_deg=float(rng.uniform(0, 180)),
        colour_lab=(float(lab[0]), float(lab[1]), float(lab[2])),
        method=method,
        healing=healing,
        wound_long_mm=traits.wound_length_share * diameter,
        wound_wide_mm=traits.wound_width_mm * float(rng.uniform(0.8, 1.2)),
        delay_days=float(rng.uniform(*traits.delay_days)),
        advance_mm_per_day=0.0 if stalled else advance,
        mouth_day=float(rng.uniform(*traits.mouth_days)),
    )


def with_division(polyp: TruePolyp, divides_day: float, rng: np.random.Generator) -> TruePolyp:
    """Return the polyp as one that divides on a day.

    Two-mouth fission takes about two months (Chen et al. 1995, Zoological Studies 34:29-40, by
    way of a handbook).
    """
    return replace(
        polyp,
        diameter_mm=max(polyp.diameter_mm, 20.0),
        growth_per_day=0.001,
        second_mouth_day=divides_day - max(float(rng.normal(60, 10)), 30.0),
        divides_day=divides_day,
        gone_day=divides_day,
        fate="divided",
    )


def halves_of(parent: TruePolyp, rng: np.random.Generator) -> tuple[TruePolyp, TruePolyp]:
    """Return the two polyps that a division leaves, beside each other on its axis."""
    share = float(rng.uniform(0.4, 0.6))
    whole = parent.diameter_on(parent.divides_day)
    axis = np.deg2rad(parent.angle_deg)
    along = np.array([math.cos(axis), math.sin(axis)])
    middle = parent.place_mm(parent.divides_day)
    sizes = [whole * math.sqrt(part) * _SHARE_OF_HALF for part in (share, 1 - share)]
    apart = sum(sizes) / 2 + 0.5
    halves = []
    for side, size, other in ((-1, sizes[0], sizes[1]), (1, sizes[1], sizes[0])):
        # The common middle of mass stays where the parent's was.
        reach = apart * other**2 / (size**2 + other**2)
        place = middle + side * reach * along
        creep = np.array(parent.creep_mm_per_day) + side * 0.05 * along
        halves.append(
            TruePolyp(
                name=f"{parent.name}{'ab'[side > 0]}",
                parents=(parent.name,),
                tile=parent.tile,
                x_mm=float(place[0]),
                y_mm=float(place[1]),
                creep_mm_per_day=(float(creep[0]), float(creep[1])),
                born_day=parent.divides_day,
                diameter_mm=size,
                growth_per_day=0.005,
                angle_deg=float(rng.uniform(0, 180)),
                colour_lab=parent.colour_lab,
            )
        )
    return halves[0], halves[1]


def margin_daughter(
    parent: TruePolyp, born_day: float, others: Sequence[TruePolyp], rng: np.random.Generator
) -> TruePolyp:
    """Return a small polyp at the foot margin of another, where most room is."""
    size = float(rng.uniform(3.5, 6.0))
    middle = parent.place_mm(born_day)
    reach = parent.diameter_on(born_day) / 2 + size / 2 + float(rng.uniform(0.5, 2.0))
    angles = rng.uniform(0, 2 * math.pi, 6)
    places = [middle + reach * np.array([math.cos(a), math.sin(a)]) for a in angles]

    def room(place: NDArray[np.float64]) -> float:
        gaps = [
            float(np.hypot(*(other.place_mm(born_day) - place))) - other.diameter_on(born_day) / 2
            for other in others
            if other.name != parent.name
        ]
        return min(gaps, default=0.0)

    place = max(places, key=room)
    return TruePolyp(
        name=f"{parent.name}n",
        parents=(parent.name,),
        tile=parent.tile,
        x_mm=float(place[0]),
        y_mm=float(place[1]),
        creep_mm_per_day=parent.creep_mm_per_day,
        born_day=born_day,
        diameter_mm=size,
        growth_per_day=0.006,
        colour_lab=parent.colour_lab,
    )
