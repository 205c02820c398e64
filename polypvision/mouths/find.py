"""Mouths"""

from dataclasses import dataclass
from polypvision.reading import Points


@dataclass(frozen=True, kw_only=True, eq=False)
class PolypMouths:
    """m"""

    places_xy: Points
    scores: tuple[float, ...]
    two_mouths_probability: float
