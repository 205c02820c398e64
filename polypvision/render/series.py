"""A plate on many dates as readings with exact truth, without painting a picture.

Hundreds of series in a minute, for judging what works on time: who is who, healing, growth,
outcomes. What a reading gets wrong (missed, false and joined polyps, contraction, noise of sizes
and mouths) comes in by chance at set rates.
"""

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from polypvision.events import CutMethod
from polypvision.reading import PhotoFacts, PlateReading, Polyp, Scale
from polypvision.render.series_lives import (
    TRAITS,
    Healing,
    MethodTraits,
    TruePolyp,
    halves_of,
    margin_daughter,
    whole_or_piece,
    with_division,
)
from polypvision.render.series_polyps import Look, join, read_false, read_polyp

START = datetime(2031, 3, 4, 10, 15, tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class SeriesSettings:
    """What a series is like. The defaults are a hard but ordinary plate.

    Attributes
    ----------
    n_polyps, pitch_mm : int, float
        On day 0, about one pitch apart on a square.
    days : tuple of float
        Of the photos planned.
    n_missing_dates : int
        Of them, not the first nor the last, no photo was taken.
    n_divisions, n_forming, n_losses, n_births : int
        Polyps that divide in the time of the photos; that have two mouths but divide only
        afterwards; that are lost; and foot-margin daughters.
    methods : tuple of {'halves', 'quarters', 'margin', None}
        Ways of cutting, given to the polyps of day 0 in turn.
    traits : mapping
        How the pieces of each way fare.
    healing, stalled_share
        Law of closure, and share of wounds that never advance.
    shift_mm, turn_deg, turned_share : float
        The plate is laid up to so far away on each axis and turned by up to so much; in this share
        of the photos it is turned by any angle.
    creep_mm : float
        Most that a polyp creeps in the time of the photos.
    nudged_share, nudge_mm : float
        Share of tiles that a hand pushes between two photos, and the farthest it pushes.
    rearranged_at, n_rearranged : int or None, int
        Before the photo of this number so many pieces change places.
    expansion_sd, own_expansion_sd : float
        Standard deviation of the logarithm of the expansion that all polyps of a photo share, and
        of each one's own.
    colour_sd : float
        Standard deviation of each CIELAB value from polyp to polyp.
    missed_rate, false_rate, joined_rate : float
        Of the polyps there: not read; read where there is none; and of pairs nearer than 1 mm,
        read as one.
    """

    n_polyps: int = 16
    pitch_mm: float = 36.0
    days: tuple[float, ...] = (0, 3, 7, 14, 21, 28, 42, 56)
    n_missing_dates: int = 1
    n_divisions: int = 2
    n_forming: int = 1
    n_losses: int = 2
    n_births: int = 2
    methods: tuple[CutMethod | None, ...] = (None,)
    traits: Mapping[CutMethod | None, MethodTraits] = field(default_factory=lambda: TRAITS)
    healing: Healing = "margin"
    stalled_share: float = 0.0
    shift_mm: float = 10.0
    turn_deg: float = 8.0
    turned_share: float = 0.3
    creep_mm: float = 10.0
    nudged_share: float = 0.01
    nudge_mm: float = 5.0
    rearranged_at: int | None = None
    n_rearranged: int = 0
    expansion_sd: float = 0.05
    own_expansion_sd: float = 0.03
    colour_sd: float = 3.0
    missed_rate: float = 0.01
    false_rate: float = 0.005
    joined_rate: float = 0.05


@dataclass(frozen=True, kw_only=True, eq=False)
class SeriesPhoto:
    """One photo of a series: what was read, and what is true.

    Attributes
    ----------
    reading : PlateReading
    day : float
        Days since the first photo.
    names : mapping of int to str
        True name of every label that shows one polyp; a false reading is not in it.
    joined : mapping of int to tuple of str
        Names of those that a label shows as one, the larger first.
    there : tuple of str
        Names of all on the plate, read or not.
    expansion : float
        Factor by which all diameters of this photo are larger than at rest.
    turn_deg, shift_mm : float, tuple of 2 floats
        How the plate lies against the first photo: turned about its middle, then shifted.
    rearranged : tuple of str
        Names of those that changed places since the photo before.
    """

    reading: PlateReading
    day: float
    names: Mapping[int, str]
    joined: Mapping[int, tuple[str, ...]]
    there: tuple[str, ...]
    expansion: float
    turn_deg: float
    shift_mm: tuple[float, float]
    rearranged: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Series:
    """A plate on many dates with the truth behind it."""

    plate: str
    photos: tuple[SeriesPhoto, ...]
    polyps: Mapping[str, TruePolyp]

    @property
    def readings(self) -> tuple[PlateReading, ...]:
        """What was read, in date order."""
        return tuple(photo.reading for photo in self.photos)


def simulate_series(
    rng: np.random.Generator, settings: SeriesSettings | None = None, *, plate: str = "0042"
) -> Series:
    """Return an invented plate on its dates.

    Parameters
    ----------
    rng : numpy Generator
    settings : SeriesSettings, optional
    plate : str
        Name of the plate; readings of two series of one name have the same hashes.
    """
    settings = settings or SeriesSettings()
    polyps = _invent(settings, rng)
    inner = np.arange(1, len(settings.days) - 1)
    n_missing = min(settings.n_missing_dates, len(inner))
    missing = set(rng.choice(inner, n_missing, replace=False).tolist()) if n_missing else set()
    pushed = {one.tile: np.zeros(2) for one in polyps}
    photos: list[SeriesPhoto] = []
    elsewhere: tuple[str, ...] = ()
    for visit, day in enumerate(settings.days):
        if visit:
            _push(pushed, settings, rng)
        if visit == settings.rearranged_at:
            elsewhere = _rearrange(pushed, polyps, day, settings.n_rearranged, rng)
        if visit in missing:
            continue
        photo = _photograph(polyps, pushed, plate, day, len(photos), settings, rng)
        # With the date itself missing, the next photo shows it.
        photos.append(replace(photo, rearranged=elsewhere))
        elsewhere = ()
    return Series(plate=plate, photos=tuple(photos), polyps={one.name: one for one in polyps})


def _invent(settings: SeriesSettings, rng: np.random.Generator) -> list[TruePolyp]:
    side = math.ceil(math.sqrt(settings.n_polyps))
    spread = settings.pitch_mm * 0.12
    polyps = []
    methods = settings.methods
    for n in range(settings.n_polyps):
        row, column = divmod(n, side)
        place = 25.0 + settings.pitch_mm * np.array([column, row]) + rng.uniform(-spread, spread, 2)
        method = methods[n % len(methods)]
        one = whole_or_piece(
            f"T{n + 1:02d}",
            place,
            method,
            settings.traits[method],
            healing=settings.healing,
            stalled=bool(rng.random() < settings.stalled_share),
            colour_sd=settings.colour_sd,
            rng=rng,
        )
        polyps.append(one)
    _let_creep(polyps, settings, rng)
    _let_happen(polyps, settings, rng)
    return polyps


def _let_creep(polyps: list[TruePolyp], settings: SeriesSettings, rng: np.random.Generator) -> None:
    """Give each a slow way over the plate that ends on free ground."""
    last = max(settings.days)
    if last == 0 or settings.creep_mm == 0:
        return
    for n, one in enumerate(polyps):
        reach = min(abs(float(rng.normal(0, settings.creep_mm / 2.5))), settings.creep_mm)
        for angle in rng.uniform(0, 2 * math.pi, 8):
            step = reach / last * np.array([math.cos(angle), math.sin(angle)])
            moved = replace(one, creep_mm_per_day=(float(step[0]), float(step[1])))
            if all(_apart(moved, other, last) for m, other in enumerate(polyps) if m != n):
                polyps[n] = moved
                break


def _apart(one: TruePolyp, other: TruePolyp, day: float) -> bool:
    gap = float(np.hypot(*(one.place_mm(day) - other.place_mm(day))))
    return gap > 0.6 * (one.diameter_on(day) + other.diameter_on(day))


def _let_happen(
    polyps: list[TruePolyp], settings: SeriesSettings, rng: np.random.Generator
) -> None:
    """Let some divide, be lost and get daughters, each polyp one of these at most."""
    last = max(settings.days)
    # Only one that is not a wounded piece divides or has daughters in this time.
    whole = [n for n, one in enumerate(polyps) if one.method is None and one.fate is None]
    whole = [int(n) for n in rng.permutation(whole)]
    dividing = settings.n_divisions + settings.n_forming
    added: list[TruePolyp] = []
    for number, n in enumerate(whole[:dividing]):
        inside = number < settings.n_divisions
        day = float(rng.uniform(0.1, 1.0) * last if inside else rng.uniform(1.05, 1.9) * last)
        polyps[n] = with_division(polyps[n], day, rng)
        added += halves_of(polyps[n], rng)
    for n in whole[dividing : dividing + settings.n_births]:
        day = float(rng.uniform(0.0, 1.0) * last)
        added.append(margin_daughter(polyps[n], day, polyps, rng))
    left = [n for n, one in enumerate(polyps) if one.fate is None]
    left = [n for n in left if n not in whole[dividing : dividing + settings.n_births]]
    for n in rng.permutation(left)[: settings.n_losses]:
        day = float(rng.uniform(0.0, 1.0) * last)
        polyps[n] = replace(polyps[n], gone_day=day, fate="lost")
    polyps += added


def _push(
    pushed: dict[str, NDArray[np.float64]], settings: SeriesSettings, rng: np.random.Generator
) -> None:
    for tile in pushed:
        if rng.random() < settings.nudged_share:
            angle, reach = rng.uniform(0, 2 * math.pi), rng.uniform(0.4, 1.0) * settings.nudge_mm
            pushed[tile] = pushed[tile] + reach * np.array([math.cos(angle), math.sin(angle)])


def _rearrange(
    pushed: dict[str, NDArray[np.float64]],
    polyps: list[TruePolyp],
    day: float,
    count: int,
    rng: np.random.Generator,
) -> tuple[str, ...]:
    """Let so many tiles change places in a ring; return whose they are."""
    standing = {one.tile: one for one in polyps if one.there(day) and one.name == one.tile}
    chosen = [str(tile) for tile in rng.permutation(sorted(standing))[:count]]
    places = {tile: standing[tile].place_mm(day) + pushed[tile] for tile in chosen}
    for tile, other in zip(chosen, chosen[1:] + chosen[:1], strict=True):
        pushed[tile] = pushed[tile] + places[other] - places[tile]
    there = [one for one in polyps if one.there(day) and one.tile in chosen]
    return tuple(one.name for one in there) if len(chosen) > 1 else ()


def _photograph(
    polyps: list[TruePolyp],
    pushed: Mapping[str, NDArray[np.float64]],
    plate: str,
    day: float,
    number: int,
    settings: SeriesSettings,
    rng: np.random.Generator,
) -> SeriesPhoto:
    there = [one for one in polyps if one.there(day)]
    any_turn = rng.random() < settings.turned_share
    most = 180.0 if any_turn else settings.turn_deg
    turn_deg = float(rng.uniform(-most, most)) if number else 0.0
    shift = rng.uniform(-settings.shift_mm, settings.shift_mm, 2) if number else np.zeros(2)
    side = math.ceil(math.sqrt(settings.n_polyps))
    middle = np.full(2, 25.0 + settings.pitch_mm * (side - 1) / 2)
    expansion = float(np.exp(rng.normal(0, settings.expansion_sd)))
    look = Look(
        turn_deg=turn_deg,
        middle_mm=middle,
        shift_mm=shift,
        tint=rng.normal(0, 1.5, 3),
        expansion=expansion,
        own_expansion_sd=settings.own_expansion_sd,
    )
    read: list[tuple[Polyp, tuple[str, ...]]] = []
    for one in there:
        missed = settings.missed_rate * (2 if one.diameter_on(day) < 6 else 1)
        if rng.random() >= missed:
            read.append((read_polyp(one, day, pushed[one.tile], look, rng), (one.name,)))
    read = join(read, settings.joined_rate, rng)
    for _ in range(int(rng.poisson(settings.false_rate * len(there)))):
        read.append((read_false(look, settings.pitch_mm * side, rng), ()))
    shuffled = [read[int(n)] for n in rng.permutation(len(read))]
    labelled = list(enumerate(shuffled, start=1))
    when = START + timedelta(days=day, minutes=float(rng.integers(-60, 60)) if number else 0.0)
    name = f"{plate}/{when:%Y-%m-%d}.jpg"
    return SeriesPhoto(
        reading=PlateReading(
            facts=PhotoFacts(
                photo=name, sha256=hashlib.sha256(name.encode()).hexdigest(), taken_at=when
            ),
            plate=plate,
            scale=Scale(mm_per_px=0.1, mm_per_px_err=0.0003, source="card", reprojection_px=0.3),
            polyps=tuple(replace(polyp, label=label) for label, (polyp, _) in labelled),
        ),
        day=day,
        names={label: names[0] for label, (_, names) in labelled if len(names) == 1},
        joined={label: names for label, (_, names) in labelled if len(names) > 1},
        there=tuple(one.name for one in there),
        expansion=expansion,
        turn_deg=turn_deg,
        shift_mm=(float(shift[0]), float(shift[1])),
    )
