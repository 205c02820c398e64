"""Propagation rooms of made-up pieces whose whole life is known, and what their photos tell.

For judging forecasts: a room is drawn by chance, its plates are read until some day, and what the
forecast of that day said is held against what became of them.
"""

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import exp, log, pi

import numpy as np
from numpy.typing import NDArray

from polypvision.events import CutMethod, LogEntry
from polypvision.reading import Mouth, PhotoFacts, PlateReading, Polyp, Scale
from polypvision.track import Individual, Observation, PlateMotion, PlateTracks, TrackedPhoto

START = datetime(2031, 3, 4, 10, 15, tzinfo=UTC)
PHOTO_DAYS = (0, 3, 7, 14, 21, 28, 42, 56)
_METHODS: tuple[CutMethod, ...] = ("halves", "quarters")


@dataclass(frozen=True, kw_only=True)
class RoomSettings:
    """What rooms are like; each room draws its own habits within these ranges.

    Attributes
    ----------
    n_plates, n_pieces : int
        Plates of a room, and pieces on each.
    sealed_days, mouth_days_later : tuple of 2 floats
        Median days to a closed wound, and from there to a mouth.
    spread : float
        Standard deviation of the logarithm of both, from piece to piece.
    stalled_share : float
        Wounds that never close.
    raw_loss_per_day, whole_loss_per_day : tuple of 2 floats
        Rate of loss with a wound open, and without.
    growth_per_week : tuple of 2 floats
        Of the diameter, as a part of it; the mean of a room.
    growth_sd : float
        From piece to piece.
    diameter_mm : tuple of 2 floats
        On the day of the cut.
    expansion_sd, own_expansion_sd : float
        Standard deviation of the logarithm of how far all polyps of an ordinary photo are open
        together, and each for itself.
    contracted_share, contracted_by : float, tuple of 2 floats
        Photos on which all polyps of a plate are contracted, and by how much.
    missed_mouths : float
        Share of mouths not seen.
    """

    n_plates: int = 4
    n_pieces: int = 12
    sealed_days: tuple[float, float] = (9.0, 20.0)
    mouth_days_later: tuple[float, float] = (3.0, 12.0)
    spread: float = 0.3
    stalled_share: float = 0.04
    raw_loss_per_day: tuple[float, float] = (0.001, 0.008)
    whole_loss_per_day: tuple[float, float] = (0.0002, 0.002)
    growth_per_week: tuple[float, float] = (0.008, 0.025)
    growth_sd: float = 0.006
    diameter_mm: tuple[float, float] = (12.0, 24.0)
    expansion_sd: float = 0.025
    own_expansion_sd: float = 0.02
    contracted_share: float = 0.15
    contracted_by: tuple[float, float] = (0.03, 0.15)
    missed_mouths: float = 0.03


