"""Readings as they hold: what the machine read, with what people corrected.

The one place where readings come out of the logbook; pages, charts, tables and tracks use no other.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace

import sqlalchemy as sa

from polypvision.corrections import Corrected, Correction, correct, sayings_in
from polypvision.errors import CorrectionError
from polypvision.events import LogEntry, Sighting
from polypvision.reading import PlateReading, to_record
from polypvision.store.corrections import corrections_in
from polypvision.store.entries import entries_of
from polypvision.store.facts import facts_of
from polypvision.store.readings import StoredPhoto, find_photo, photos_of
from polypvision.track import PlateTracks, link_readings


@dataclass(frozen=True, kw_only=True, eq=False)
class CorrectedPhoto:
    """A recorded photo and its reading as it holds.

    Attributes
    ----------
    photo : StoredPhoto
        Its outcome is the corrected reading.
    corrected : Corrected
        The machine's reading, the one that holds, and how each correction stands.
    """

    photo: StoredPhoto
    corrected: Corrected

    @property
    def reading(self) -> PlateReading:
        """The reading that holds."""
        return self.corrected.reading

    @property
    def version(self) -> str:
        """What a person saw, for telling later whether it changed since: the number of the last
        correction, and a short hash of the machine's reading."""
        return f"{self.corrected.version}-{reading_mark(self.corrected.machine)}"


def reading_mark(reading: PlateReading) -> str:
    """Return a short hash of what the machine read on a photo, whatever the photo is called."""
    record = {**to_record(reading), "photo": "", "taken_at": None, "plate": None}
    text = json.dumps(record, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def corrected_photo(photo: StoredPhoto, corrections: Sequence[Correction]) -> CorrectedPhoto:
    """Return a photo that was read with its corrections done."""
    assert isinstance(photo.outcome, PlateReading)
    normal = int(photo.settings.get("normal_mouths") or 1)
    corrected = correct(photo.outcome, corrections, normal_mouths=normal)
    return CorrectedPhoto(photo=replace(photo, outcome=corrected.reading), corrected=corrected)


def corrected_photos(connection: sa.Connection, plate: str) -> list[CorrectedPhoto]:
    """Return the photos of a plate that were read, in date order, as their readings hold."""
    photos = photos_of(connection, plate)
    said = corrections_in(connection, [photo.sha256 for photo in photos])
    return [corrected_photo(photo, said[photo.sha256]) for photo in photos]


def find_corrected(connection: sa.Connection, sha256: str) -> CorrectedPhoto:
    """Return one photo as its reading holds.

    Raises
    ------
    CorrectionError
        If it could not be read, so that there is nothing to correct.
    """
    photo = find_photo(connection, sha256)
    if photo is None or not isinstance(photo.outcome, PlateReading):
        raise CorrectionError(
            "That photo could not be read, so there is nothing to correct. Read it with a scale: "
            "polypvision read PHOTO --record --mm-per-px X --plate NAME"
        )
    return corrected_photo(photo, corrections_in(connection, [sha256])[sha256])


def follow(
    photos: Sequence[CorrectedPhoto], log: Sequence[LogEntry], *, normal_mouths: int
) -> tuple[PlateTracks, list[LogEntry]]:
    """Return a plate through time, and its log with individuals called as they are there."""
    machine = [one.corrected.machine for one in photos]
    tracks = link_readings(machine, log=log, normal_mouths=normal_mouths)
    if any(one.corrected.standings for one in photos):
        sayings, _ = sayings_in([one.corrected for one in photos])
        tracks = link_readings(
            [one.reading for one in photos],
            log=log,
            normal_mouths=normal_mouths,
            sayings=sayings,
            # The log speaks of individuals by name, so a correction must not shift their names.
            names_before={
                Sighting(sha256=photo.sha256, label=label): name
                for photo in tracks.photos
                for label, name in photo.names.items()
            },
        )
    called = [
        replace(one, individual=tracks.given.get(one.individual or "", one.individual))
        for one in log
    ]
    return tracks, called


def followed(connection: sa.Connection, plate: str) -> tuple[PlateTracks, list[LogEntry]]:
    """Return a plate through time and its log; see `follow`.

    Raises
    ------
    PlateUnknown
    """
    facts = facts_of(connection, plate)
    photos = corrected_photos(connection, plate)
    log = entries_of(connection, plate)
    return follow(photos, log, normal_mouths=facts.normal_mouths)
