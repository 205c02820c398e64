"""One polyp and what became of it: halves of a division, pieces of a cut, foot-margin daughters."""

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from polypvision.events import LogEntry
from polypvision.track.division import (
    THRESHOLD,
    Shape,
    Verdict,
    distance_to,
    gap_mm,
    judge_division,
    judge_one_half,
)
from polypvision.track.seen import Seen, shape_of, xy_of
from polypvision.track.settings import TrackSettings
from polypvision.track.trail import SURE_SCORE, Birth, Trail

_MARGIN_GAP_MM = 2.0
"""A daughter from the foot margin stands this close to its parent (common practice, no source)."""
_MARGIN_SHARE = 0.6
"""... and is at most this part of its diameter."""
_AREA_GROWTH_PER_DAY = 0.0125
"""Fast growth: a disc from 20 to 35 mm in 90 days (common practice, no source)."""
_PIECES = {"halves": 2, "quarters": 4, "margin": 4}
_SHRUNK = 0.75
_UNSURE_LESS = 0.15
"""A half that may be no polyp at all makes a division less sure."""
_HISTORY = 4
"""Sightings looked back on for two mouths: at weekly photos, half of the two months a two-mouth
fission takes (Chen et al. 1995, Zoological Studies 34:29-40, through a handbook)."""


@dataclass(frozen=True, kw_only=True)
class Parting:
    """One individual (its row) that may have become several polyps (their columns)."""

    row: int
    columns: tuple[int, ...]
    verdict: Verdict
    logged: bool = False


def possible_partings(
    trails: Sequence[Trail],
    links: Mapping[int, int],
    seen: Seen,
    log: Sequence[LogEntry],
    normal_mouths: int,
    settings: TrackSettings,
    shared_area: float = 1.0,
) -> list[Parting]:
    """Return who may have become which polyps of this photo: by division, or by a logged cut.

    Parameters
    ----------
    links : mapping of int to int
        Who is where if nobody came apart.
    shared_area : float
        Factor by which all areas of this photo are larger than before.
    """
    free = sorted(set(range(len(seen.shapes))) - set(links.values()))
    xy = xy_of(seen.shapes)
    found: list[Parting] = []
    for row, trail in enumerate(trails):
        own = [links[row]] if row in links else []
        noted = trail.noted(log, seen.taken_at)
        cut = next((one for one in noted if one.kind == "cut" and one.method != "margin"), None)
        if cut is not None:
            pieces = _cut_pieces(shape_of(trail.last), own, free, seen, cut)
            if pieces:
                noted_cut = Verdict(confidence=0.97, evidence=f"cut logged on {cut.at:%Y-%m-%d}")
                found.append(Parting(row=row, columns=pieces, verdict=noted_cut, logged=True))
                continue
        logged = trail.division_noted(log, seen.taken_at)
        for former, days in _parents(trail, seen.day):
            parent = replace(former, area_mm2=former.area_mm2 * shared_area)
            slack = settings.reach_mm(days)
            pairs = [
                (pair, verdict)
                for pair in combinations(_near(parent, xy, slack), 2)
                if (verdict := _judge(trail, parent, pair, seen, slack, days, normal_mouths))
            ]
            for pair, verdict in pairs:
                if min(seen.polyps[column].score for column in pair) < SURE_SCORE:
                    lower = round(verdict.confidence - _UNSURE_LESS, 2)
                    evidence = f"{verdict.evidence}; one of the two was read with doubt"
                    verdict = Verdict(confidence=lower, evidence=evidence)
                if logged:
                    evidence = f"{verdict.evidence}; division logged"
                    verdict = Verdict(confidence=0.97, evidence=evidence)
                if verdict.confidence >= THRESHOLD:
                    found.append(Parting(row=row, columns=pair, verdict=verdict))
            if pairs:
                break
        else:
            found += _single_halves(row, trail, xy, seen, normal_mouths, settings, shared_area)
    return found


def _single_halves(
    row: int,
    trail: Trail,
    xy: NDArray[np.float64],
    seen: Seen,
    normal_mouths: int,
    settings: TrackSettings,
    shared_area: float,
) -> list[Parting]:
    """Return the polyps that may be one half of it while the other was not seen."""
    parent = shape_of(trail.last)
    parent = replace(parent, area_mm2=parent.area_mm2 * shared_area)
    history = [one.polyp for one in trail.observations]
    found = []
    for column in _near(parent, xy, settings.reach_mm(seen.day - trail.last.day)):
        verdict = judge_one_half(
            parent,
            history,
            seen.shapes[column],
            seen.polyps[column],
            normal_mouths=normal_mouths,
        )
        if verdict is not None:
            found.append(Parting(row=row, columns=(column,), verdict=verdict))
    return found


