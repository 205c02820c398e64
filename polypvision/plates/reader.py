"""One photo read by itself: what a worker does, wherever it runs.

Nothing here knows the logbook. A `PhotoReader` is given what all photos of a run share (a `Brief`)
and one `PhotoTask` after the other, and returns a `Finding` for each; what is made of it is for
`plates.record`. All of these can be sent to another process or computer.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polypvision import pipeline
from polypvision.beside import beside
from polypvision.calibrate.picture import Photo
from polypvision.calibrate.profile import LensProfile, choose_lens
from polypvision.calibrate.view import PlateView
from polypvision.errors import (
    CardMissing,
    DateDoubtful,
    DateMissing,
    MemoryShort,
    PolypvisionError,
)
from polypvision.files.dates import PhotoDate
from polypvision.files.lenses import photo_camera
from polypvision.files.photos import PhotoFile, date_of, read_file, shown_path
from polypvision.files.pixels import open_photo
from polypvision.files.remote import Place
from polypvision.memory import keep_freed_memory, pass_over_loaded
from polypvision.pipeline import ReadSettings
from polypvision.reading import Outcome, PhotoFacts, PlateReading, Refusal


@dataclass(frozen=True, kw_only=True)
class ReadWishes:
    """What a person says about all photos of one reading.

    Attributes
    ----------
    mm_per_px, bar_mm, plate, normal_mouths
        As in `pipeline.ReadSettings`; None leaves it to what the logbook says of the plate.
    disc_height_mm, disc_height_err_mm, water_depth_mm, water_depth_err_mm, port_mm
        As there; None leaves height and depth to what the logbook says of the plate.
    salinity, temperature_c
        As there.
    profiles : Path or None
        Folder of lens profiles; None takes the one beside the logbook.
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
    disc_height_mm: float | None = None
    disc_height_err_mm: float | None = None
    water_depth_mm: float | None = None
    water_depth_err_mm: float | None = None
    port_mm: float | None = None
    salinity: float | None = None
    temperature_c: float | None = None
    profiles: Path | None = None
    date: datetime | None = None
    trust_dates: bool = False
    again: bool = False


@dataclass(frozen=True, kw_only=True)
class PlateSaid:
    """What the logbook says of a plate that a reading depends on; None is not said."""

    bar_mm: float | None = None
    normal_mouths: int = 1
    disc_height_mm: float | None = None
    water_depth_mm: float | None = None


NOTHING_SAID = PlateSaid()


def nothing_said(plate: str) -> PlateSaid:
    """Return what is said of any plate where there is no logbook."""
    return NOTHING_SAID


def none_known(sha256: str) -> bool:
    """Return whether a photo is known where there is no logbook."""
    return False


@dataclass(frozen=True, eq=False)
class SaidTable:
    """What is said of plates, to be sent along; plates of which nothing is said are left out."""

    said: dict[str, PlateSaid]

    def __call__(self, plate: str) -> PlateSaid:
        """Return what is said of a plate."""
        return self.said.get(plate, NOTHING_SAID)


@dataclass(frozen=True, eq=False)
class KnownHashes:
    """Hashes of recorded photos, to be sent along: the first 8 bytes of each, sorted.

    Eight megabytes for a million photos. Two photos that share 8 bytes by chance (1 in 10 to the
    13th of a million photos) cost a second reading, for the logbook has the last word.
    """

    starts: NDArray[np.uint64]

    @classmethod
    def of(cls, hashes: list[str]) -> "KnownHashes":
        """Gather hexadecimal hashes."""
        return cls(np.sort(np.array([int(one[:16], 16) for one in hashes], np.uint64)))

    def __call__(self, sha256: str) -> bool:
        """Return whether a photo probably is recorded."""
        start = np.uint64(int(sha256[:16], 16))
        at = int(np.searchsorted(self.starts, start))
        return at < len(self.starts) and bool(self.starts[at] == start)


@dataclass(frozen=True, kw_only=True, eq=False)
class Brief:
    """What all photos of a run share.

    Attributes
    ----------
    wishes : ReadWishes
    recording : bool
        Whether readings will be recorded, so that each needs a date and a plate.
    profiles : tuple of LensProfile
    said_of : callable
        From a plate's name to what is said of it.
    is_known : callable
        From a photo's hash to whether it probably is recorded, so that it is not decoded.
    """

    wishes: ReadWishes
    recording: bool = False
    profiles: tuple[LensProfile, ...] = ()
    said_of: Callable[[str], PlateSaid] = nothing_said
    is_known: Callable[[str], bool] = none_known


