"""Is everything there, whole, and does every number follow from what is kept?"""

import contextlib
import math
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from pathlib import Path
from typing import Literal

import numpy as np
import sqlalchemy as sa

from polypvision.errors import PhotoError, PolypvisionError
from polypvision.files.copies import copy_file, file_hash
from polypvision.files.photos import find_photos, read_file, shown_path
from polypvision.files.pixels import open_photo
from polypvision.files.remote import Place, place_of
from polypvision.pipeline import ReadSettings
from polypvision.plates.corrected import corrected_photo, followed, reading_mark
from polypvision.plates.manifest import LOGBOOK, damage, placed_files, read_manifest
from polypvision.plates.read import Desk, Progress
from polypvision.plates.reader import PhotoReader, ReadWishes
from polypvision.reading import PlateReading, from_record, to_record
from polypvision.store.corrections import corrections_in
from polypvision.store.facts import plate_names
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.raw import RawPhoto, database_faults, raw_photos
from polypvision.store.readings import (
    PhotoPlaces,
    StoredPhoto,
    add_name,
    find_photo,
    photos_of,
)

Kind = Literal["logbook", "reading", "correction", "plate", "photo", "backup"]

_SAME = 0.005
"""Part by which an area may differ from that of its outline: outlines are kept to a thousandth of a
millimetre, and the first versions counted pixels."""
_ROUNDED_MM = 0.001
_FROM_BACKUP = "Go back to a backup: polypvision restore"
_READ_AGAIN = "Read the photo again: polypvision read PHOTO --record --again"


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """Something that is missing or wrong.

    Attributes
    ----------
    kind : {'logbook', 'reading', 'correction', 'plate', 'photo', 'backup'}
    what : str
        A sentence.
    remedy : str
        What to do.
    """

    kind: Kind
    what: str
    remedy: str


@dataclass(frozen=True, kw_only=True)
class Verified:
    """What was looked at, and what was wrong.

    Attributes
    ----------
    n_plates, n_photos, n_corrections : int
        In the logbook; photos that were read and are not forgotten.
    n_files : int
        Photos that were found, with the bytes that were read.
    n_read_again : int
        Photos that were read once more, to compare.
    found : tuple of str
        New places of photos, found by their hash.
    troubles : tuple of Trouble
    """

    n_plates: int = 0
    n_photos: int = 0
    n_corrections: int = 0
    n_files: int = 0
    n_read_again: int = 0
    found: tuple[str, ...] = ()
    troubles: tuple[Trouble, ...] = ()


def verify(
    logbook: Logbook,
    *,
    find_in: Sequence[Path] = (),
    read_again: int = 0,
    progress: Progress | None = None,
) -> Verified:
    """Check the logbook, every photo's bytes, and every number that can be worked out anew.

    Parameters
    ----------
    logbook : Logbook
    find_in : sequence of Path
        Folders in which photos that are not where they were are looked for, by their hash; where
        they lie now is written down.
    read_again : int
        So many photos, spread over all, are read once more and must give the same reading.
    progress : callable, optional

    Raises
    ------
    LogbookError
        If the logbook cannot be read at all.
    """
    with logbook.reading() as connection:
        troubles = [
            Trouble(kind="logbook", what=f"The database says: {fault}.", remedy=_FROM_BACKUP)
            for fault in database_faults(connection)
        ]
        troubles += (one for raw in raw_photos(connection) for one in _raw_troubles(raw))
        if troubles:
            # What rests on damaged rows would only fail in other words.
            return Verified(troubles=tuple(troubles))
        plates = plate_names(connection)
        photos: list[PhotoPlaces] = []
        n_corrections = 0
        for done, plate in enumerate(plates):
            if progress:
                progress(done, len(plates), plate)
            # No longer than for its own plate is a reading held.
            stored = photos_of(connection, plate)
            photos += (PhotoPlaces(sha256=one.sha256, names=one.names) for one in stored)
            count, of_corrections = _corrections(connection, stored)
            n_corrections += count
            troubles += of_corrections
            troubles += _followed(connection, plate)
    places, lost = _places(photos, progress)
    found = _find(logbook, lost, find_in) if find_in else {}
    places |= found
    troubles += (_lost(photo) for photo in lost if photo.sha256 not in found)
    again = _spread([photo for photo in photos if photo.sha256 in places], read_again)
    troubles += _compared(logbook, again, places, progress)
    return Verified(
        n_plates=len(plates),
        n_photos=len(photos),
        n_corrections=n_corrections,
        n_files=len(places),
        n_read_again=len(again),
        found=tuple(shown_path(path) for path in found.values()),
        troubles=tuple(troubles),
    )


