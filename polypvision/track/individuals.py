"""What linking returns: individuals, where each was seen, and what happened to them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from polypvision.events import SeenEvent
from polypvision.reading import PlateReading, Points, Polyp
from polypvision.track.motion import PlateMotion

End = Literal["divided", "lost", "sold", "open"]

_SECONDS_A_DAY = 86400.0


def days_between(start: datetime, end: datetime) -> float:
    """Return the days from one moment to another.

    True elapsed time where both carry an offset from UTC; otherwise the difference of the wall
    clocks, because that is all that is known.

    Examples
    --------
    >>> days_between(datetime(2024, 2, 28), datetime(2024, 3, 1))
    2.0
    """
    if start.tzinfo is None or end.tzinfo is None:
        start, end = start.replace(tzinfo=None), end.replace(tzinfo=None)
    return (end - start).total_seconds() / _SECONDS_A_DAY


@dataclass(frozen=True, kw_only=True, eq=False)
class Observation:
    """One individual on one photo.

    Attributes
    ----------
    sha256, taken_at, label
        Which photo, when, and the polyp's number on it.
    day : float
        Days since the plate's first photo.
    x_mm, y_mm : float
        Centroid in the plate coordinates of the first photo, the plate's own motion removed.
    outline_mm : ndarray (n, 2) of float64
        Outline in the same coordinates.
    polyp : Polyp
        As it was read.
    """

    sha256: str
    taken_at: datetime
    label: int
    day: float
    x_mm: float
    y_mm: float
    outline_mm: Points
    polyp: Polyp


@dataclass(frozen=True, kw_only=True, eq=False)
class Individual:
    """One polyp through time.

    Attributes
    ----------
    name : str
        "P01", "P02" ...
    observations : tuple of Observation
        In date order, at least one.
    parents : tuple of str
        The polyp it came from by division, by a cut or from its foot margin; empty if unknown.
    end : {'divided', 'lost', 'sold', 'open'} or None
        Why it is not seen any more; None while it is there. ``open``: pieces of the plate changed
        places, and which one it is now cannot be told.
    """

    name: str
    observations: tuple[Observation, ...]
    parents: tuple[str, ...] = ()
    end: End | None = None

    @property
    def first(self) -> Observation:
        """The first time it was seen."""
        return self.observations[0]

    @property
    def last(self) -> Observation:
        """The last time it was seen."""
        return self.observations[-1]


@dataclass(frozen=True, kw_only=True, eq=False)
class TrackedPhoto:
    """A photo in its place in time.

    Attributes
    ----------
    reading : PlateReading
    taken_at : datetime
    day : float
        Days since the plate's first photo.
    motion : PlateMotion
        From its plate coordinates to those of the first photo.
    names : mapping of int to str
        The individual's name for every label; a label that shows two polyps as one has none.
    """

    reading: PlateReading
    taken_at: datetime
    day: float
    motion: PlateMotion
    names: Mapping[int, str]

    @property
    def sha256(self) -> str:
        """Hash of the photo's bytes."""
        return self.reading.facts.sha256


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateTracks:
    """One plate through time.

    Attributes
    ----------
    plate : str or None
    normal_mouths : int
        Mouths that are normal for the line.
    photos : tuple of TrackedPhoto
        In date order.
    individuals : tuple of Individual
        In the order of their names.
    events : tuple of SeenEvent
        In date order.
    remarks : tuple of str
        What a person must know of the photos as a whole, such as one left out for its date.
    given : mapping of str to str
        What people call individuals, by the names that linking gave them.
    """

    plate: str | None
    normal_mouths: int = 1
    photos: tuple[TrackedPhoto, ...] = ()
    individuals: tuple[Individual, ...] = ()
    events: tuple[SeenEvent, ...] = ()
    remarks: tuple[str, ...] = ()
    given: Mapping[str, str] = field(default_factory=dict)

    def individual(self, name: str) -> Individual:
        """Return the individual of that name.

        Raises
        ------
        KeyError
            If there is none.
        """
        for one in self.individuals:
            if one.name == name:
                return one
        raise KeyError(name)

    def day_of(self, when: datetime) -> float:
        """Return the days since the first photo; NaN without any photo."""
        if not self.photos:
            return float("nan")
        return days_between(self.photos[0].taken_at, when)

    def ancestors(self, name: str) -> tuple[str, ...]:
        """Return the names of its parents, their parents and so on, nearest first."""
        found: list[str] = []
        queue = list(self.individual(name).parents)
        while queue:
            parent = queue.pop(0)
            if parent not in found:
                found.append(parent)
                queue.extend(self.individual(parent).parents)
        return tuple(found)
