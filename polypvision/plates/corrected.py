"""Readings as they hold: what the machine read, with what people corrected.

The one place where readings come out of the logbook; pages, charts, tables and tracks use no other.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace

import sqlalchemy as sa

from polypvision.corrections import Corrected, Correction, correct
from polypvision.errors import CorrectionError
from polypvision.reading import PlateReading, to_record
from polypvision.store.corrections import corrections_in
from polypvision.store.readings import StoredPhoto, find_photo, photos_of


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
