"""How a polyp in each state looks in charts and overlays: colour, and always a shape besides.

The colours are the colour-blind safe palette of Okabe & Ito 2008 (Color Universal Design).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from polypvision.healing import WoundCourse
from polypvision.track import Individual

BLACK = "#000000"
ORANGE = "#E69F00"
SKY_BLUE = "#56B4E9"
GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"

State = Literal["calm", "two mouths", "open wound", "stalled", "worsening"]


@dataclass(frozen=True, kw_only=True)
class Look:
    """Line of a chart and mark of an overlay.

    Attributes
    ----------
    line : str
        Colour of a line on a page, light or dark: at least 3 to 1 against both.
    over : str
        Colour on a photo, beside a dark casing.
    marker, dash
        Of matplotlib.
    word : str
        What is written beside the name; empty for the ordinary.
    """

    line: str
    over: str
    marker: str
    dash: str
    word: str


LOOKS: dict[State, Look] = {
    "calm": Look(line="#7A7F87", over="#FFFFFF", marker="o", dash="-", word=""),
    "two mouths": Look(line=BLUE, over=SKY_BLUE, marker="D", dash="-", word="two mouths"),
    "open wound": Look(line=GREEN, over=YELLOW, marker="^", dash="-", word="open wound"),
    "stalled": Look(line=VERMILLION, over=ORANGE, marker="s", dash="--", word="stalled"),
    "worsening": Look(line=VERMILLION, over=ORANGE, marker="v", dash=":", word="worsening"),
}


MARKS: dict[State, list[tuple[float, float]]] = {
    "two mouths": [(0, -1), (1, 0), (0, 1), (-1, 0)],
    "open wound": [(0, -1), (1, 0.85), (-1, 0.85)],
    "stalled": [(-0.85, -0.85), (0.85, -0.85), (0.85, 0.85), (-0.85, 0.85)],
    "worsening": [(0, 1), (1, -0.85), (-1, -0.85)],
}
"""Corners of the mark of each state, from -1 to 1, y down."""


def state_of(individual: Individual, courses: Mapping[str, WoundCourse]) -> State:
    """Return how an individual stands on its last sighting; the most urgent if several."""
    course = courses.get(individual.name)
    if course is not None and course.status in ("stalled", "worsening"):
        return "stalled" if course.status == "stalled" else "worsening"
    if "two-mouths" in individual.last.polyp.flags:
        return "two mouths"
    if course is not None and course.status == "open":
        return "open wound"
    return "calm"
