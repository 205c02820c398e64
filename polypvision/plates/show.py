"""A plate through time: its individuals, and the page that shows them."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from polypvision.errors import PhotoError, PhotoUnreadable
from polypvision.files.photos import read_file
from polypvision.files.pixels import decode
from polypvision.store.entries import entries_of
from polypvision.store.facts import facts_of
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto, photos_of, readings_in
from polypvision.track import PlateTracks, link_readings


def stored_photos(logbook: Logbook, plate: str) -> list[StoredPhoto]:
    """Return the read photos of a plate in date order.

    Raises
    ------
    PlateUnknown
    """
    with logbook.reading() as connection:
        facts_of(connection, plate)
        return photos_of(connection, plate)


def tracks_of(logbook: Logbook, plate: str) -> PlateTracks:
    """Return a plate through time.

    Raises
    ------
    PlateUnknown
    """
    with logbook.reading() as connection:
        facts = facts_of(connection, plate)
        photos = photos_of(connection, plate)
        entries = entries_of(connection, plate)
    return link_readings(readings_in(photos), log=entries, normal_mouths=facts.normal_mouths)


def photo_pixels(photo: StoredPhoto) -> NDArray[np.uint8]:
    """Return a recorded photo's upright pixels (H, W, 3), from wherever it lies now.

    Raises
    ------
    PhotoUnreadable
        If it lies under none of the names by which it is known, unchanged.
    """
    for name in reversed(photo.names):
        try:
            file = read_file(Path(name))
            if file.sha256 == photo.sha256:
                return decode(file.data, file.shown)
        except PhotoError:
            continue  # Moved or deleted; it may have another name.
    raise PhotoUnreadable(
        f"The photo {photo.names[-1]} is not where it was when it was read. Put it back, or read "
        "its new place with --record."
    )
