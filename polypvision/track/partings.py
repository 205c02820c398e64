"""One polyp and what became of it: halves of a division, pieces of a cut, foot-margin daughters."""

from collections.abc import Mapping, Sequence, Set
from itertools import combinations

import numpy as np

from polypvision.events import LogEntry
from polypvision.track.division import (
    THRESHOLD,
    Shape,
    Verdict,
    distance_to,
    gap_mm,
    judge_division,
)
from polypvision.track.seen import Seen, shape_of
from polypvision.track.settings import TrackSettings
from polypvision.track.trail import Trail

_MARGIN_GAP_MM = 2.0
"""A daughter from the foot margin stands this close to its parent (common practice, no source)."""
_MARGIN_SHARE = 0.6
"""... and is at most this part of its diameter."""
_AREA_GROWTH_PER_DAY = 0.0125
"""Fast growth: a disc from 20 to 35 mm in 90 days (common practice, no source)."""
_PIECES = {"halves": 2, "quarters": 4, "margin": 4}
_HISTORY = 4
"""Sightings looked back on for two mouths: at weekly photos, half of the two months a two-mouth
fission takes (Chen et al. 1995, Zoological Studies 34:29-40, through a handbook)."""


def find_divisions(
    trails: Sequence[Trail],
    links: Mapping[int, int],
    seen: Seen,
    log: Sequence[LogEntry],
    normal_mouths: int,
    settings: TrackSettings,
) -> list[tuple[Trail, tuple[int, ...], Verdict]]:
    """Return who became which polyps of this photo: by division, or by a cut that was logged."""
    free = sorted(set(range(len(seen.shapes))) - set(links.values()))
    found: list[tuple[float, int, tuple[int, ...], Verdict]] = []
    for row, trail in enumerate(trails):
        parent = shape_of(trail.last)
        days = seen.day - trail.last.day
        own = [links[row]] if row in links else []
        noted = trail.noted(log, seen.taken_at)
        cut = next((one for one in noted if one.kind == "cut" and one.method != "margin"), None)
        if cut is not None:
            pieces = _cut_pieces(parent, own, free, seen, cut)
            if pieces:
                logged = Verdict(confidence=0.97, evidence=f"cut logged on {cut.at:%Y-%m-%d}")
                found.append((-logged.confidence, row, pieces, logged))
                continue
        near = [
            column
            for column in free
            if distance_to(parent.outline_mm, seen.shapes[column].x_mm, seen.shapes[column].y_mm)
            <= settings.reach_mm(days)
        ]
        pairs = [(own[0], one) for one in near] if own else list(combinations(near, 2))
        for pair in pairs:
            verdict = judge_division(
                parent,
                [one.polyp for one in trail.observations[-_HISTORY:]],
                (seen.shapes[pair[0]], seen.shapes[pair[1]]),
                slack_mm=settings.reach_mm(days),
                growth=float(np.exp(_AREA_GROWTH_PER_DAY * days)),
                normal_mouths=normal_mouths,
            )
            if verdict is None:
                continue
            if trail.division_noted(log, seen.taken_at):
                verdict = Verdict(confidence=0.97, evidence=f"{verdict.evidence}; division logged")
            if verdict.confidence >= THRESHOLD:
                found.append((-verdict.confidence, row, pair, verdict))
    accepted = []
    taken: set[int] = set()
    parents: set[int] = set()
    for _, row, columns, verdict in sorted(found, key=lambda one: one[:3]):
        if row in parents or taken & set(columns):
            continue
        parents.add(row)
        taken |= set(columns)
        accepted.append((trails[row], columns, verdict))
    return accepted


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