@dataclass(frozen=True, kw_only=True)
class PhotoTask:
    """One photo to be read.

    Attributes
    ----------
    place : Path or PhotoUrl
    forced : bool
        Read it even if it is known.
    before : mapping
        Settings with which it was read before; empty if it never was.
    recorded : bool
        Whether a reading of it is on record; its date stands then.
    taken_at : datetime or None
        That date.
    said : mapping of str to PlateSaid
        What was said of a plate since the run began.
    """

    place: Place
    forced: bool = False
    before: Mapping[str, Any] = field(default_factory=dict)
    recorded: bool = False
    taken_at: datetime | None = None
    said: Mapping[str, PlateSaid] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class Finding:
    """What a worker found.

    Attributes
    ----------
    outcome : PlateReading, Refusal or None
        None if the photo probably is on record, so that it was not read.
    sha256 : str
        Empty if the file could not be read.
    settings : ReadSettings or None
        With which it was read.
    size_px : tuple of 2 ints or None
        Width and height, upright.
    date : PhotoDate or None
    stamp : str or None
        What the file may be known again by without reading it (`files.hashes`).
    """

    outcome: Outcome | None
    sha256: str = ""
    settings: ReadSettings | None = None
    size_px: tuple[int, int] | None = None
    date: PhotoDate | None = None
    stamp: str | None = None


def said(now: float | None, before: float | None) -> float | None:
    """Return what is said now, else what was said before; 0 is said, too."""
    return before if now is None else now


def settings_for(
    wishes: ReadWishes, plate: PlateSaid = NOTHING_SAID, before: Mapping[str, Any] | None = None
) -> ReadSettings:
    """Return what the person says now, else said of this photo before, else says of the plate."""
    before = before or {}
    return ReadSettings(
        mm_per_px=wishes.mm_per_px or before.get("mm_per_px"),
        plate=wishes.plate or before.get("plate"),
        bar_mm=wishes.bar_mm or plate.bar_mm,
        normal_mouths=wishes.normal_mouths or plate.normal_mouths,
        disc_height_mm=said(wishes.disc_height_mm, plate.disc_height_mm) or 0.0,
        water_depth_mm=said(wishes.water_depth_mm, plate.water_depth_mm) or None,
        # No plate's record keeps these.
        disc_height_err_mm=said(wishes.disc_height_err_mm, before.get("disc_height_err_mm")),
        water_depth_err_mm=said(wishes.water_depth_err_mm, before.get("water_depth_err_mm")),
        port_mm=said(wishes.port_mm, before.get("port_mm")),
        salinity=said(wishes.salinity, before.get("salinity")),
        temperature_c=said(wishes.temperature_c, before.get("temperature_c")),
    )


def _decoded(photo: PhotoFile, mm_per_px: float | None) -> Photo:
    """Return a photo, decoded as finely as it will be needed first."""
    pixels = open_photo(photo.data, photo.shown)
    if mm_per_px is None:
        pixels.survey()
    else:
        pixels.at_scale(mm_per_px)
    return pixels


