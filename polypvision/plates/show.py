"""A plate through time: its individuals, and the page that shows them."""

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
