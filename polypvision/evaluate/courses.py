"""Made-up plates through time with the truth known: wounds that close and discs that grow.

Not painted: numbers as the photos of a plate would give them, with the errors that such numbers
have. Nothing here uses the forms of ``healing/`` and ``growth/``; wounds gape, close in shapes
between theirs or by the same part a day, and discs grow in three ways.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial

import numpy as np
from numpy.typing import NDArray

from polypvision.events import LogEntry
from polypvision.reading import PhotoFacts, PlateReading, Polyp, Scale
from polypvision.track import Individual, Observation, PlateMotion, PlateTracks, TrackedPhoto

Floats = NDArray[np.float64]
Curve = Callable[[Floats], Floats]

START = datetime(2031, 3, 4, 10, 15, tzinfo=UTC)
WOUND_DAYS = (0, 3, 7, 10, 14, 21, 28, 35, 42, 49, 56, 63, 70, 77, 84, 98, 112, 126, 140)
"""Photos after a cut: common practice (days 0, 3, 7, 14 ...), one more in the second week."""
GROWTH_DAYS = (0, 3, 7, 14, 21, 28, 42, 56)
SIZE_DAYS = tuple(range(0, 183, 14))
_OWN_PART = 0.45
_CLOSED_MM2 = 2.0


@dataclass(frozen=True, kw_only=True, eq=False)
class MadePlate:
    """A plate as its photos would read it, and what is true of it.

    Attributes
    ----------
    tracks : PlateTracks
        Its photos up to the day on which forecasts are made.
    log : tuple of LogEntry
    truth : mapping of str to float
        By individual: the day on which its wound is closed, its rate a day, or the day on which it
        has the size of ``sizes``.
    sizes : mapping of str to float
        By individual: the diameter asked for, mm.
    """

    tracks: PlateTracks
    log: tuple[LogEntry, ...]
    truth: Mapping[str, float]
    sizes: Mapping[str, float]


def _polyp(
    label: int, diameter_mm: float, wound_mm2: float, wound_err: float, margin_mm: float
) -> Polyp:
    nothing = np.zeros((0, 2))
    return Polyp(
        label=label,
        x_mm=40.0 * label,
        y_mm=40.0,
        x_px=240.0 * label,
        y_px=240.0,
        outline_px=nothing,
        outline_mm=nothing,
        diameter_mm=diameter_mm,
        diameter_mm_err=0.01 * diameter_mm,
        feret_max_mm=diameter_mm,
        area_mm2=float(np.pi * diameter_mm**2 / 4),
        area_mm2_err=float(0.02 * np.pi * diameter_mm**2 / 4),
        two_mouths_probability=0.0,
        wound_mm2=wound_mm2,
        wound_mm2_err=wound_err,
        wound_margin_mm=margin_mm,
        colour_lab=(50.0, 10.0, 20.0),
        score=1.0,
    )


def made_tracks(days: Sequence[float], polyps: Sequence[Sequence[Polyp | None]]) -> PlateTracks:
    """Return tracks of polyps that are known from photo to photo.

    Parameters
    ----------
    days : sequence of float
        Of the photos.
    polyps : sequence of sequence of Polyp or None
        For each individual, one per photo; None where it was not seen.
    """
    photos, shas = [], []
    names = [f"P{index + 1:02d}" for index in range(len(polyps))]
    for number, day in enumerate(days):
        shas.append(f"{number:064x}")
        there = [(row[number], name) for row, name in zip(polyps, names, strict=True)]
        reading = PlateReading(
            facts=PhotoFacts(
                photo=f"{number}.jpg", sha256=shas[-1], taken_at=START + timedelta(days=day)
            ),
            plate="0042",
            scale=Scale(mm_per_px=0.1, mm_per_px_err=0.0005, source="card"),
            polyps=tuple(polyp for polyp, _ in there if polyp is not None),
        )
        photos.append(
            TrackedPhoto(
                reading=reading,
                taken_at=START + timedelta(days=day),
                day=float(day),
                motion=PlateMotion(),
                names={polyp.label: name for polyp, name in there if polyp is not None},
            )
        )
    individuals = [
        Individual(
            name=name,
            observations=tuple(
                Observation(
                    sha256=photo.sha256,
                    taken_at=photo.taken_at,
                    label=polyp.label,
                    day=photo.day,
                    x_mm=polyp.x_mm,
                    y_mm=polyp.y_mm,
                    outline_mm=polyp.outline_mm,
                    polyp=polyp,
                )
                for photo, polyp in zip(photos, row, strict=True)
                if polyp is not None
            ),
        )
        for name, row in zip(names, polyps, strict=True)
    ]
    return PlateTracks(plate="0042", photos=tuple(photos), individuals=tuple(individuals))


@dataclass(frozen=True, kw_only=True)
class _Wound:
    """How one made-up wound closes."""

    area_mm2: float
    delay_days: float
    gape: float
    closing_days: float
    power: float
    exponential: bool
    margin_share: float

    def area(self, days: Floats) -> Floats:
        since = np.maximum(days - self.delay_days, 0.0)
        if self.exponential:
            left = np.exp(-np.log(20.0) * since / self.closing_days)
        else:
            left = np.clip(1 - since / self.closing_days, 0.0, 1.0) ** self.power
        return np.asarray(self.area_mm2 * left * (1 + self.gape * np.exp(-((days / 2 - 1) ** 2))))

    def margin(self, area: Floats) -> Floats:
        first = 3.0 * np.sqrt(self.area_mm2)
        return np.asarray(first * (area / self.area_mm2) ** self.margin_share)

    def closed_day(self) -> float:
        days = np.linspace(0.0, 3000.0, 60_001)
        return float(days[np.flatnonzero(self.area(days) < _CLOSED_MM2)[0]])


def _draw_wounds(rng: np.random.Generator, n: int) -> list[_Wound]:
    """Return the wounds of one plate: alike in speed and shape, but not the same."""
    middle = float(np.exp(rng.normal(np.log(28.0), 0.35)))
    power = float(rng.uniform(1, 3))
    exponential = bool(rng.random() < 0.25)
    # An area falls by the same part a day because its margin shortens, or because it slows down.
    slows = bool(rng.random() < 0.5)
    wounds = []
    for _ in range(n):
        own = float(np.clip(power + rng.normal(0, 0.2), 1, 4))
        share = (0.5 if slows else 1.0) if exponential else 1 - 1 / own
        wounds.append(
            _Wound(
                area_mm2=float(rng.uniform(15, 90)),
                delay_days=float(rng.uniform(0, 6)),
                gape=float(rng.uniform(0, 0.3) * (rng.random() < 0.6)),
                closing_days=float(middle * np.exp(rng.normal(0, 0.3))),
                power=own,
                exponential=exponential,
                margin_share=share,
            )
        )
    return wounds


def healing_plate(rng: np.random.Generator, n: int = 8) -> MadePlate:
    """Return a plate of pieces cut on day 0, up to half of the median time to closure.

    Four photos at least. An area carries an error of its own, one that all photos of the plate
    share, and 5 % of what the wound itself does. ``truth`` holds the wounds that are still open
    (above 2 mm2) on the last photo.
    """
    wounds = _draw_wounds(rng, n)
    closed = np.array([one.closed_day() for one in wounds])
    half = max(float(np.median(closed)) / 2, WOUND_DAYS[3])
    days = np.array([day for day in WOUND_DAYS if day <= half], np.float64)
    common = rng.normal()
    open_by = np.exp(rng.normal(0, 0.02, len(days)))
    rows = []
    for label, wound in enumerate(wounds, start=1):
        area = wound.area(days)
        margin = wound.margin(area) * np.exp(0.12 * rng.normal(size=len(days)))
        err = np.hypot(0.012 * area, 0.2 * margin)
        own = _OWN_PART * err * rng.normal(size=len(days))
        shared = np.sqrt(1 - _OWN_PART**2) * err * common
        read = area * open_by**2 * (1 + 0.05 * rng.normal(size=len(days))) + own + shared
        read = np.where(read < 0.35, 0.0, read)
        rows.append(
            [
                _polyp(label, 20.0, float(a), float(e) if a > 0 else 0.2, float(m))
                for a, e, m in zip(read, err, margin, strict=True)
            ]
        )
    cut = LogEntry(plate="0042", at=START, kind="cut")
    truth = {f"P{index + 1:02d}": float(day) for index, day in enumerate(closed) if day > days[-1]}
    return MadePlate(tracks=made_tracks(days.tolist(), rows), log=(cut,), truth=truth, sizes={})


def _draw_growth(rng: np.random.Generator, n: int) -> list[Curve]:
    """Return how the discs of one plate grow: evenly, by the same part, or ever slower."""
    middle = rng.normal(0.0025, 0.0012)
    curves: list[Curve] = []
    for _ in range(n):
        first, rate = float(rng.uniform(12, 30)), float(middle + rng.normal(0, 0.0008))
        largest = first * float(rng.uniform(2, 4))
        way = int(rng.integers(3))
        if way == 0:
            curves.append(partial(_by_part, first, rate))
        elif way == 1:
            curves.append(partial(_evenly, first, rate))
        else:
            curves.append(partial(_ever_slower, first, rate, largest))
    return curves


def _by_part(first: float, rate: float, days: Floats) -> Floats:
    return np.asarray(first * np.exp(rate * days))


def _evenly(first: float, rate: float, days: Floats) -> Floats:
    return np.asarray(first * (1 + rate * days))


def _ever_slower(first: float, rate: float, largest: float, days: Floats) -> Floats:
    slowing = rate * first / (largest - first)
    return np.asarray(largest - (largest - first) * np.exp(-slowing * days))


def draw_expansion(rng: np.random.Generator, n: int) -> Floats:
    """Return ln of how far the discs are open on each photo.

    Mostly within 1.5 %; on a quarter of the photos contracted by 5 to 22 % (that discs contract
    together is common practice; the figures are own choices, no source).
    """
    usual = rng.normal(0, 0.015, n)
    return np.asarray(usual - (rng.random(n) < 0.25) * rng.uniform(0.05, 0.25, n), np.float64)


def growth_plate(
    rng: np.random.Generator, n: int = 8, *, days: Sequence[float] = GROWTH_DAYS, until: int = 0
) -> MadePlate:
    """Return a plate of growing discs with contraction; each size also wobbles by 2 %.

    One sighting in twenty is missing.

    Parameters
    ----------
    rng : numpy.random.Generator
    n : int
        Polyps.
    days : sequence of float
        Of the photos.
    until : int
        So many photos are taken, the rest is ahead: then ``truth`` holds the days ahead on which
        the sizes are reached, of those that grow to it. With 0 all are taken, and it holds the
        specific growth rates a day from first to last.
    """
    every = np.asarray(days, np.float64)
    seen = every[: until or None]
    curves = _draw_growth(rng, n)
    expansion = draw_expansion(rng, len(seen))
    rows: list[list[Polyp | None]] = []
    truth, sizes = {}, {}
    for label, curve in enumerate(curves, start=1):
        read = curve(seen) * np.exp(expansion + 0.02 * rng.normal(size=len(seen)))
        there = rng.random(len(seen)) > 0.05
        rows.append(
            [
                _polyp(label, float(size), 0.0, 0.2, 0.0) if is_there else None
                for size, is_there in zip(read, there, strict=True)
            ]
        )
        if there.sum() < 4:
            continue
        name = f"P{label:02d}"
        first, last = (float(one) for one in curve(seen[[0, -1]]))
        if not until:
            truth[name] = float(np.log(last / first) / (seen[-1] - seen[0]))
            continue
        ahead = rng.uniform(seen[-1] + 5, 1.05 * every[-1])
        then = float(curve(np.array([ahead]))[0])
        if then > 1.01 * last:
            truth[name], sizes[name] = float(ahead), then
    return MadePlate(tracks=made_tracks(seen.tolist(), rows), log=(), truth=truth, sizes=sizes)
