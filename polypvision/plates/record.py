"""Photos recorded as they are read: each whole or not at all."""

from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from polypvision.calibrate.picture import Photo
from polypvision.errors import CardMissing, DateDoubtful, DateMissing
from polypvision.files.dates import PhotoDate
from polypvision.files.photos import PhotoFile, shown_path
from polypvision.files.pixels import open_photo
from polypvision.pipeline import ReadSettings
from polypvision.plates.corrected import CorrectedPhoto, find_corrected
from polypvision.plates.read import PhotoOutcome, PhotoReader, ReadWishes, Status, date_remark
from polypvision.reading import PhotoFacts, PlateReading, Refusal
from polypvision.store.facts import PlateFacts, facts_of, find_facts, hold_plate, set_facts
from polypvision.store.logbook import Logbook
from polypvision.store.readings import (
    StoredPhoto,
    add_name,
    find_forgotten,
    find_photo,
    save_photo,
    twin_of,
)


class Recorder(PhotoReader):
    """Reads and records; remembers the last plate, for the next photo is often its own."""

    def __init__(self, wishes: ReadWishes, logbook: Logbook) -> None:
        super().__init__(wishes)
        self.logbook = logbook
        self.last_plate: str | None = wishes.plate

    def _settings(self, plate: str | None, known: StoredPhoto | None) -> ReadSettings:
        """What the person says now, else said of this photo before, else says of the plate."""
        wishes, facts, before = self.wishes, None, known.settings if known else {}
        if plate is not None:
            facts = self.logbook.look(lambda connection: find_facts(connection, plate))
        facts = facts or PlateFacts(plate=plate or "")
        return ReadSettings(
            mm_per_px=wishes.mm_per_px or before.get("mm_per_px"),
            plate=wishes.plate or before.get("plate"),
            bar_mm=wishes.bar_mm or facts.bar_mm,
            normal_mouths=wishes.normal_mouths or facts.normal_mouths,
            disc_height_mm=_said(wishes.disc_height_mm, facts.disc_height_mm) or 0.0,
            water_depth_mm=_said(wishes.water_depth_mm, facts.water_depth_mm) or None,
            **self._shared(before),
        )

    def _shared(self, before: Mapping[str, Any]) -> dict[str, Any]:
        said = self.settings_shared()
        return {name: _said(value, before.get(name)) for name, value in said.items()}

    def _read(
        self,
        photo: PhotoFile,
        pixels: Photo,
        facts: PhotoFacts,
        known: StoredPhoto | None,
    ) -> tuple[PlateReading, ReadSettings]:
        settings = self._settings(self.last_plate, known)
        reading = self.read_pixels(photo, pixels, facts, settings)
        wanted = self._settings(reading.plate, known)
        if wanted != settings:
            # Only now is it known which plate it is, and so what was said of it.
            settings = wanted
            reading = self.read_pixels(photo, pixels, facts, settings)
        self.last_plate = reading.plate
        return reading, settings

    def read_dated(
        self, photo: PhotoFile, facts: PhotoFacts, date: PhotoDate | None
    ) -> PhotoOutcome:
        """Read and record a photo, if it is not known."""
        place = shown_path(photo.path.resolve())
        known = self.logbook.look(lambda connection: find_photo(connection, photo.sha256))
        gone = self.logbook.look(lambda connection: find_forgotten(connection, photo.sha256))
        if gone is not None:
            remark = "forgotten; bring it back with: polypvision forget --undo PHOTO"
            return PhotoOutcome(outcome=gone.outcome, status="forgotten", remark=remark)
        if known is not None and isinstance(known.outcome, Refusal):
            known = None
        if known is not None and self._up_to_date(known):
            new_name = place not in known.names
            if new_name:
                self.logbook.write(lambda connection: add_name(connection, photo.sha256, place))
            held = self.logbook.look(
                lambda connection: find_corrected(connection, photo.sha256).reading
            )
            return PhotoOutcome(
                outcome=replace(held, facts=replace(held.facts, photo=facts.photo)),
                status="known",
                remark=f"same photo as {_short(known.names[0])}" if new_name else "",
            )
        if known is None or self.wishes.date is not None:
            _check_date(facts, date, trust=self.wishes.trust_dates)
        else:
            # Read again, perhaps under a name that tells less: the date on record stands.
            facts = replace(facts, taken_at=known.outcome.facts.taken_at)
        pixels = open_photo(photo.data, photo.shown)
        reading, settings = self._read(photo, pixels, facts, known)
        if reading.plate is None:
            raise CardMissing(
                f"{facts.photo} shows no card, so it is not known which plate it is. Name the "
                "plate with --plate NAME to record it."
            )
        plate = reading.plate

        def record(connection: sa.Connection) -> tuple[str | None, CorrectedPhoto]:
            save_photo(
                connection,
                reading,
                path=place,
                settings=asdict(settings),
                size_px=pixels.size_px,
                date_source=date.source if date else None,
            )
            self._keep_wishes(connection, plate)
            twin = twin_of(connection, reading) if date and date.source == "exif" else None
            return twin, find_corrected(connection, photo.sha256)

        twin, now = self.logbook.write(record)
        remark = date_remark(date) if known is None else _kept_remark(now)
        if twin is not None:
            # Two points of time that are one would count one photo twice.
            remark = f"same moment as {_short(twin)}: an edited copy?"
        status: Status = "recorded" if known is None else "again"
        return PhotoOutcome(
            outcome=now.reading if now.corrected.standings else reading,
            status=status,
            remark=remark,
        )

    def _up_to_date(self, known: StoredPhoto) -> bool:
        if self.wishes.again:
            return False
        # A reading of an older version says nothing of what was not asked then.
        before = {**asdict(ReadSettings()), **known.settings}
        return asdict(self._settings(known.outcome.plate, known)) == before

    def _keep_wishes(self, connection: sa.Connection, plate: str) -> None:
        """What was said while recording holds for the plate from now on."""
        wishes = self.wishes
        if not any(
            (
                wishes.bar_mm,
                wishes.normal_mouths,
                wishes.disc_height_mm is not None,
                wishes.water_depth_mm is not None,
            )
        ):
            return
        hold_plate(connection, plate)
        facts = facts_of(connection, plate)
        said = replace(
            facts,
            bar_mm=self.wishes.bar_mm or facts.bar_mm,
            normal_mouths=self.wishes.normal_mouths or facts.normal_mouths,
            disc_height_mm=_said(self.wishes.disc_height_mm, facts.disc_height_mm),
            water_depth_mm=_said(self.wishes.water_depth_mm, facts.water_depth_mm),
        )
        if said != facts:
            set_facts(connection, said)

    def keep_refusal(self, path: Path, refusal: Refusal) -> str:
        """Write down that a photo could not be read; return what is to be said of that."""
        if not refusal.facts.sha256:
            return ""

        def keep(connection: sa.Connection) -> str:
            known = find_photo(connection, refusal.facts.sha256)
            if known is not None and isinstance(known.outcome, PlateReading):
                return "the reading on record is kept"
            save_photo(
                connection,
                refusal,
                path=shown_path(path.resolve()),
                settings=asdict(self.settings_said()),
            )
            return ""

        return self.logbook.write(keep)


def _said(now: float | None, before: float | None) -> float | None:
    """What is said now, else what was said before; 0 is said, too."""
    return before if now is None else now


def _short(path: str) -> str:
    """The end of a path: enough to know the photo by."""
    return "/".join(Path(path).parts[-2:])


def _kept_remark(now: CorrectedPhoto) -> str:
    """What became of the corrections of a photo that was read again."""
    held = [one for one in now.corrected.standings if one.state != "withdrawn"]
    if not held:
        return ""
    waiting = len(now.corrected.open)
    words = f"{len(held)} corrections kept"
    return f"{words}, {waiting} open: look" if waiting else words


def _check_date(facts: PhotoFacts, date: PhotoDate | None, *, trust: bool) -> None:
    if date is None:
        raise DateMissing(
            f"{facts.photo} has no date in it or in its name, so it has no place in time. Give "
            "it with --date YYYY-MM-DD, or put the date into the file's name."
        )
    if date.doubt and not trust:
        raise DateDoubtful(
            f"{facts.photo} is dated {date.at.isoformat()}, {date.doubt}. Give the right date "
            "with --date YYYY-MM-DD, or record it as it is with --trust-dates."
        )
