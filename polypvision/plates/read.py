"""Photos read, one after the other, and recorded: each whole or not at all."""

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from polypvision import pipeline
from polypvision.errors import (
    CardMissing,
    DateDoubtful,
    DateMissing,
    LogbookError,
    PhotoError,
    PolypvisionError,
)
from polypvision.files.dates import PhotoDate
from polypvision.files.photos import PhotoFile, date_of, find_photos, read_file, shown_path
from polypvision.files.pixels import decode
from polypvision.pipeline import ReadSettings
from polypvision.plates.corrected import CorrectedPhoto, find_corrected
from polypvision.reading import Outcome, PhotoFacts, PlateReading, Refusal
from polypvision.store.facts import PlateFacts, facts_of, find_facts, set_facts
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto, add_name, find_photo, save_photo, twin_of

Status = Literal["read", "recorded", "again", "known", "refused"]
"""Read only; recorded for the first time; recorded again; known already; could not be read."""

Progress = Callable[[int, int, str], None]
"""Called with photos done, photos in all, and the name of the next."""


@dataclass(frozen=True, kw_only=True)
class ReadWishes:
    """What a person says about all photos of one reading.

    Attributes
    ----------
    mm_per_px, bar_mm, plate, normal_mouths
        As in `pipeline.ReadSettings`; None leaves it to what the logbook says of the plate.
    date : datetime or None
        For photos without a date of their own.
    trust_dates : bool
        Record dates that cannot be right, too.
    again : bool
        Read known photos once more.
    """

    mm_per_px: float | None = None
    bar_mm: float | None = None
    plate: str | None = None
    normal_mouths: int | None = None
    date: datetime | None = None
    trust_dates: bool = False
    again: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class PhotoOutcome:
    """One photo: its reading or refusal, what was done with it, and a remark for the person."""

    outcome: Outcome
    status: Status
    remark: str = ""


def read_photos(
    paths: Iterable[Path],
    wishes: ReadWishes | None = None,
    *,
    logbook: Logbook | None = None,
    progress: Progress | None = None,
) -> list[PhotoOutcome]:
    """Read photos, and record them if a logbook is given. A bad photo stops no other.

    Parameters
    ----------
    paths : iterable of Path
        Photos, or folders of them.
    wishes : ReadWishes, optional
    logbook : Logbook, optional
        Each photo is one transaction: whatever stops the reading, those before it are kept, and
        reading the same again completes it.
    progress : callable, optional

    Returns
    -------
    list of PhotoOutcome
        One per photo, in the order of the paths; sorted within a folder.

    Raises
    ------
    LogbookError
        If the logbook cannot be written.
    """
    found = list(find_photos(paths))
    reader = _Reader(wishes or ReadWishes(), logbook)
    outcomes = []
    for done, (path, trouble) in enumerate(found):
        if progress:
            progress(done, len(found), shown_path(path))
        outcomes.append(reader.one(path, trouble))
    if progress:
        progress(len(found), len(found), "")
    return outcomes


