"""What comparing the photos of a plate showed: divided, new, lost, with evidence and confidence."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime

import numpy as np

from polypvision.events import SeenEvent, SeenKind
from polypvision.track.division import Verdict, distance_to
from polypvision.track.individuals import TrackedPhoto
from polypvision.track.moves import NEWBORN_SHARE, Moves
from polypvision.track.seen import Seen
from polypvision.track.settings import TrackSettings
from polypvision.track.trail import SURE_SCORE, Trail

_BAD_PHOTO = {"soft", "bright", "coarse"}
_BAD_SHARE = 0.6
"""How far one that is missing on bad photos only is believed to be lost (own estimate)."""
_PUSHED_MM, _CREPT_MM_PER_DAY = 3.5, 0.25
"""A longer way than this is a push: about half of what is allowed, see `TrackSettings`."""


def _day(when: date | datetime) -> str:
    return f"{when:%Y-%m-%d}"


def _lost(trail: Trail, photos: Sequence[TrackedPhoto], trails: Sequence[Trail]) -> SeenEvent:
    first_without = photos[trail.present_index + 1]
    missed = len(photos) - trail.present_index - 1
    trail.end = "lost"
    entry = trail.gone_by
    if entry is not None:
        trail.end = "sold" if entry.kind == "sale" else "lost"
        word = "sale" if entry.kind == "sale" else "loss"
        confidence, evidence = 0.98, f"{word} logged on {_day(entry.at)}"
    else:
        confidence = round(1 - 0.4**missed, 2)
        evidence = "not found on the last photo"
        if missed > 1:
            evidence = f"not found on the last {missed} photos"
        if trail.doubtful:
            confidence = round(0.3 * confidence, 2)
            evidence += "; seen only once before, so it may never have been there"
        if all(_BAD_PHOTO & set(one.reading.flags) for one in photos[trail.present_index + 1 :]):
            confidence = round(_BAD_SHARE * confidence, 2)
            evidence += ", which is not good enough to be sure"
        over = _covered_by(trail, trails)
        if over is not None:
            confidence = round(0.5 * confidence, 2)
            evidence += f"; {over} now lies over its place: look whether both are there"
    return SeenEvent(
        at=first_without.taken_at,
        after=photos[trail.present_index].taken_at,
        kind="lost",
        individuals=(trail.name,),
        confidence=confidence,
        evidence=evidence,
    )


def _covered_by(trail: Trail, trails: Sequence[Trail]) -> str | None:
    """Return who spread over its place since: two that touch may be read as one."""
    place = trail.last.x_mm, trail.last.y_mm
    for other in trails:
        if other is trail or other.last_index <= trail.last_index:
            continue
        if distance_to(other.last.outline_mm, *place) == 0.0:
            return other.name
    return None


def _divided(trail: Trail, verdict: Verdict, daughters: Sequence[Trail]) -> SeenEvent:
    evidence = verdict.evidence
    if len(daughters) == 1:
        evidence += "; the other half was not found: look for it"
    elif daughters[1].first_index > daughters[0].first_index:
        evidence += (
            f"; the other half was first seen on {_day(daughters[1].observations[0].taken_at)}"
        )
    return SeenEvent(
        at=daughters[0].observations[0].taken_at,
        after=trail.last.taken_at,
        kind="divided",
        individuals=(trail.name, *(one.name for one in daughters)),
        confidence=verdict.confidence,
        evidence=evidence,
    )


def _new(trail: Trail, photos: Sequence[TrackedPhoto]) -> SeenEvent:
    first = trail.observations[0]
    later = len(photos) - trail.first_index - 1
    seen_again = len(trail.observations) > 1
    confidence = 0.9 if seen_again else 0.2
    if not seen_again and not later:
        confidence = 0.6 if first.polyp.score >= SURE_SCORE else 0.4
    if trail.birth.said:
        confidence, evidence = 1.0, "a person said so"
        if trail.birth.parents:
            evidence = f"it came from {trail.birth.parents[0]}: {evidence}"
    elif trail.birth.parents:
        evidence = f"a small polyp at the foot margin of {trail.birth.parents[0]}"
    else:
        evidence = "no polyp stood there before"
        sizes = [polyp.diameter_mm for polyp in photos[trail.first_index].reading.polyps]
        if first.polyp.diameter_mm > NEWBORN_SHARE * float(np.median(sizes)):
            evidence += "; too large for a newborn, so it was set there or missed before"
            confidence = min(confidence, 0.4)
    if not seen_again and later and not trail.birth.said:
        evidence += "; never seen again"
    return SeenEvent(
        at=first.taken_at,
        after=photos[trail.first_index - 1].taken_at,
        kind="new",
        individuals=(trail.name,),
        confidence=confidence,
        evidence=evidence,
    )


def joined_event(names: Sequence[str], trails: Sequence[Trail], seen: Seen) -> SeenEvent:
    """Return the event that two were read as one."""
    after = max(one.last.taken_at for one in trails if one.name in names)
    return SeenEvent(
        at=seen.taken_at,
        after=after,
        kind="joined",
        individuals=tuple(names),
        confidence=0.8,
        evidence=f"one outline over the places of both, as large as {' and '.join(names)} "
        "together: they touch and were read as one, so this photo measures neither",
    )


def move_events(
    moves: Moves,
    trails: Sequence[Trail],
    names: Mapping[int, str],
    seen: Seen,
    settings: TrackSettings,
) -> list[SeenEvent]:
    """Return who was pushed or moved, and whether the plate was rearranged.

    Called before the sightings are added, so that each trail still ends where it was.
    """
    after = max((one.last.taken_at for one in trails), default=seen.taken_at)
    events = []
    for row, column in sorted(moves.links.items()):
        last, shape = trails[row].last, seen.shapes[column]
        way = float(np.hypot(shape.x_mm - last.x_mm, shape.y_mm - last.y_mm))
        by_look = row in moves.moved
        crept = _PUSHED_MM + _CREPT_MM_PER_DAY * max(seen.day - last.day, 0.0)
        if by_look or way > crept:
            evidence = f"{way:.0f} mm from where it was"
            evidence += "; known by its size and colour" if by_look else ", farther than it creeps"
            events.append(
                SeenEvent(
                    at=seen.taken_at,
                    after=last.taken_at,
                    kind="moved",
                    individuals=(trails[row].name,),
                    confidence=0.8 if by_look else 0.7,
                    evidence=evidence,
                )
            )
    if moves.rearranged or moves.open_rows:
        before = [trails[row].name for row in moves.open_rows]
        now = [names[column] for column in moves.open_columns]
        words = f"pieces changed places; {len(moves.moved)} were known by their size and colour"
        if before:
            words += (
                f"; which of {' '.join(before)} is now which of {' '.join(now)} cannot be told "
                "from the photos: look, because they go on under new names"
            )
        events.append(_exchange(seen, after, (*before, *now), 0.9, words))
    if moves.asked_rows:
        before = [trails[row].name for row in moves.asked_rows]
        now = [names[column] for column in moves.asked_columns]
        who = tuple(dict.fromkeys((*before, *now)))
        words = (
            f"{' '.join(before)} may now stand where {' '.join(now)} is shown, by size and colour, "
            "but that is not sure: look"
        )
        events.append(_exchange(seen, after, who, 0.4, words))
    return events


def _exchange(
    seen: Seen, after: datetime, who: tuple[str, ...], confidence: float, evidence: str
) -> SeenEvent:
    return SeenEvent(
        at=seen.taken_at,
        after=after,
        kind="rearranged",
        individuals=who,
        confidence=confidence,
        evidence=evidence,
    )


def tell_events(
    trails: Sequence[Trail], photos: Sequence[TrackedPhoto], noticed: Sequence[SeenEvent] = ()
) -> tuple[SeenEvent, ...]:
    """Return what happened, in date order, and note on each trail how it ended.

    A division comes with its parent first, then the daughters. Whoever is on the first photo is
    not new; whoever is missing on the last and all before it back to its last sighting is lost,
    with a confidence that rises by the number of those photos. `noticed` is what linking the photos
    showed already; whoever is left open by it is neither lost nor new.
    """
    events: list[SeenEvent] = list(noticed)
    for trail in trails:
        if trail.end == "divided" and trail.ended_by is not None:
            daughters = [
                one for one in trails if one.birth.divided and trail.name in one.birth.parents
            ]
            events.append(_divided(trail, trail.ended_by, daughters))
        elif trail.end != "open" and trail.present_index < len(photos) - 1:
            events.append(_lost(trail, photos, trails))
        if trail.first_index > 0 and not trail.birth.divided and not trail.birth.open:
            events.append(_new(trail, photos))
    order: dict[SeenKind, int] = {
        "rearranged": 0,
        "divided": 1,
        "new": 2,
        "moved": 3,
        "joined": 4,
        "lost": 5,
    }
    index_of = {photo.taken_at: index for index, photo in enumerate(photos)}
    return tuple(
        sorted(events, key=lambda one: (index_of[one.at], order[one.kind], one.individuals))
    )
