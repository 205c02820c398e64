"""A plate through time: its individuals, and the page that shows them."""

import math
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from polypvision.errors import PhotoError, PhotoUnreadable
from polypvision.files.photos import PhotoFile, read_file
from polypvision.files.pixels import decode
from polypvision.files.remote import Place, place_of
from polypvision.healing import WoundCourse, wound_courses
from polypvision.plates.corrected import corrected_photos, followed
from polypvision.store.facts import facts_of
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto
from polypvision.track import PlateTracks, to_record

Taken = TypeVar("Taken")


def stored_photos(logbook: Logbook, plate: str) -> list[StoredPhoto]:
    """Return the read photos of a plate in date order, their readings as people corrected them.

    Raises
    ------
    PlateUnknown
    """
    with logbook.reading() as connection:
        facts_of(connection, plate)
        return [one.photo for one in corrected_photos(connection, plate)]


def tracks_of(logbook: Logbook, plate: str) -> PlateTracks:
    """Return a plate through time.

    Raises
    ------
    PlateUnknown
    """
    with logbook.reading() as connection:
        return followed(connection, plate)[0]


def courses_of(logbook: Logbook, plate: str) -> tuple[PlateTracks, tuple[WoundCourse, ...]]:
    """Return a plate through time, and the wound of each individual in the same order.

    Raises
    ------
    PlateUnknown
    """
    with logbook.reading() as connection:
        tracks, log = followed(connection, plate)
    return tracks, wound_courses(tracks, log)


def course_record(tracks: PlateTracks, courses: Sequence[WoundCourse]) -> dict[str, Any]:
    """Return a plate through time with its wounds as plain JSON values.

    As `track.to_record`, and with every individual its ``wound`` (``status``, ``reason``,
    ``cut_at``), with every observation its ``closure_percent``, None where unknown.
    """
    record = to_record(tracks)
    for individual, course in zip(record["individuals"], courses, strict=True):
        individual["wound"] = {
            "status": course.status,
            "reason": course.reason,
            "cut_at": None if course.cut_at is None else course.cut_at.isoformat(),
        }
        for seen, point in zip(individual["observations"], course.points, strict=True):
            closed = point.closure_percent
            seen["closure_percent"] = None if math.isnan(closed) else round(closed, 2)
    return record


def photo_pixels(photo: StoredPhoto) -> NDArray[np.uint8]:
    """Return a recorded photo's upright pixels (H, W, 3), from wherever it lies now.

    Raises
    ------
    PhotoUnreadable
        If it lies under none of the names by which it is known, unchanged.
    """
    return _found(photo, lambda place, file: decode(file.data, file.shown))


def photo_place(photo: StoredPhoto) -> Place:
    """Return where a recorded photo lies now.

    Raises
    ------
    PhotoUnreadable
        As `photo_pixels`.
    """
    return _found(photo, lambda place, file: place)


def _found(photo: StoredPhoto, take: Callable[[Place, PhotoFile], Taken]) -> Taken:
    """Return what is taken of a photo, from the first of its places where it can be."""
    for name in reversed(photo.names):
        try:
            place = place_of(name)
            file = read_file(place)
            if file.sha256 == photo.sha256:
                return take(place, file)
        except PhotoError:
            continue  # Moved or deleted; it may have another name.
    raise PhotoUnreadable(
        f"The photo {photo.names[-1]} was moved, deleted or changed since it was read. Put it "
        "back, or have it found in its new place: polypvision verify --find FOLDER"
    )