def late_half_of(
    column: int,
    trails: Sequence[Trail],
    taken: Mapping[int, Birth],
    seen: Seen,
    settings: TrackSettings,
) -> Trail | None:
    """Return the one individual that divided lately, of which only one half has been seen, and at
    whose place this polyp, which nobody else is, stands; None if there is none or several."""
    shape = seen.shapes[column]
    found = []
    for trail in trails:
        days = seen.day - trail.last.day
        if trail.end != "divided" or days > settings.bridge_days:
            continue
        halves = [one for one in trails if one.birth.divided and trail.name in one.birth.parents]
        if len(halves) != 1 or any(trail.name in birth.parents for birth in taken.values()):
            continue
        parent = shape_of(trail.last)
        slack = min(settings.reach_mm(days), 0.35 * parent.diameter_mm)
        other = halves[0].observations[0].polyp.area_mm2
        fits = shape.area_mm2 + other <= 1.4 * np.exp(_AREA_GROWTH_PER_DAY * days) * parent.area_mm2
        large = shape.area_mm2 >= 0.25 * parent.area_mm2
        if fits and large and distance_to(parent.outline_mm, shape.x_mm, shape.y_mm) <= slack:
            found.append(trail)
    return found[0] if len(found) == 1 else None


def _parents(trail: Trail, day: float) -> list[tuple[Shape, float]]:
    """Return the individual as last seen with the days since; where it had just shrunk by a
    quarter or more also as before that: the second half may have been missed on one photo."""
    shapes = [(shape_of(trail.last), day - trail.last.day)]
    if len(trail.observations) > 1:
        before = trail.observations[-2]
        if trail.last.polyp.area_mm2 <= _SHRUNK * before.polyp.area_mm2:
            shapes.append((shape_of(before), day - before.day))
    return shapes


def _near(parent: Shape, xy: NDArray[np.float64], slack_mm: float) -> list[int]:
    """Return the polyps whose middles lie within the parent's outline, or so near to it."""
    reach = float(np.linalg.norm(parent.outline_mm - (parent.x_mm, parent.y_mm), axis=1).max())
    if not len(xy):
        return []
    away = np.hypot(*(xy - (parent.x_mm, parent.y_mm)).T)
    return [
        int(column)
        for column in np.flatnonzero(away <= reach + slack_mm)
        if distance_to(parent.outline_mm, *xy[column]) <= slack_mm
    ]


def _judge(
    trail: Trail,
    parent: Shape,
    pair: tuple[int, int],
    seen: Seen,
    slack_mm: float,
    days: float,
    normal_mouths: int,
) -> Verdict | None:
    return judge_division(
        parent,
        [one.polyp for one in trail.observations[-_HISTORY:]],
        (seen.shapes[pair[0]], seen.shapes[pair[1]]),
        slack_mm=slack_mm,
        growth=float(np.exp(_AREA_GROWTH_PER_DAY * days)),
        normal_mouths=normal_mouths,
    )


def _cut_pieces(
    parent: Shape, own: list[int], free: list[int], seen: Seen, cut: LogEntry
) -> tuple[int, ...]:
    """Return the polyps that are the pieces of a logged cut, nearest first; none if not two."""
    most = cut.pieces or _PIECES.get(cut.method or "", 2)
    whole = 0.8 * parent.area_mm2
    if own and seen.shapes[own[0]].area_mm2 > whole:
        return ()
    near = sorted(
        (distance_to(parent.outline_mm, seen.shapes[one].x_mm, seen.shapes[one].y_mm), one)
        for one in free
        if seen.shapes[one].area_mm2 <= whole
    )
    pieces = own + [one for away, one in near if away <= parent.diameter_mm]
    return tuple(sorted(pieces[:most])) if len(pieces) >= 2 else ()


def margin_parent(
    column: int, names: Mapping[int, str], cut_margins: Set[str], seen: Seen
) -> str | None:
    """Return the one polyp at whose foot margin this small one stands, or near whose it was laid
    after a cut there that was logged."""
    small = seen.shapes[column]
    beside = []
    for other, name in sorted(names.items()):
        large = seen.shapes[other]
        reach = large.diameter_mm if name in cut_margins else _MARGIN_GAP_MM
        if (
            small.diameter_mm <= _MARGIN_SHARE * large.diameter_mm
            and gap_mm(small.outline_mm, large.outline_mm) <= reach
        ):
            beside.append(name)
    return beside[0] if len(beside) == 1 else None