def _raw_troubles(raw: RawPhoto) -> Iterator[Trouble]:
    """What of a photo's rows does not fit together, or does not follow from its outlines."""

    def trouble(what: str) -> Trouble:
        return Trouble(
            kind="reading",
            what=f"Photo {raw.sha256[:12]}: {what}.",
            remedy=f"{_READ_AGAIN}. Or go back to a backup: polypvision restore",
        )

    try:
        outcome = from_record(raw.record or {})
    except (KeyError, TypeError, ValueError, IndexError) as error:
        yield trouble(f"its reading cannot be understood ({type(error).__name__}: {error})")
        return
    facts = outcome.facts
    taken_at = None if facts.taken_at is None else facts.taken_at.isoformat()
    kind = None if isinstance(outcome, PlateReading) else outcome.kind
    if (raw.sha256, raw.plate, raw.taken_at, raw.error) != (
        facts.sha256,
        outcome.plate,
        taken_at,
        kind,
    ):
        yield trouble("its hash, plate, date or error is not that of its reading")
    record = to_record(outcome)
    if not _same_rows(raw, record["polyps"]):
        yield trouble("its rows of polyps and mouths are not those of its reading")
    if isinstance(outcome, PlateReading):
        for said in _numbers(outcome):
            yield trouble(said)


def _same_rows(raw: RawPhoto, polyps: Sequence[dict[str, object]]) -> bool:
    if [row["label"] for row in raw.polyps] != sorted(int(str(p["label"])) for p in polyps):
        return False
    by_label = {one["label"]: one for one in polyps}
    for row in raw.polyps:
        own = by_label[row["label"]]
        flags = own["flags"]
        assert isinstance(flags, list)
        if row["flags"] != " ".join(flags) or raw.n_mouths.get(row["label"], 0) != own["n_mouths"]:
            return False
        if any(row[name] != own[name] for name in row if name not in ("sha256", "flags")):
            return False
    return True


def _numbers(reading: PlateReading) -> Iterator[str]:
    """What of a reading's numbers does not follow from its outlines."""
    for polyp in reading.polyps:
        x, y = polyp.outline_mm.T
        # The shoelace formula for the area of a polygon.
        area = 0.5 * abs(float(x @ np.roll(y, 1) - y @ np.roll(x, 1)))
        slack = _SAME * area + _ROUNDED_MM * float(np.hypot(np.ptp(x), np.ptp(y)))
        if not abs(area - polyp.area_mm2) <= slack:
            yield f"polyp {polyp.label} has {polyp.area_mm2} mm2, its outline {area:.4f}"
        diameter = math.sqrt(4 * polyp.area_mm2 / math.pi)
        if not abs(diameter - polyp.diameter_mm) <= _ROUNDED_MM:
            yield f"polyp {polyp.label} measures {polyp.diameter_mm} mm, its area {diameter:.4f}"


def _corrections(
    connection: sa.Connection, photos: Sequence[StoredPhoto]
) -> tuple[int, list[Trouble]]:
    """Do every correction once more; return how many, and which cannot be done at all."""
    count, troubles = 0, []
    for photo in photos:
        try:
            said = corrections_in(connection, [photo.sha256])[photo.sha256]
            count += len(said)
            numbers = [one.number for one in said]
            if numbers != list(range(1, len(said) + 1)):
                raise ValueError(f"numbers {numbers} are not 1, 2, 3 ...")
            corrected_photo(photo, said)
        except Exception as error:
            # Whatever fails here fails on the plate's page, too.
            troubles.append(
                Trouble(
                    kind="correction",
                    what=f"The corrections of {photo.names[-1]} cannot be done ({error}).",
                    remedy=_FROM_BACKUP,
                )
            )
    return count, troubles


def _followed(connection: sa.Connection, plate: str) -> Iterator[Trouble]:
    """Follow a plate once more."""
    try:
        followed(connection, plate)
    except Exception as error:
        yield Trouble(
            kind="plate",
            what=f"Plate {plate} cannot be followed through time ({error}).",
            remedy=_FROM_BACKUP,
        )


def _places(
    photos: Sequence[PhotoPlaces], progress: Progress | None
) -> tuple[dict[str, Place], list[PhotoPlaces]]:
    """Return where photos lie with the bytes that were read, by hash, and those that do not."""
    places: dict[str, Place] = {}
    lost = []
    for done, photo in enumerate(photos):
        if progress:
            progress(done, len(photos), photo.names[-1])
        for name in reversed(photo.names):
            with contextlib.suppress(OSError, ValueError, PhotoError):
                place = place_of(name)
                if _hash(place) == photo.sha256:
                    places[photo.sha256] = place
                    break
        else:
            lost.append(photo)
    if progress:
        progress(len(photos), len(photos), "")
    return places, lost