@dataclass(frozen=True, kw_only=True)
class TruePiece:
    """The whole life of a piece; days count from its cut.

    Attributes
    ----------
    diameter_mm, growth_per_day : float
        At rest on day 0, and its specific growth rate.
    wound_mm2 : float
        On day 0.
    sealed_day, mouth_day, lost_day : float
        Infinite if never.
    """

    diameter_mm: float
    growth_per_day: float
    wound_mm2: float
    sealed_day: float
    mouth_day: float
    lost_day: float

    def diameter_at(self, day: float) -> float:
        """Return its diameter at rest, mm."""
        return self.diameter_mm * exp(self.growth_per_day * day)

    def wound_at(self, day: float) -> float:
        """Return its open wound, mm2: the margin advances evenly."""
        if np.isinf(self.sealed_day):
            return self.wound_mm2
        return self.wound_mm2 * float(max(1 - day / self.sealed_day, 0.0) ** 1.5)

    def ready_on(self, day: float, size_mm: float) -> bool:
        """Whether it lives, is sealed, has a mouth and is large enough on a day."""
        return (
            max(self.sealed_day, self.mouth_day) <= day < self.lost_day
            and self.diameter_at(day) >= size_mm
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class TruePlate:
    """A plate of a room: its pieces, and how far open they were on each photo."""

    name: str
    pieces: tuple[TruePiece, ...]
    tracks: PlateTracks
    log: tuple[LogEntry, ...]


def _between(rng: np.random.Generator, ends: tuple[float, float]) -> float:
    return float(rng.uniform(*ends))


def _lost_day(rng: np.random.Generator, sealed: float, raw: float, whole: float) -> float:
    """Return the day of loss of a piece whose risk changes as it seals."""
    day = float(rng.exponential(1 / raw))
    return day if day < sealed else sealed + float(rng.exponential(1 / whole))


def draw_room(
    settings: RoomSettings, until_day: float, rng: np.random.Generator
) -> tuple[TruePlate, ...]:
    """Return a room with its plates photographed until a day.

    Parameters
    ----------
    settings : RoomSettings
    until_day : float
        Photos are those of `PHOTO_DAYS` up to and on this day.
    rng : numpy.random.Generator
    """
    sealed = _between(rng, settings.sealed_days)
    later = _between(rng, settings.mouth_days_later)
    raw, whole = (
        float(np.exp(_between(rng, (log(ends[0]), log(ends[1])))))
        for ends in (settings.raw_loss_per_day, settings.whole_loss_per_day)
    )
    growth = _between(rng, settings.growth_per_week)

    def piece() -> TruePiece:
        closes = float(sealed * np.exp(settings.spread * rng.normal()))
        closes = float("inf") if rng.random() < settings.stalled_share else closes
        diameter = _between(rng, settings.diameter_mm)
        return TruePiece(
            diameter_mm=diameter,
            growth_per_day=float(rng.normal(growth, settings.growth_sd)) / 7,
            wound_mm2=0.16 * diameter**2 * float(np.exp(0.2 * rng.normal())),
            sealed_day=closes,
            mouth_day=closes + float(later * np.exp(settings.spread * rng.normal())),
            lost_day=_lost_day(rng, closes, raw, whole),
        )

    days = tuple(day for day in PHOTO_DAYS if day <= until_day)
    return tuple(
        _plate(
            f"{n + 1:04d}", tuple(piece() for _ in range(settings.n_pieces)), days, settings, rng
        )
        for n in range(settings.n_plates)
    )


def _plate(
    name: str,
    pieces: tuple[TruePiece, ...],
    days: tuple[int, ...],
    settings: RoomSettings,
    rng: np.random.Generator,
) -> TruePlate:
    photos: list[TrackedPhoto] = []
    sightings: list[list[Observation]] = [[] for _ in pieces]
    for day in days:
        expansion = float(np.exp(settings.expansion_sd * rng.normal()))
        if rng.random() < settings.contracted_share:
            expansion *= 1 - _between(rng, settings.contracted_by)
        there = [n for n, one in enumerate(pieces) if one.lost_day > day]
        polyps = tuple(_polyp(n, pieces[n], day, expansion, settings, rng) for n in there)
        photo = _photo(name, day, polyps)
        photos.append(photo)
        for n, polyp in zip(there, polyps, strict=True):
            sightings[n].append(_observation(photo, polyp))
    individuals = tuple(
        Individual(
            name=f"P{n + 1:02d}",
            observations=tuple(seen),
            end=None if seen[-1].day == days[-1] else "lost",
        )
        for n, seen in enumerate(sightings)
        if seen
    )
    cut = LogEntry(
        plate=name,
        at=START,
        kind="cut",
        pieces=len(pieces),
        method=_METHODS[int(name) % len(_METHODS)],
        donor=f"donor {name}",
    )
    tracks = PlateTracks(plate=name, photos=tuple(photos), individuals=individuals)
    return TruePlate(name=name, pieces=pieces, tracks=tracks, log=(cut,))


def _circle(x_mm: float, y_mm: float, diameter_mm: float) -> NDArray[np.float64]:
    angle = np.linspace(0, 2 * pi, 24, endpoint=False)
    round_ = np.column_stack([np.cos(angle), np.sin(angle)])
    return np.asarray((x_mm, y_mm) + diameter_mm / 2 * round_, dtype=np.float64)


def _polyp(
    n: int,
    piece: TruePiece,
    day: float,
    expansion: float,
    settings: RoomSettings,
    rng: np.random.Generator,
) -> Polyp:
    x_mm, y_mm = 20 + 40.0 * (n % 4), 20 + 40.0 * (n // 4)
    own = float(np.exp(settings.own_expansion_sd * rng.normal()))
    diameter_err = 0.008 * piece.diameter_mm
    true_mm = piece.diameter_at(day) * expansion * own
    diameter = max(true_mm + float(rng.normal(0, diameter_err)), 1.0)
    wound = piece.wound_at(day)
    wound_err = 0.5 + 0.08 * wound
    # The part of the error that changes from photo to photo.
    wound = max(wound + float(rng.normal(0, 0.45 * wound_err)), 0.0) if wound > 1 else 0.0
    has_mouth = piece.mouth_day <= day and rng.random() >= settings.missed_mouths
    mouth = Mouth(x_px=6 * x_mm, y_px=6 * y_mm, x_mm=x_mm, y_mm=y_mm, score=0.9)
    outline = _circle(x_mm, y_mm, diameter)
    return Polyp(
        label=n + 1,
        x_mm=x_mm,
        y_mm=y_mm,
        x_px=6 * x_mm,
        y_px=6 * y_mm,
        outline_px=6 * outline,
        outline_mm=outline,
        diameter_mm=diameter,
        diameter_mm_err=diameter_err,
        feret_max_mm=diameter,
        area_mm2=pi * diameter**2 / 4,
        area_mm2_err=pi * diameter * diameter_err / 2,
        mouths=(mouth,) if has_mouth else (),
        two_mouths_probability=0.02,
        wound_mm2=wound,
        wound_mm2_err=wound_err,
        wound_margin_mm=3.0 * float(np.sqrt(wound)),
        colour_lab=(50.0, 10.0, 20.0),
        score=0.95,
        flags=("wound",) if wound > 2 else (),
    )


def _photo(plate: str, day: float, polyps: tuple[Polyp, ...]) -> TrackedPhoto:
    when = START + timedelta(days=day)
    name = f"{plate}-{when:%Y-%m-%d}.jpg"
    sha256 = hashlib.sha256(name.encode()).hexdigest()
    return TrackedPhoto(
        reading=PlateReading(
            facts=PhotoFacts(photo=name, sha256=sha256, taken_at=when),
            plate=plate,
            scale=Scale(mm_per_px=1 / 6, mm_per_px_err=0.0005, source="card"),
            polyps=polyps,
        ),
        taken_at=when,
        day=day,
        motion=PlateMotion(),
        names={polyp.label: f"P{polyp.label:02d}" for polyp in polyps},
    )


def _observation(photo: TrackedPhoto, polyp: Polyp) -> Observation:
    return Observation(
        sha256=photo.sha256,
        taken_at=photo.taken_at,
        label=polyp.label,
        day=photo.day,
        x_mm=polyp.x_mm,
        y_mm=polyp.y_mm,
        outline_mm=polyp.outline_mm,
        polyp=polyp,
    )
