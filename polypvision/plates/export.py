"""Tables, outlines and pictures taken out of the logbook."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Literal

import pandas as pd

from polypvision.columns import EVENTS, OBSERVATIONS, table
from polypvision.errors import PhotoUnreadable
from polypvision.files.outputs import (
    json_text,
    make_folder,
    picture_bytes,
    write_bytes,
    write_text,
)
from polypvision.files.tables import (
    coco_record,
    csv_bytes,
    parquet_bytes,
    photo_table,
    polyp_table,
)
from polypvision.healing import wound_courses
from polypvision.plates.corrected import CorrectedPhoto, corrected_photos, followed
from polypvision.plates.log import list_plates
from polypvision.plates.report import file_stem
from polypvision.plates.show import photo_pixels
from polypvision.reports.tables import events_table, observations_table
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto, refused_photos

Format = Literal["csv", "parquet", "coco"]

_WRITERS: dict[Format, Callable[[pd.DataFrame], bytes]] = {
    "csv": csv_bytes,
    "parquet": parquet_bytes,
}


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
    names = plates or [one.facts.plate for one in list_plates(logbook)]
    found: list[CorrectedPhoto] = []
    observations, events = [table((), OBSERVATIONS)], [table((), EVENTS)]
    for plate in names:
        with logbook.reading() as connection:
            tracks, log = followed(connection, plate)
            found += corrected_photos(connection, plate)
        observations.append(observations_table(tracks, wound_courses(tracks, log)))
        events.append(events_table(tracks, log))
    photos = [one.photo for one in found]
    refused: list[StoredPhoto] = []
    if not plates:
        # Which plate they show is not known, so they belong only to the whole.
        with logbook.reading() as connection:
            refused = refused_photos(connection)
    tables = {
        "photos": photo_table([photo.outcome for photo in (*photos, *refused)]),
        "polyps": polyp_table([photo.outcome for photo in photos]),
        "observations": pd.concat(observations, ignore_index=True),
        "events": pd.concat(events, ignore_index=True),
    }
    written: list[Path] = []
    for form in formats:
        if form == "coco":
            continue
        for name, frame in tables.items():
            written.append(folder / f"{name}.{form}")
            write_bytes(written[-1], _WRITERS[form](frame))
    if "coco" in formats:
        written.append(folder / "outlines.coco.json")
        write_text(written[-1], json_text(_coco(found)))
        checked = [one for one in found if one.corrected.authors]
        if checked:
            # To learn from: only photos on which a person has put something right.
            written.append(folder / "corrected.coco.json")
            write_text(written[-1], json_text(_coco(checked)))
    missing: list[str] = []
    if pictures:
        make_folder(folder / "pictures")
        for photo in photos:
            try:
                rgb = photo_pixels(photo)
            except PhotoUnreadable as error:
                missing.append(str(error))
                continue
            written.append(folder / _picture_name(photo))
            write_bytes(written[-1], picture_bytes(rgb, photo.outcome.facts.taken_at))
    return written, missing


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