def _hash(place: Place) -> str:
    return file_hash(place) if isinstance(place, Path) else read_file(place).sha256


def _find(
    logbook: Logbook, lost: Sequence[PhotoPlaces], folders: Sequence[Path]
) -> dict[str, Path]:
    """Look for photos by their hash, and write down where they lie now."""
    wanted = {photo.sha256 for photo in lost}
    found: dict[str, Path] = {}
    for path, trouble in find_photos(folders):
        if len(found) == len(wanted):
            break
        if trouble is not None or not isinstance(path, Path):
            continue
        with contextlib.suppress(OSError):
            sha256 = file_hash(path)
            if sha256 in wanted:
                found.setdefault(sha256, path.resolve())

    def name(connection: sa.Connection) -> None:
        for sha256, path in found.items():
            if find_photo(connection, sha256) is not None:
                add_name(connection, sha256, shown_path(path))

    logbook.write(name)
    return found


def _lost(photo: PhotoPlaces) -> Trouble:
    changed = [name for name in photo.names if Path(name).is_file()]
    what = f"{changed[-1]} was changed" if changed else f"{photo.names[-1]} is not there any more"
    return Trouble(
        kind="photo",
        what=f"{what}.",
        remedy="The readings of these photos are kept, but they can be neither shown nor read "
        "again. If their folder was moved: polypvision verify --find FOLDER. Else bring them back "
        "from a backup with photos: polypvision restore BACKUP --photos FOLDER",
    )


def _spread(photos: Sequence[PhotoPlaces], n: int) -> list[PhotoPlaces]:
    """Return so many photos, evenly spread."""
    if n >= len(photos):
        return list(photos)
    return [photos[round(i * (len(photos) - 1) / max(1, n - 1))] for i in range(n)]


def _compared(
    logbook: Logbook,
    photos: Sequence[PhotoPlaces],
    places: dict[str, Place],
    progress: Progress | None,
) -> Iterator[Trouble]:
    """Read photos with the settings they were read with, and compare."""
    if not photos:
        return
    reader = PhotoReader(Desk(ReadWishes()).brief())
    for done, photo in enumerate(photos):
        if progress:
            progress(done, len(photos), photo.names[-1])
        stored = logbook.look(partial(find_photo, sha256=photo.sha256))
        if stored is None:
            continue  # Forgotten meanwhile.
        said = _read_again(reader, stored, places[photo.sha256])
        if said:
            yield Trouble(
                kind="reading",
                what=f"{photo.names[-1]}, read again, {said}.",
                remedy=f"It was read by version {stored.program}. {_READ_AGAIN}",
            )


def _read_again(reader: PhotoReader, photo: StoredPhoto, place: Place) -> str:
    assert isinstance(photo.outcome, PlateReading)
    known = {field.name for field in fields(ReadSettings)}
    settings = ReadSettings(**{k: v for k, v in photo.settings.items() if k in known})
    try:
        file = read_file(place)
        pixels = open_photo(file.data, file.shown)
        reading = reader.read_pixels(file, pixels, photo.outcome.facts, settings)
    except (PhotoError, PolypvisionError) as error:
        return f"could not be read ({error})"
    same = reading_mark(replace(reading, facts=photo.outcome.facts)) == reading_mark(photo.outcome)
    return "" if same else "gives other numbers than are kept"


def verify_backup(backup: Path, *, photos: bool = True) -> tuple[int, tuple[Trouble, ...]]:
    """Check every file of a backup against its hash, and the logbook in it.

    Parameters
    ----------
    backup : Path
        The folder with the manifest.
    photos : bool
        Whether to check the photos, too.

    Returns
    -------
    int
        Files looked at.
    tuple of Trouble

    Raises
    ------
    BackupError
        If it is no backup.
    """
    manifest = read_manifest(backup)
    troubles, count = [], 0
    for file, path in placed_files(backup, manifest):
        if file in manifest.photos and not photos:
            continue
        count += 1
        wrong = damage(file, path)
        if wrong:
            troubles.append(
                Trouble(kind="backup", what=f"{path}: {wrong}.", remedy="Make another backup.")
            )
    if not troubles:
        (kept,) = (file for file in manifest.files if file.path == LOGBOOK)
        with tempfile.TemporaryDirectory(prefix="polypvision-") as folder:
            # A copy, for looking into a logbook may bring it up to date.
            copy_file(backup / LOGBOOK, Path(folder) / LOGBOOK, kept.sha256)
            with open_logbook(Path(folder) / LOGBOOK) as book:
                troubles += (one for one in verify(book).troubles if one.kind != "photo")
    return count, tuple(troubles)
