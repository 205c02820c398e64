"""Tables, outlines and pictures taken out of the logbook."""

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Literal

from polypvision.columns import EVENTS, OBSERVATIONS, PHOTOS, POLYPS
from polypvision.errors import PhotoUnreadable
from polypvision.files.coco import CocoFile
from polypvision.files.outputs import make_folder, picture_bytes, write_bytes, writing_whole
from polypvision.files.table_files import TableFiles, TableForm
from polypvision.files.tables import photo_table, polyp_table
from polypvision.healing import wound_courses
from polypvision.plates.corrected import CorrectedPhoto, corrected_photos, follow
from polypvision.plates.log import names_of_plates
from polypvision.plates.read import Progress
from polypvision.plates.sheets import file_stem
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
    progress: Progress | None = None,
) -> tuple[list[Path], list[str]]:
    """Write what is recorded of these plates to a folder, plate by plate.

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
    progress : callable, optional
        Told of each plate: how many are done, of how many, and its name.

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
    written: list[Path] = []
    missing: list[str] = []
    with ExitStack() as stack:
        outlines = [stack.enter_context(_Outlines(folder))] if "coco" in formats else []
        files = stack.enter_context(TableFiles(folder, _TABLES, forms))
        for done, plate in enumerate(names):
            if progress is not None:
                progress(done, len(names), plate)
            found = _add_plate(logbook, plate, files)
            for one in outlines:
                one.add(found)
            if pictures:
                _write_pictures([one.photo for one in found], folder, written, missing)
        if not plates:
            # Which plate they show is not known, so they belong only to the whole.
            refused = logbook.look(refused_photos)
            files.add("photos", photo_table([photo.outcome for photo in refused]))
        drawn = [path for one in outlines for path in one.write()]
    return [*files.paths, *drawn, *written], missing


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


class _Outlines:
    """Outlines of all photos, and once more of those that people corrected."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        with ExitStack() as stack:
            self._all = stack.enter_context(CocoFile(folder))
            # To learn from: only photos on which a person has put something right.
            self._corrected = stack.enter_context(CocoFile(folder))
            self._stack = stack.pop_all()

    def __enter__(self) -> "_Outlines":
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def add(self, found: Sequence[CorrectedPhoto]) -> None:
        for one in found:
            assert one.photo.size_px is not None, "what was read was decoded"
            for file in (self._all, *([self._corrected] if one.corrected.authors else ())):
                file.add(
                    one.reading,
                    size_px=one.photo.size_px,
                    file_name=_picture_name(one.photo),
                    authors=one.corrected.authors,
                )

    def write(self) -> list[Path]:
        """Write the files, and return which."""
        written = []
        for name, file in (("outlines", self._all), ("corrected", self._corrected)):
            if name == "outlines" or file.n_images:
                written.append(self._folder / f"{name}.coco.json")
                with writing_whole(written[-1]) as out:
                    file.copy_to(out)
        return written


def _picture_name(photo: StoredPhoto) -> str:
    """A name that tells plate and date, and is no other photo's."""
    at = photo.outcome.facts.taken_at
    day = f"{at:%Y-%m-%d}" if at else "undated"
    stem = file_stem(photo.outcome.plate or "")
    return f"pictures/{stem}_{day}_{photo.sha256[:12]}.jpg"
