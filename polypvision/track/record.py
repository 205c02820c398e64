"""Individuals, their sightings, parents and events as plain JSON values."""

import math
from datetime import datetime
from typing import Any

from polypvision.track.fission import FissionCourse, fission_of
from polypvision.track.individuals import Individual, Observation, PlateTracks


def _number(value: float, digits: int) -> float | None:
    """Round for the record; NaN becomes None, which JSON can say."""
    return None if math.isnan(value) else round(float(value), digits)


def _observation(observation: Observation) -> dict[str, Any]:
    polyp = observation.polyp
    return {
        "sha256": observation.sha256,
        "taken_at": observation.taken_at.isoformat(),
        "label": observation.label,
        "x_mm": _number(observation.x_mm, 3),
        "y_mm": _number(observation.y_mm, 3),
        "diameter_mm": _number(polyp.diameter_mm, 4),
        "diameter_mm_err": _number(polyp.diameter_mm_err, 4),
        "area_mm2": _number(polyp.area_mm2, 4),
        "n_mouths": polyp.n_mouths,
        "two_mouths_probability": _number(polyp.two_mouths_probability, 4),
        "wound_mm2": _number(polyp.wound_mm2, 4),
    }


def _division(course: FissionCourse | None) -> dict[str, Any] | None:
    if course is None:
        return None

    def date(when: datetime | None) -> str | None:
        return None if when is None else when.isoformat()

    return {
        "stage": course.stage,
        "reached": [
            {
                "stage": one.stage,
                "after_day": _number(one.after_day, 3),
                "by_day": _number(one.by_day, 3),
            }
            for one in course.reached
        ],
        "expected_at": date(course.expected_at),
        "low_at": date(course.low_at),
        "high_at": date(course.high_at),
        "sentence": course.sentence,
    }


def _individual(individual: Individual, tracks: PlateTracks) -> dict[str, Any]:
    return {
        "name": individual.name,
        "parents": list(individual.parents),
        "end": individual.end,
        "division": _division(fission_of(individual, tracks)),
        "observations": [_observation(one) for one in individual.observations],
    }


def to_record(tracks: PlateTracks) -> dict[str, Any]:
    """Return the plate through time as JSON values; NaN is written as None.

    Returns
    -------
    dict
        ``plate``; ``photos`` with the motion of each against the first; ``individuals`` with their
        ``parents``, ``end``, ``division`` (None, or how far it is in dividing) and
        ``observations`` (x_mm and y_mm in the coordinates of the first photo); ``events`` with
        ``at`` (the photo that shows it) and ``after`` (the one before);
        ``remarks``, sentences for a person.
    """
    return {
        "plate": tracks.plate,
        "photos": [
            {
                "photo": photo.reading.facts.photo,
                "sha256": photo.sha256,
                "taken_at": photo.taken_at.isoformat(),
                "n_polyps": photo.reading.n_polyps,
                "n_mouths": photo.reading.n_mouths,
                "motion": {
                    "turn_deg": _number(photo.motion.turn_deg, 3),
                    "shift_mm": [_number(value, 3) for value in photo.motion.shift_mm],
                    "agreeing": photo.motion.agreeing,
                },
            }
            for photo in tracks.photos
        ],
        "individuals": [_individual(one, tracks) for one in tracks.individuals],
        "events": [
            {
                "at": event.at.isoformat(),
                "after": None if event.after is None else event.after.isoformat(),
                "kind": event.kind,
                "individuals": list(event.individuals),
                "confidence": _number(event.confidence, 4),
                "evidence": event.evidence,
            }
            for event in tracks.events
        ],
        "remarks": list(tracks.remarks),
    }
