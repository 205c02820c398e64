"""The polyps of one photo in the plate coordinates of the first."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polypvision.reading import PlateReading, Polyp
from polypvision.track.division import Shape
from polypvision.track.individuals import Observation
from polypvision.track.motion import PlateMotion


@dataclass(kw_only=True, eq=False)
class Seen:
    """The polyps of one photo in the plate coordinates of the first."""

    index: int
    reading: PlateReading
    taken_at: datetime
    day: float
    polyps: tuple[Polyp, ...]
    shapes: list[Shape] = field(default_factory=list)
    motion: PlateMotion = field(default_factory=PlateMotion)

    def place(self, motion: PlateMotion) -> None:
        """Put every polyp where the motion carries it."""
        self.motion = motion
        self.shapes = []
        for polyp in self.polyps:
            x_mm, y_mm = motion.apply(np.array([[polyp.x_mm, polyp.y_mm]]))[0]
            self.shapes.append(
                Shape(
                    x_mm=float(x_mm),
                    y_mm=float(y_mm),
                    area_mm2=polyp.area_mm2,
                    diameter_mm=polyp.diameter_mm,
                    outline_mm=motion.apply(polyp.outline_mm),
                )
            )

    def only(self, columns: Sequence[int]) -> "Seen":
        """Return the same photo with these of its polyps alone, where they were placed."""
        return replace(
            self,
            polyps=tuple(self.polyps[column] for column in columns),
            shapes=[self.shapes[column] for column in columns],
        )

    def observation(self, column: int) -> Observation:
        """Return the sighting of the polyp in this column."""
        polyp, shape = self.polyps[column], self.shapes[column]
        return Observation(
            sha256=self.reading.facts.sha256,
            taken_at=self.taken_at,
            label=polyp.label,
            day=self.day,
            x_mm=shape.x_mm,
            y_mm=shape.y_mm,
            outline_mm=shape.outline_mm,
            polyp=polyp,
        )


def xy_of(shapes: Sequence[Shape]) -> NDArray[np.float64]:
    """Return the centroids (n, 2) in mm."""
    return np.array([[one.x_mm, one.y_mm] for one in shapes], dtype=np.float64).reshape(-1, 2)


def shape_of(observation: Observation) -> Shape:
    """Return the polyp of a sighting where and as it was."""
    return Shape(
        x_mm=observation.x_mm,
        y_mm=observation.y_mm,
        area_mm2=observation.polyp.area_mm2,
        diameter_mm=observation.polyp.diameter_mm,
        outline_mm=observation.outline_mm,
    )