class PhotoReader:
    """Reads one photo after the other; remembers the last plate, often that of the next photo.

    Also whether the last one was known: else the next is decoded while it is hashed, before it is
    clear that it has to be.
    """

    def __init__(self, brief: Brief) -> None:
        keep_freed_memory()
        self.brief = brief
        self._last_plate = brief.wishes.plate
        self._last_known = False

    def read(self, task: PhotoTask) -> Finding:
        """Read one photo, or say why not. Never raises for the photo's sake."""
        found = self._found(task)
        # By now all that reading needs is loaded.
        pass_over_loaded()
        return found

    def _found(self, task: PhotoTask) -> Finding:
        found = Finding(outcome=None)
        facts = PhotoFacts(photo=shown_path(task.place), sha256="")
        try:
            photo = read_file(task.place)
            scale = self.brief.wishes.mm_per_px or task.before.get("mm_per_px")
            decode = partial(_decoded, photo, scale)
            decoded = decode if self._last_known and not task.forced else beside(decode)
            # The hash first: while it is worked out Python is free to begin with decoding.
            found = Finding(outcome=None, sha256=photo.sha256, stamp=photo.stamp)
            date = date_of(photo, given=self.brief.wishes.date)
            facts = replace(facts, sha256=photo.sha256, taken_at=date.at if date else None)
            found = replace(found, date=date)
            self._last_known = not task.forced and self.brief.is_known(photo.sha256)
            if self._last_known:
                return found
            return self._read_dated(photo, decoded, facts, task, found)
        except PolypvisionError as error:
            kind, message = error.kind, str(error)
        except Exception as error:
            kind, message = _unexpected(facts.photo, error)
        return replace(found, outcome=Refusal(facts=facts, kind=kind, message=message))

    def _read_dated(
        self,
        photo: PhotoFile,
        decoded: Callable[[], Photo],
        facts: PhotoFacts,
        task: PhotoTask,
        found: Finding,
    ) -> Finding:
        if task.recorded and self.brief.wishes.date is None:
            # Read again, perhaps under a name that tells less: the date on record stands.
            facts = replace(facts, taken_at=task.taken_at)
        elif self.brief.recording:
            if found.date is None:
                decoded()  # Of what is no photo nobody need know the date.
            _check_date(facts, found.date, trust=self.brief.wishes.trust_dates)
        pixels = decoded()
        reading, settings = self._read_plate(photo, pixels, facts, task)
        if self.brief.recording and reading.plate is None:
            raise CardMissing(
                f"{facts.photo} shows no card, so it is not known which plate it is. Name the "
                "plate with --plate NAME to record it."
            )
        return replace(found, outcome=reading, settings=settings, size_px=pixels.size_px)

    def _settings(self, plate: str | None, task: PhotoTask) -> ReadSettings:
        known = NOTHING_SAID
        if plate is not None:
            known = task.said.get(plate) or self.brief.said_of(plate)
        return settings_for(self.brief.wishes, known, task.before)

    def _read_plate(
        self, photo: PhotoFile, pixels: Photo, facts: PhotoFacts, task: PhotoTask
    ) -> tuple[PlateReading, ReadSettings]:
        settings = self._settings(self._last_plate, task)
        try:
            view = self._view(photo, pixels, settings)
        except PolypvisionError:
            plain = self._settings(None, task)
            if plain == settings:
                raise
            # What is said of another plate must not refuse this one.
            settings = plain
            view = self._view(photo, pixels, settings)
        wanted = self._settings(view.plate, task)
        if wanted != settings:
            # Only now is it known which plate it is, and so what was said of it.
            settings = wanted
            view = self._view(photo, pixels, settings)
        self._last_plate = view.plate
        return pipeline.read_view(pixels, view, facts, settings), settings

    def _view(self, photo: PhotoFile, pixels: Photo, settings: ReadSettings) -> PlateView:
        """Return the plate, straightened with what is known of the photo's lens."""
        choice = choose_lens(
            self.brief.profiles,
            photo_camera(photo.data, photo.shown),
            needed=not settings.surroundings.plain,
        )
        view = pipeline.view_plate(pixels, settings, choice.lens)
        return replace(view, flags=(*view.flags, *choice.flags))

    def read_pixels(
        self,
        photo: PhotoFile,
        pixels: Photo,
        facts: PhotoFacts,
        settings: ReadSettings,
    ) -> PlateReading:
        """Read a photo with settings that are known."""
        view = self._view(photo, pixels, settings)
        return pipeline.read_view(pixels, view, facts, settings)


_MEMORY_WORDS = (
    "failed to allocate",
    "cannot allocate memory",
    "failed to map segment",  # While a library is loaded.
    "insufficient memory",
    "bad_alloc",
    "bad allocation",
)
"""How libraries say that there is no memory left; in C++ they have no error type for it."""


def _unexpected(photo: str, error: Exception) -> tuple[str, str]:
    """Return kind and words of an error that must not cost the person the other photos."""
    said = str(error).lower()
    if isinstance(error, MemoryError) or any(words in said for words in _MEMORY_WORDS):
        return MemoryShort.kind, (
            f"{photo} could not be read, for this computer has too little free memory. Close other "
            "programs, or read fewer photos at once; then read it again."
        )
    return "internal", (
        f"{photo} could not be read because of a fault in polypvision "
        f"({type(error).__name__}: {error}). Please report it with the photo."
    )


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


def date_remark(date: PhotoDate | None) -> str:
    """Return what is to be said of a photo's date, nothing if all is well."""
    if date is None:
        return "no date"
    if date.doubt:
        return f"date is {date.doubt.partition(':')[0]}"
    return {"exif": "", "name": "date from the file name", "given": "date as given"}[date.source]
