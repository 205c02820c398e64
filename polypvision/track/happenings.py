"""What comparing the photos of a plate showed: divided, new, lost, with evidence and confidence."""

from collections.abc import Sequence
from datetime import date, datetime

import numpy as np

from polypvision.events import SeenEvent, SeenKind
from polypvision.track.division import distance_to
from polypvision.track.individuals import TrackedPhoto
from polypvision.track.trail import Trail


def _day(when: date | datetime) -> str:
    return f"{when:%Y-%m-%d}"


def _lost(trail: Trail, photos: Sequence[TrackedPhoto], trails: Sequence[Trail]) -> SeenEvent:
    first_without = photos[trail.last_index + 1]
    missed = len(photos) - trail.last_index - 1
    trail.end = "lost"
    entry = trail.gone_by
    if entry is not None:
        trail.end = "sold" if entry.kind == "sale" else "lost"
        word = "sale" if entry.kind == "sale" else "loss"
        confidence, evidence = 0.98, f"{word} logged on {_day(entry.at)}"
    else:
        confidence = round(1 - 0.4**missed, 2)
        photo_word = "photo" if missed == 1 else "photos"
        evidence = f"not found on the last {missed} {photo_word}"
        covering = _covered_by(trail, trails)
        if covering:
            confidence = round(0.5 * confidence, 2)
            evidence += f"; its place is covered by {covering}: look whether both are there"
    return SeenEvent(
        at=first_without.taken_at,
        after=trail.last.taken_at,
        kind="lost",
        individuals=(trail.name,),
        confidence=confidence,
        evidence=evidence,
    )


def _covered_by(trail: Trail, trails: Sequence[Trail]) -> str | None:
    """Return who stands over its place on the last photo and grew by about its size: two polyps
    that touch may have been read as one."""
    for other in trails:
        if other is trail or other.last_index <= trail.last_index:
            continue
        before = [one for one in other.observations if one.day <= trail.last.day]
        if not before:
            continue
        grown = other.last.polyp.area_mm2 - before[-1].polyp.area_mm2
        over = distance_to(other.last.outline_mm, trail.last.x_mm, trail.last.y_mm) == 0.0
        if over and grown >= 0.5 * trail.last.polyp.area_mm2:
            return other.name
    return None


def _new(trail: Trail, photos: Sequence[TrackedPhoto]) -> SeenEvent:
    first = trail.observations[0]
    later = len(photos) - trail.first_index - 1
    seen_again = len(trail.observations) > 1
    confidence = 0.9 if seen_again else (0.6 if later == 0 else 0.3)
    if trail.birth.parents:
        evidence = f"a small polyp at the foot margin of {trail.birth.parents[0]}"
    else:
        evidence = "no polyp stood there before"
        sizes = [polyp.diameter_mm for polyp in photos[trail.first_index].reading.polyps]
        if first.polyp.diameter_mm >= 0.8 * float(np.median(sizes)):
            evidence += "; full-grown, so it was set there or missed before"
            confidence = min(confidence, 0.5)
    if not seen_again and later:
        evidence += "; never seen again"
    return SeenEvent(
        at=first.taken_at,
        after=photos[trail.first_index - 1].taken_at,
        kind="new",
        individuals=(trail.name,),
        confidence=confidence,
        evidence=evidence,
    )


def tell_events(trails: Sequence[Trail], photos: Sequence[TrackedPhoto]) -> tuple[SeenEvent, ...]:
    """Return what happened, in date order, and note on each trail how it ended.

    A division comes with its parent first, then the daughters. Whoever is on the first photo is
    not new; whoever is missing on the last and all before it back to its last sighting is lost,
    with a confidence that rises by the number of those photos.
    """
    events: list[SeenEvent] = []
    for trail in trails:
        if trail.end == "divided" and trail.ended_by is not None:
            daughters = [
                one for one in trails if one.birth.divided and trail.name in one.birth.parents
            ]
            events.append(
                SeenEvent(
                    at=daughters[0].observations[0].taken_at,
                    after=trail.last.taken_at,
                    kind="divided",
                    individuals=(trail.name, *(one.name for one in daughters)),
                    confidence=trail.ended_by.confidence,
                    evidence=trail.ended_by.evidence,
                )
            )
        elif trail.last_index < len(photos) - 1:
            events.append(_lost(trail, photos, trails))
        if trail.first_index > 0 and not trail.birth.divided:
            events.append(_new(trail, photos))
    order: dict[SeenKind, int] = {"divided": 0, "new": 1, "lost": 2}
    index_of = {photo.taken_at: index for index, photo in enumerate(photos)}
    return tuple(
        sorted(events, key=lambda one: (index_of[one.at], order[one.kind], one.individuals))
    )
