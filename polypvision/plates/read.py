"""Photos read, one after the other."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from polypvision import pipeline
from polypvision.calibrate.picture import Photo
from polypvision.calibrate.profile import choose_lens
from polypvision.errors import LogbookError, MemoryShort, PhotoError, PolypvisionError
from polypvision.files.dates import PhotoDate
from polypvision.files.lenses import photo_camera, read_profiles, usual_profiles
from polypvision.files.photos import PhotoFile, date_of, find_photos, read_file, shown_path
from polypvision.files.pixels import open_photo
from polypvision.pipeline import ReadSettings
from polypvision.reading import Outcome, PhotoFacts, PlateReading, Refusal

if TYPE_CHECKING:
    from polypvision.store.logbook import Logbook

Status = Literal["read", "recorded", "again", "known", "forgotten", "refused"]
"""Read only; recorded for the first time; recorded again; known already; left out, for a person
forgot it; could not be read."""

Progress = Callable[[int, int, str], None]
"""Called with photos done, photos in all, and the name of the next."""


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
    logbook: "Logbook | None" = None,
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
    reader = _reader(wishes or ReadWishes(), logbook)
    outcomes = []
    for done, (path, trouble) in enumerate(found):
        if progress:
            progress(done, len(found), shown_path(path))
        outcomes.append(reader.one(path, trouble))
    if progress:
        progress(len(found), len(found), "")
    return outcomes


def _reader(wishes: ReadWishes, logbook: "Logbook | None") -> "PhotoReader":
    if logbook is None:
        return PhotoReader(wishes)
    # Loaded only where something is recorded: the database costs as much time as a photo.
    from polypvision.plates.record import Recorder

    return Recorder(wishes, logbook)


class PhotoReader:
    """Reads one photo after the other, each by itself."""

    def __init__(self, wishes: ReadWishes) -> None:
        self.wishes = wishes
        self.profiles = read_profiles(wishes.profiles) if wishes.profiles else usual_profiles()

    def one(self, path: Path, trouble: PhotoError | None) -> PhotoOutcome:
        """Read one photo, or say why not."""
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
            return self.read_dated(photo, facts, date)
        except LogbookError:
            raise  # Not the photo's fault; the next would fare no better.
        except PolypvisionError as error:
            kind, message = error.kind, str(error)
        except Exception as error:
            kind, message = _unexpected(facts.photo, error)
        refusal = Refusal(facts=facts, kind=kind, message=message)
        return PhotoOutcome(
            outcome=refusal, status="refused", remark=self.keep_refusal(path, refusal)
        )

    def read_dated(
        self, photo: PhotoFile, facts: PhotoFacts, date: PhotoDate | None
    ) -> PhotoOutcome:
        """Read a photo whose date is known, if it has one."""
        pixels = open_photo(photo.data, photo.shown)
        reading = self.read_pixels(photo, pixels, facts, self.settings_said())
        return PhotoOutcome(outcome=reading, status="read", remark=date_remark(date))

    def read_pixels(
        self,
        photo: PhotoFile,
        pixels: Photo,
        facts: PhotoFacts,
        settings: ReadSettings,
    ) -> PlateReading:
        """Read a photo's pixels with what is known of its lens."""
        choice = choose_lens(
            self.profiles,
            photo_camera(photo.data, photo.shown),
            needed=not settings.surroundings.plain,
        )
        reading = pipeline.read_plate(pixels, facts, settings, choice.lens)
        return replace(reading, flags=(*reading.flags, *choice.flags))

    def keep_refusal(self, path: Path, refusal: Refusal) -> str:
        """Write down that a photo could not be read; return what is to be said of that."""
        return ""

    def settings_said(self) -> ReadSettings:
        """Return what the person says now."""
        wishes = self.wishes
        return ReadSettings(
            mm_per_px=wishes.mm_per_px,
            bar_mm=wishes.bar_mm,
            plate=wishes.plate,
            normal_mouths=wishes.normal_mouths or 1,
            disc_height_mm=wishes.disc_height_mm or 0.0,
            water_depth_mm=wishes.water_depth_mm or None,
            **self.settings_shared(),
        )

    def settings_shared(self) -> dict[str, Any]:
        """Return what is said of heights and water that no plate's record keeps."""
        wishes = self.wishes
        return {
            "disc_height_err_mm": wishes.disc_height_err_mm,
            "water_depth_err_mm": wishes.water_depth_err_mm,
            "port_mm": wishes.port_mm,
            "salinity": wishes.salinity,
            "temperature_c": wishes.temperature_c,
        }


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


def date_remark(date: PhotoDate | None) -> str:
    """Return what is to be said of a photo's date, nothing if all is well."""
    if date is None:
        return "no date"
    if date.doubt:
        return f"date is {date.doubt.partition(':')[0]}"
    return {"exif": "", "name": "date from the file name", "given": "date as given"}[date.source]
