"""One plate through time as tables."""

from collections.abc import Iterator, Sequence

import pandas as pd

from polypvision.columns import EVENTS, OBSERVATIONS, table
from polypvision.events import LogEntry
from polypvision.healing import WoundCourse
from polypvision.track import PlateTracks, days_between


def _observation_rows(
    tracks: PlateTracks, courses: Sequence[WoundCourse]
) -> Iterator[dict[str, object]]:
    photo_of = {photo.sha256: photo.reading.facts.photo for photo in tracks.photos}
    closed = {
        (course.name, point.sha256): point.closure_percent
        for course in courses
        for point in course.points
    }
    names = {column.name for column in OBSERVATIONS}
    for individual in tracks.individuals:
        for seen in individual.observations:
            own = {name: getattr(seen.polyp, name) for name in names if hasattr(seen.polyp, name)}
            yield {
                **own,
                "plate": tracks.plate,
                "individual": individual.name,
                "taken_at": seen.taken_at.isoformat(),
                "photo": photo_of[seen.sha256],
                "sha256": seen.sha256,
                "label": seen.label,
                "x_mm": seen.x_mm,
                "y_mm": seen.y_mm,
                "closure_percent": closed.get((individual.name, seen.sha256), float("nan")),
            }


def observations_table(tracks: PlateTracks, courses: Sequence[WoundCourse] = ()) -> pd.DataFrame:
    """Return one row per individual and photo with the columns `columns.OBSERVATIONS`.

    ``x_mm`` and ``y_mm`` are in the plate coordinates of the first photo.
    """
    return table(_observation_rows(tracks, courses), OBSERVATIONS)


def events_table(tracks: PlateTracks, log: Sequence[LogEntry] = ()) -> pd.DataFrame:
    """Return what was logged and what the photos showed, by date, with `columns.EVENTS`."""
    rows: list[tuple[float, int, dict[str, object]]] = []
    start = tracks.photos[0].taken_at if tracks.photos else None
    for entry in log:
        row: dict[str, object] = {
            name: getattr(entry, name)
            for name in ("plate", "kind", "individual", "pieces", "method", "donor", "dip", "note")
        }
        day = days_between(start or log[0].at, entry.at)
        rows.append((day, 0, {**row, "date": entry.at.isoformat(), "source": "log"}))
    for event in tracks.events:
        rows.append(
            (
                tracks.day_of(event.at),
                1,
                {
                    "plate": tracks.plate,
                    "date": event.at.isoformat(),
                    "kind": event.kind,
                    "individual": " ".join(event.individuals),
                    "note": f"{event.evidence} (confidence {event.confidence:.2f})",
                    "source": "photos",
                },
            )
        )
    rows.sort(key=lambda one: one[:2])
    return table((row for _, _, row in rows), EVENTS)
