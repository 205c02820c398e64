"""Two polyps that touch and were read as one: a mistake of the reading, not of the plate."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from polypvision.track.division import distance_to
from polypvision.track.seen import Seen
from polypvision.track.trail import Trail

_OVER_MM = 1.0
"""How far outside the outline the middle of one of the two may have lain."""
_FEWEST_AREA, _MOST_AREA = 0.7, 1.35
_LARGER = 1.25
"""The whole is larger than the larger one was: it has not merely spread over its neighbour."""


@dataclass(frozen=True, kw_only=True)
class Joining:
    """One polyp of the photo (its column) that shows several individuals (their rows)."""

    column: int
    rows: tuple[int, ...]


def find_joinings(
    trails: Sequence[Trail], links: Mapping[int, int], taken: set[int], seen: Seen, shared: float
) -> list[Joining]:
    """Return the polyps that are two individuals read as one.

    The middles of both were within its outline, one of them at least is not found elsewhere, and
    its area is about that of both together.

    Parameters
    ----------
    trails : sequence of Trail
    links : mapping of int to int
        Who is where so far.
    taken : set of int
        Columns that are parts of a parting.
    seen : Seen
    shared : float
        Factor by which all areas of the photo are larger than before.
    """
    owner = {column: row for row, column in links.items()}
    found: list[Joining] = []
    hidden: set[int] = set()
    for column, shape in enumerate(seen.shapes):
        if column in taken:
            continue
        own = owner.get(column)
        under = [
            row
            for row, trail in enumerate(trails)
            if row not in hidden
            and (row == own or row not in links)
            and trail.missed(seen.index) == 0
            and np.hypot(trail.last.x_mm - shape.x_mm, trail.last.y_mm - shape.y_mm)
            <= shape.diameter_mm
            and distance_to(shape.outline_mm, trail.last.x_mm, trail.last.y_mm) <= _OVER_MM
        ]
        if len(under) != 2 or (own is not None and own not in under):
            continue
        areas = [shared * trails[row].last.polyp.area_mm2 for row in under]
        ratio = shape.area_mm2 / sum(areas)
        if _FEWEST_AREA <= ratio <= _MOST_AREA and shape.area_mm2 >= _LARGER * max(areas):
            found.append(Joining(column=column, rows=tuple(under)))
            hidden.update(under)
    return found
