"""Tables, outlines and pictures taken out of the logbook."""

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from polypvision.columns import EVENTS, OBSERVATIONS, PHOTOS, POLYPS
from polypvision.errors import PhotoUnreadable
from polypvision.files.outputs import (
    json_text,
    make_folder,
    picture_bytes,
    write_bytes,
    write_text,
)
from polypvision.files.table_files import TableFiles, TableForm
from polypvision.files.tables import coco_record, photo_table, polyp_table
from polypvision.healing import wound_courses
from polypvision.plates.corrected import CorrectedPhoto, corrected_photos, follow
from polypvision.plates.log import names_of_plates
from polypvision.plates.report import file_stem
from polypvision.plates.show import photo_pixels
from polypvision.reports.tables import events_table, observations_table
from polypvision.store.entries import entries_of
from polypvision.store.facts import facts_of
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto, refused_photos

Format = Literal["csv", "parquet", "coco"]


def export_plates(
    logbook: Logbook,
    plates: Sequence[str] | None,
    folder: Path,
    *,
    formats: Sequence[Format],
    pictures: bool = False,
) -> tuple[list[Path], list[str]]:
    """Write what is recorded of these plates to a folder.

    Parameters
    ----------
    logbook : Logbook
    plates : sequence of str or None
        All of them, and the photos that could not be read, if None or empty.
    folder : Path
        Made if missing; files of the same names are replaced.
    formats : sequence of {'csv', 'parquet', 'coco'}
    pictures : bool
        Also write the photos that the outlines lie on: upright, with their date and no other
        data, least of all where they were taken.

    Returns
    -------
    list of Path
        The files written.
    list of str
        Photos that were not found where they were, in words.

    Raises
    ------
    PlateUnknown, OutputError
    """
    make_folder(folder)
    names = plates or names_of_plates(logbook)
    forms: list[TableForm] = [form for form in formats if form != "coco"]
    files = TableFiles(folder, _TABLES, forms)
    written: list[Path] = []
    missing: list[str] = []
    outlined: list[CorrectedPhoto] = []
    with files:
        for plate in names:
            found = _add_plate(logbook, plate, files)
            if "coco" in formats:
                outlined += found
            if pictures:
                _write_pictures([one.photo for one in found], folder, written, missing)
        if not plates:
            # Which plate they show is not known, so they belong only to the whole.
            refused = logbook.look(refused_photos)
            files.add("photos", photo_table([photo.outcome for photo in refused]))
    first = list(files.paths)
    if "coco" in formats:
        first += _write_outlines(outlined, folder)
    return [*first, *written], missing


_TABLES = {"photos": PHOTOS, "polyps": POLYPS, "observations": OBSERVATIONS, "events": EVENTS}


def _add_plate(logbook: Logbook, plate: str, files: TableFiles) -> list[CorrectedPhoto]:
    """Write the rows of one plate, and return its photos."""
    with logbook.reading() as connection:
        facts = facts_of(connection, plate)
        found = corrected_photos(connection, plate)
        entries = entries_of(connection, plate)
    tracks, log = follow(found, entries, normal_mouths=facts.normal_mouths)
    outcomes = [one.photo.outcome for one in found]
    files.add("photos", photo_table(outcomes))
    files.add("polyps", polyp_table(outcomes))
    files.add("observations", observations_table(tracks, wound_courses(tracks, log)))
    files.add("events", events_table(tracks, log))
    return found


def _write_pictures(
    photos: Sequence[StoredPhoto], folder: Path, written: list[Path], missing: list[str]
) -> None:
    make_folder(folder / "pictures")
    for photo in photos:
        try:
            rgb = photo_pixels(photo)
        except PhotoUnreadable as error:
            missing.append(str(error))
            continue
        written.append(folder / _picture_name(photo))
        write_bytes(written[-1], picture_bytes(rgb, photo.outcome.facts.taken_at))


def _write_outlines(found: Sequence[CorrectedPhoto], folder: Path) -> list[Path]:
    written = [folder / "outlines.coco.json"]
    write_text(written[-1], json_text(_coco(found)))
    checked = [one for one in found if one.corrected.authors]
    if checked:
        # To learn from: only photos on which a person has put something right.
        written.append(folder / "corrected.coco.json")
        write_text(written[-1], json_text(_coco(checked)))
    return written


def _picture_name(photo: StoredPhoto) -> str:
    """A name that tells plate and date, and is no other photo's."""
    at = photo.outcome.facts.taken_at
    day = f"{at:%Y-%m-%d}" if at else "undated"
    stem = file_stem(photo.outcome.plate or "")
    return f"pictures/{stem}_{day}_{photo.sha256[:12]}.jpg"


def _coco(found: Sequence[CorrectedPhoto]) -> dict[str, object]:
    return coco_record(
        [one.reading for one in found],
        {one.photo.sha256: one.photo.size_px for one in found if one.photo.size_px is not None},
        {one.photo.sha256: _picture_name(one.photo) for one in found},
        {one.photo.sha256: one.corrected.authors for one in found},
    )
