"""The same plate on several photos taken at once: how much the readings differ by themselves."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from polypvision.evaluate.comparisons import Repeatability, repeatability
from polypvision.evaluate.overlap import match
from polypvision.evaluate.plain import plain
from polypvision.measure.overlap import iou_matrix
from polypvision.reading import PlateReading, Points, Polyp
from polypvision.track import Constellation, estimate_motion

_NO_SIZE = {"touches-edge", "hidden"}
"""Flags that make a size a lower limit: it says nothing of how well sizes repeat."""


@dataclass(frozen=True, kw_only=True, eq=False)
class RepeatedPolyp:
    """One polyp on the photos that show it, in their order."""

    polyps: tuple[Polyp, ...]

    def values(self, of: Callable[[Polyp], float]) -> list[float]:
        """Return a size on every photo on which it is no lower limit."""
        return [of(polyp) for polyp in self.polyps if not _NO_SIZE & set(polyp.flags)]


@dataclass(frozen=True, kw_only=True, eq=False)
class Repeats:
    """How well readings of one plate repeat.

    Attributes
    ----------
    n_photos : int
    polyps : tuple of RepeatedPolyp
        Every polyp that any photo shows.
    n_everywhere : int
        Polyps that every photo shows.
    sizes : mapping of str to Repeatability
        Of one polyp: 'diameter_mm', 'area_mm2', 'wound_mm2' (of those with a wound on any photo),
        'n_mouths'; of the whole photo: 'count' and 'all mouths'.
    hours : float
        From the first photo to the last; NaN where dates are missing.
    """

    n_photos: int
    polyps: tuple[RepeatedPolyp, ...]
    n_everywhere: int
    sizes: dict[str, Repeatability]
    hours: float


def _outlines_on(first: PlateReading, other: PlateReading) -> list[Points]:
    """Outlines of a photo in the plate coordinates of another, should the card have moved."""
    motion = estimate_motion(_constellation(first), _constellation(other))
    return [motion.apply(polyp.outline_mm) for polyp in other.polyps]


def _constellation(reading: PlateReading) -> Constellation:
    return Constellation(
        xy_mm=np.array([[p.x_mm, p.y_mm] for p in reading.polyps], np.float64).reshape(-1, 2),
        diameter_mm=np.array([p.diameter_mm for p in reading.polyps], np.float64),
    )


def _who_is_who(readings: Sequence[PlateReading]) -> list[list[Polyp]]:
    """Return each polyp as the photos show it: what overlaps a known one is that one."""
    known: list[tuple[Points, list[Polyp]]] = []
    for reading in readings:
        placed = _outlines_on(readings[0], reading)
        pairs = match(iou_matrix(placed, [outline for outline, _ in known]))
        partner = dict(pairs)
        for number, polyp in enumerate(reading.polyps):
            if number in partner:
                known[partner[number]][1].append(polyp)
            else:
                known.append((placed[number], [polyp]))
    return [seen for _, seen in known]


def _hours(readings: Sequence[PlateReading]) -> float:
    dates = [one.taken_at.replace(tzinfo=None) for one in readings if one.taken_at is not None]
    if len(dates) < len(readings):
        return math.nan
    return (max(dates) - min(dates)).total_seconds() / 3600


def compare_repeats(readings: Sequence[PlateReading]) -> Repeats:
    """Return how well readings of photos of one plate, taken at once, repeat.

    Parameters
    ----------
    readings : sequence of PlateReading
        At least two.

    Raises
    ------
    ValueError
        If there are fewer than two.
    """
    if len(readings) < 2:
        raise ValueError("repeatability needs at least two readings")
    polyps = tuple(RepeatedPolyp(polyps=tuple(one)) for one in _who_is_who(readings))
    wounded = [one for one in polyps if any(polyp.wound_mm2 > 0 for polyp in one.polyps)]
    sizes = {
        "diameter_mm": repeatability([one.values(lambda p: p.diameter_mm) for one in polyps]),
        "area_mm2": repeatability([one.values(lambda p: p.area_mm2) for one in polyps]),
        "wound_mm2": repeatability([one.values(lambda p: p.wound_mm2) for one in wounded]),
        "n_mouths": repeatability([[p.n_mouths for p in one.polyps] for one in polyps]),
        "count": repeatability([[one.n_polyps for one in readings]]),
        "all mouths": repeatability([[one.n_mouths for one in readings]]),
    }
    return Repeats(
        n_photos=len(readings),
        polyps=polyps,
        n_everywhere=sum(len(one.polyps) == len(readings) for one in polyps),
        sizes=sizes,
        hours=_hours(readings),
    )


REPEATED: dict[str, str] = {
    "diameter_mm": "diameter of a polyp, mm",
    "area_mm2": "area of a polyp, mm2",
    "wound_mm2": "wound of a polyp, mm2",
    "n_mouths": "mouths of a polyp",
    "count": "polyps on the photo",
    "all mouths": "mouths on the photo",
}
"""What is compared, in words."""


def repeats_rows(found: Repeats) -> list[tuple[str, ...]]:
    """Return a row for each size: what, how many, mean, SD, its interval, percent, detectable."""
    return [
        (
            REPEATED[name],
            str(one.n),
            _text(one.mean),
            _text(one.sd),
            f"{_text(one.sd_ci[0])} to {_text(one.sd_ci[1])}" if one.n else "-",
            _text(one.percent, 1),
            _text(one.detectable),
        )
        for name, one in found.sizes.items()
    ]


def repeats_lines(found: Repeats) -> list[str]:
    """Return what else is to be said."""
    lines = [
        f"{len(found.polyps)} polyps on {found.n_photos} photos, {found.n_everywhere} of them on "
        "all. A change smaller than the smallest detectable one may be chance; what all photos "
        "share (print scale, height of the discs) is not in it: read --explain shows that."
    ]
    if found.hours > 1:
        lines.append(
            f"The photos span {found.hours:.1f} hours: discs open and close meanwhile, and that "
            "counts as difference here. Take the photos within minutes."
        )
    if found.n_everywhere < len(found.polyps) / 2:
        lines.append(
            "Fewer than half of the polyps are on all photos. Do all photos show the same plate, "
            "whole?"
        )
    return lines


def repeats_record(found: Repeats) -> dict[str, Any]:
    """Return the comparison as plain JSON values; NaN is written as None."""
    record: dict[str, Any] = plain(
        {
            "photos": found.n_photos,
            "polyps": len(found.polyps),
            "on_all_photos": found.n_everywhere,
            "hours": found.hours,
            "sizes": {
                name: {
                    "n": one.n,
                    "degrees_of_freedom": one.freedom,
                    "mean": one.mean,
                    "sd": one.sd,
                    "sd_ci": one.sd_ci,
                    "smallest_detectable_change": one.detectable,
                }
                for name, one in found.sizes.items()
            },
        }
    )
    return record


def _text(value: float, digits: int = 2) -> str:
    return "-" if math.isnan(value) else f"{value:.{digits}f}"