class _Reader:
    """Reads one photo after the other; remembers the last plate, for the next is often its own."""

    def __init__(self, wishes: ReadWishes, logbook: Logbook | None) -> None:
        self.wishes = wishes
        self.logbook = logbook
        self.last_plate: str | None = wishes.plate

    def one(self, path: Path, trouble: PhotoError | None) -> PhotoOutcome:
        facts = PhotoFacts(photo=shown_path(path), sha256="")
        kind: str
        try:
            if trouble is not None:
                raise trouble
            photo = read_file(path)
            date = date_of(photo, given=self.wishes.date)
            facts = PhotoFacts(
                photo=photo.shown, sha256=photo.sha256, taken_at=date.at if date else None
            )
            if self.logbook is None:
                reading, _ = self._read(decode(photo.data, photo.shown), facts, None)
                return PhotoOutcome(outcome=reading, status="read", remark=_date_remark(date))
            return self._record(photo, facts, date, self.logbook)
        except LogbookError:
            raise  # Not the photo's fault; the next would fare no better.
        except PolypvisionError as error:
            kind, message = error.kind, str(error)
        except Exception as error:
            # A fault of ours in one photo must not cost the person the others.
            kind = "internal"
            message = (
                f"{facts.photo} could not be read because of a fault in polypvision "
                f"({type(error).__name__}: {error}). Please report it with the photo."
            )
        refusal = Refusal(facts=facts, kind=kind, message=message)
        return self._note_refusal(path, refusal)

    def _settings(self, plate: str | None, known: StoredPhoto | None) -> ReadSettings:
        """What the person says now, else said of this photo before, else says of the plate."""
        wishes, facts, before = self.wishes, None, known.settings if known else {}
        if self.logbook is not None and plate is not None:
            with self.logbook.reading() as connection:
                facts = find_facts(connection, plate)
        facts = facts or PlateFacts(plate=plate or "")
        return ReadSettings(
            mm_per_px=wishes.mm_per_px or before.get("mm_per_px"),
            plate=wishes.plate or before.get("plate"),
            bar_mm=wishes.bar_mm or facts.bar_mm,
            normal_mouths=wishes.normal_mouths or facts.normal_mouths,
        )

    def _read(
        self, rgb: NDArray[np.uint8], facts: PhotoFacts, known: StoredPhoto | None
    ) -> tuple[PlateReading, ReadSettings]:
        settings = self._settings(self.last_plate, known)
        reading = pipeline.read_plate(rgb, facts, settings)
        wanted = self._settings(reading.plate, known)
        if wanted != settings:
            # Only now is it known which plate it is, and so what was said of it.
            settings = wanted
            reading = pipeline.read_plate(rgb, facts, settings)
        self.last_plate = reading.plate
        return reading, settings

    def _record(
        self, photo: PhotoFile, facts: PhotoFacts, date: PhotoDate | None, logbook: Logbook
    ) -> PhotoOutcome:
        place = shown_path(photo.path.resolve())
        with logbook.reading() as connection:
            known = find_photo(connection, photo.sha256)
        if known is not None and isinstance(known.outcome, Refusal):
            known = None
        if known is not None and self._up_to_date(known):
            new_name = place not in known.names
            if new_name:
                with logbook.writing() as connection:
                    add_name(connection, photo.sha256, place)
            with logbook.reading() as connection:
                held = find_corrected(connection, photo.sha256).reading
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
        rgb = decode(photo.data, photo.shown)
        reading, settings = self._read(rgb, facts, known)
        if reading.plate is None:
            raise CardMissing(
                f"{facts.photo} shows no card, so it is not known which plate it is. Name the "
                "plate with --plate NAME to record it."
            )
        with logbook.writing() as connection:
            save_photo(
                connection,
                reading,
                path=place,
                settings=asdict(settings),
                size_px=(rgb.shape[1], rgb.shape[0]),
                date_source=date.source if date else None,
            )
            self._keep_wishes(connection, reading.plate)
            twin = twin_of(connection, reading) if date and date.source == "exif" else None
            now = find_corrected(connection, photo.sha256)
        remark = _date_remark(date) if known is None else _kept_remark(now)
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
        return asdict(self._settings(known.outcome.plate, known)) == dict(known.settings)

    def _keep_wishes(self, connection: sa.Connection, plate: str) -> None:
        """What was said while recording holds for the plate from now on."""
        facts = facts_of(connection, plate)
        said = replace(
            facts,
            bar_mm=self.wishes.bar_mm or facts.bar_mm,
            normal_mouths=self.wishes.normal_mouths or facts.normal_mouths,
        )
        if said != facts:
            set_facts(connection, said)

    def _note_refusal(self, path: Path, refusal: Refusal) -> PhotoOutcome:
        remark = ""
        if self.logbook is not None and refusal.facts.sha256:
            with self.logbook.writing() as connection:
                known = find_photo(connection, refusal.facts.sha256)
                if known is not None and isinstance(known.outcome, PlateReading):
                    remark = "the reading on record is kept"
                else:
                    save_photo(
                        connection,
                        refusal,
                        path=shown_path(path.resolve()),
                        settings=asdict(self._settings_said()),
                    )
        return PhotoOutcome(outcome=refusal, status="refused", remark=remark)

    def _settings_said(self) -> ReadSettings:
        wishes = self.wishes
        return ReadSettings(
            mm_per_px=wishes.mm_per_px,
            bar_mm=wishes.bar_mm,
            plate=wishes.plate,
            normal_mouths=wishes.normal_mouths or 1,
        )


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


def _date_remark(date: PhotoDate | None) -> str:
    if date is None:
        return "no date"
    if date.doubt:
        return f"date is {date.doubt.partition(':')[0]}"
    return {"exif": "", "name": "date from the file name", "given": "date as given"}[date.source]


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
