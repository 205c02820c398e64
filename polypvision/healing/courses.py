"""The wound of every individual through time, and in a word how it stands."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import numpy as np

from polypvision.events import LogEntry
from polypvision.healing.closure import linear_advance, percentage_closure
from polypvision.reading import Polyp
from polypvision.track import Individual, Observation, PlateTracks
from polypvision.words import counted

WoundStatus = Literal["no wound", "open", "stalled", "worsening", "closed"]


@dataclass(frozen=True, kw_only=True)
class HealingSettings:
    """What counts as a wound, as closed and as standing still.

    Attributes
    ----------
    least_mm2 : float
        A smaller wound is none: no photo shows it surely. Also the area at which one is closed.
    sigmas : float
        A wound, and a change of one, counts from this many standard uncertainties on.
    stall_days : float
        So long without an advance is a standstill.
    settle_days : float
        A fresh wound often gapes wider before it closes, for about a week (seen in cut stony
        corals); neither standstill nor worsening is judged by what happens in this time.
    blind_share : float
        If an advance by this part of the wound in that time could hide in the error, no standstill
        is claimed: a healing wound usually closes further (one to three weeks in all; common
        practice, no source).
    still_share : float
        Nor if the wound itself reads smaller by this part, sure or not.
    own_part : float
        The part of the stated standard uncertainty that each photo has for itself. The rest is
        common to all photos of a plate: where pale tissue is taken to end, and the card's scale.
        It drops out of a change. On the sample plates the areas of one wound scatter by 0.32 of
        the stated uncertainty about their common error, those of one photo by 0.45.
    uneven : float
        How much a wound's area changes by itself as the disc opens and closes, as a part of it
        (own choice, no source).
    """

    least_mm2: float = 2.0
    sigmas: float = 2.0
    stall_days: float = 10.0
    settle_days: float = 7.0
    blind_share: float = 0.5
    still_share: float = 0.15
    own_part: float = 0.45
    uneven: float = 0.03

    @property
    def common_part(self) -> float:
        """The part of the stated standard uncertainty that is common to all photos of a plate."""
        return float(np.sqrt(1 - self.own_part**2))


@dataclass(frozen=True, kw_only=True)
class WoundPoint:
    """A wound on one photo.

    Attributes
    ----------
    sha256, taken_at, day
        Which photo; days since the plate's first.
    wound_mm2, wound_mm2_err, wound_margin_mm : float
    closure_percent, closure_percent_err : float
        Against the first photo after the cut; NaN before it and where there was no wound.
    advance_mm : float
        Advance of the living margin since then (Gilman 1990); NaN likewise.
    advance_mm_per_day : float
        The same over the days since; NaN also on that photo itself.
    """

    sha256: str
    taken_at: datetime
    day: float
    wound_mm2: float
    wound_mm2_err: float
    wound_margin_mm: float
    closure_percent: float
    closure_percent_err: float
    advance_mm: float
    advance_mm_per_day: float = float("nan")


@dataclass(frozen=True, kw_only=True)
class WoundCourse:
    """The wound of one individual through time.

    Attributes
    ----------
    name : str
    points : tuple of WoundPoint
        One per sighting.
    status : {'no wound', 'open', 'stalled', 'worsening', 'closed'}
        On the last sighting.
    reason : str
        What the status rests on, in a sentence.
    cut_at : datetime or None
        The logged cut that counts.
    baseline_sha256 : str or None
        The photo that closure is counted from.
    """

    name: str
    points: tuple[WoundPoint, ...]
    status: WoundStatus
    reason: str
    cut_at: datetime | None = None
    baseline_sha256: str | None = None

    @property
    def last(self) -> WoundPoint:
        """The wound on the last sighting."""
        return self.points[-1]

    @property
    def wounded(self) -> bool:
        """Whether an open wound was seen last."""
        return self.status in ("open", "stalled", "worsening")


def _seen(observation: Observation, settings: HealingSettings) -> bool:
    """Whether a wound is surely there."""
    polyp = observation.polyp
    error = polyp.wound_mm2_err if np.isfinite(polyp.wound_mm2_err) else 0.0
    return bool(polyp.wound_mm2 > max(settings.least_mm2, settings.sigmas * error))


def _last_cut(
    individual: Individual, tracks: PlateTracks, log: Sequence[LogEntry]
) -> datetime | None:
    """Return the last cut logged for it, for one it came from, or for the whole plate."""
    kin = {individual.name, *tracks.ancestors(individual.name)}
    until = individual.last.taken_at.date()
    # By calendar day: a person writes down the day of a cut, not the minute.
    cuts = [
        entry.at
        for entry in log
        if entry.kind == "cut"
        and (not entry.individuals or kin.intersection(entry.individuals))
        and entry.at.date() <= until
    ]
    return max(cuts, key=lambda at: (at.date(), at.replace(tzinfo=None)), default=None)


def _baseline(
    observations: Sequence[Observation], cut_at: datetime | None, settings: HealingSettings
) -> int | None:
    """Return the index of the first photo after the cut that shows a wound; of the first that
    shows one at all where no cut was logged, or none since then was seen."""
    showing = [n for n, one in enumerate(observations) if _seen(one, settings)]
    if cut_at is not None:
        since = [n for n in showing if observations[n].taken_at.date() >= cut_at.date()]
        return since[0] if since else None
    return showing[0] if showing else None


def change_err(before_err: float, now_err: float, settings: HealingSettings) -> float:
    """Return the standard uncertainty of the change between two areas of one wound, mm2.

    Each photo's own part counts in full; of the common part only by how much it differs between a
    larger and a smaller wound. Unknown errors (NaN) count as none.

    Parameters
    ----------
    before_err, now_err : float
        Standard uncertainties of the two areas as stated, mm2.
    settings : HealingSettings
    """
    before_err, now_err = (0.0 if np.isnan(err) else err for err in (before_err, now_err))
    own = settings.own_part * np.hypot(before_err, now_err)
    return float(np.hypot(own, settings.common_part * (before_err - now_err)))


def _closure_err(first: Polyp, now: Polyp, settings: HealingSettings) -> float:
    """Return the standard uncertainty of the closed percentage, to first order."""
    share = max(now.wound_mm2, 0.0) / first.wound_mm2
    now_err, first_err = now.wound_mm2_err, first.wound_mm2_err * share
    own = settings.own_part * np.hypot(now_err, first_err)
    common = settings.common_part * (now_err - first_err)
    return float(100.0 / first.wound_mm2 * np.hypot(own, common))


def _point(
    observation: Observation, first: Observation | None, settings: HealingSettings
) -> WoundPoint:
    polyp = observation.polyp
    closure = closure_err = advance = speed = float("nan")
    if first is not None and observation.day >= first.day and np.isfinite(polyp.wound_mm2):
        area0, area_t = first.polyp.wound_mm2, max(polyp.wound_mm2, 0.0)
        closure = percentage_closure(area0, area_t)
        # A photo against itself has no error.
        same = observation is first
        closure_err = 0.0 if same else _closure_err(first.polyp, polyp, settings)
        margin0, margin_t = first.polyp.wound_margin_mm, polyp.wound_margin_mm
        if np.isfinite(margin0 + margin_t) and margin0 + margin_t > 0:
            advance = linear_advance(area0, area_t, margin0, margin_t)
            if observation.day > first.day:
                speed = advance / (observation.day - first.day)
    return WoundPoint(
        sha256=observation.sha256,
        taken_at=observation.taken_at,
        day=observation.day,
        wound_mm2=polyp.wound_mm2,
        wound_mm2_err=polyp.wound_mm2_err,
        wound_margin_mm=polyp.wound_margin_mm,
        closure_percent=closure,
        closure_percent_err=closure_err,
        advance_mm=advance,
        advance_mm_per_day=speed,
    )


def _error(point: WoundPoint) -> float:
    return point.wound_mm2_err if np.isfinite(point.wound_mm2_err) else 0.0


def _spread(a: WoundPoint, b: WoundPoint, settings: HealingSettings) -> float:
    """Return the change of area that is still within the uncertainty."""
    uneven = settings.uneven * np.hypot(a.wound_mm2, b.wound_mm2)
    measured = change_err(a.wound_mm2_err, b.wound_mm2_err, settings)
    return settings.sigmas * float(np.hypot(measured, uneven))


def closed_below(point: WoundPoint, settings: HealingSettings) -> float:
    """Return the area, mm2, up to which a photo shows no sure wound any more."""
    return max(settings.least_mm2, settings.sigmas * _error(point))


def _judge(points: Sequence[WoundPoint], settings: HealingSettings) -> tuple[WoundStatus, str]:
    """Return how the wound stands, from its points since the baseline."""
    last = points[-1]
    limit = closed_below(last, settings)
    if last.wound_mm2 <= limit:
        return "closed", f"no wound above {limit:.1f} mm2 on the last photo"
    opening = [one for one in points if one.day - points[0].day <= settings.settle_days]
    widest = max(opening, key=lambda one: (one.wound_mm2, one.day))
    judged = [one for one in points if one.day >= widest.day]
    smallest = min(judged, key=lambda one: (one.wound_mm2, -one.day))
    settled = last.day - points[0].day > settings.settle_days
    grown = last.wound_mm2 - smallest.wound_mm2
    # Half as much again as for one comparison: the smallest of several is small partly by chance.
    surely = max(1.5 * _spread(smallest, last, settings), settings.least_mm2)
    if settled and grown > surely:
        days = last.day - smallest.day
        return "worsening", f"{grown:.1f} mm2 larger than {counted(round(days), 'day')} before"
    before = [one for one in judged if last.day - one.day >= settings.stall_days]
    reference = before[-1] if before else judged[0]
    advance = reference.wound_mm2 - last.wound_mm2
    spread = _spread(reference, last, settings)
    passed = counted(round(last.day - reference.day), "day")
    if advance > max(spread, 0.02 * reference.wound_mm2):
        return "open", f"closing: {advance:.1f} mm2 smaller than {passed} before"
    if not before:
        return "open", "too early to say whether it stands still"
    blind = spread > settings.blind_share * reference.wound_mm2
    if blind or advance > settings.still_share * reference.wound_mm2:
        return "open", (
            f"the change in {passed}, {-advance:+.1f} mm2, is within the error of "
            f"{spread:.1f} mm2: whether it stands still cannot be said"
        )
    return "stalled", f"no advance in {passed} beyond the error of {spread:.1f} mm2"


def wound_courses(
    tracks: PlateTracks,
    log: Sequence[LogEntry] = (),
    settings: HealingSettings | None = None,
) -> tuple[WoundCourse, ...]:
    """Return the wound of every individual through time, in the order of their names.

    Closure is counted from the first photo at or after the last logged cut that shows a wound; a
    cut without an individual concerns the whole plate, one of a parent its daughters. Where no cut
    was logged it is counted from the first photo that shows a wound. It may be negative: a fresh
    wound often gapes before it closes.

    Parameters
    ----------
    tracks : PlateTracks
    log : sequence of LogEntry
    settings : HealingSettings, optional

    Returns
    -------
    tuple of WoundCourse
    """
    settings = settings or HealingSettings()
    courses = []
    for individual in tracks.individuals:
        sightings = individual.observations
        cut_at = _last_cut(individual, tracks, log)
        start = _baseline(sightings, cut_at, settings)
        first = None if start is None else sightings[start]
        points = tuple(_point(one, first, settings) for one in sightings)
        known = [
            one
            for one in points
            if np.isfinite(one.wound_mm2) and (first is None or one.day >= first.day)
        ]
        status: WoundStatus
        if first is None:
            status, reason = "no wound", "no wound was seen"
            own = {individual.name, *tracks.ancestors(individual.name)}
            if cut_at is not None and any(
                entry.kind == "cut" and own.intersection(entry.individuals) for entry in log
            ):
                reason = f"cut logged on {cut_at:%Y-%m-%d}, but no photo since shows a wound"
        else:
            status, reason = _judge(known, settings)
        courses.append(
            WoundCourse(
                name=individual.name,
                points=points,
                status=status,
                reason=reason,
                cut_at=cut_at,
                baseline_sha256=None if first is None else first.sha256,
            )
        )
    return tuple(courses)
