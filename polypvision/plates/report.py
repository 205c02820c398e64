"""Pages and charts of plates, written to a folder."""

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from polypvision.errors import PhotoUnreadable, PlateUnknown
from polypvision.files.outputs import make_folder, write_bytes, write_text
from polypvision.growth import growth_of
from polypvision.healing import wound_courses
from polypvision.plates.log import list_plates, log_of
from polypvision.plates.show import photo_pixels, stored_photos, tracks_of
from polypvision.reading import PlateReading, Points
from polypvision.reports import (
    growth_chart,
    index_page,
    plate_link,
    plate_page,
    png,
    render_page,
    svg,
    wound_chart,
)
from polypvision.reports.page import PlateLink
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto


def write_reports(
    logbook: Logbook, plates: Sequence[str] | None, folder: Path
) -> tuple[Path, list[str]]:
    """Write the pages of plates, their charts as PNG and SVG, and a list of the plates.

    Parameters
    ----------
    logbook : Logbook
    plates : sequence of str or None
        All plates of which photos are recorded, if None.
    folder : Path
        Made if missing; files of the same names are replaced.

    Returns
    -------
    Path
        The page to open first.
    list of str
        What could not be shown, in words.

    Raises
    ------
    PlateUnknown, OutputError
    """
    lines = {one.facts.plate: one.facts.line for one in list_plates(logbook)}
    names = [one.facts.plate for one in list_plates(logbook) if one.n_photos]
    if plates is not None:
        names = list(dict.fromkeys(plates))
    if not names:
        raise PlateUnknown(
            "The logbook has no photo of any plate yet. Record some with: "
            "polypvision read --record PHOTO..."
        )
    make_folder(folder)
    links: list[PlateLink] = []
    remarks: list[str] = []
    for name in names:
        link, remark = _write_plate(logbook, name, lines.get(name, ""), folder)
        links.append(link)
        remarks += [remark] if remark else []
    first = folder / "index.html"
    write_text(first, index_page(links))
    return first, remarks


def _write_plate(
    logbook: Logbook, plate: str, line: str, folder: Path
) -> tuple[PlateLink, str | None]:
    tracks, log = tracks_of(logbook, plate), log_of(logbook, plate)
    courses = wound_courses(tracks, log)
    growth = growth_of(tracks, courses)
    rgb, wounds_px, remark = _latest(stored_photos(logbook, plate))
    page = plate_page(
        tracks,
        log=log,
        line=line,
        rgb=rgb,
        wounds_px=wounds_px,
        courses=courses,
        growth=growth,
    )
    stem = file_stem(plate)
    if tracks.photos:
        charts = {
            "growth": growth_chart(tracks, growth, courses, log),
            "wounds": wound_chart(tracks, courses, log),
        }
        for word, figure in charts.items():
            write_bytes(folder / f"{stem}-{word}.png", png(figure))
            write_bytes(folder / f"{stem}-{word}.svg", svg(figure))
    href = f"{stem}.html"
    write_text(folder / href, render_page(page))
    return plate_link(tracks, courses, href=href, line=line), remark


def _latest(
    photos: Sequence[StoredPhoto],
) -> tuple[NDArray[np.uint8] | None, Mapping[int, Sequence[Points]] | None, str | None]:
    """The latest photo's pixels and where its wounds lie in them, or why there are none."""
    if not photos:
        return None, None, None
    latest = photos[-1]
    try:
        rgb = photo_pixels(latest)
    except PhotoUnreadable as error:
        return None, None, f"{error} Its page goes without the picture."
    assert isinstance(latest.outcome, PlateReading)
    wounds = {polyp.label: polyp.wound_outlines_px for polyp in latest.outcome.polyps}
    return rgb, wounds, None


def file_stem(plate: str) -> str:
    """Return a plate's name as part of a file name, alike on every system.

    Examples
    --------
    >>> file_stem("0042"), file_stem("rack 3/left")
    ('plate-0042', 'plate-rack_3_left-34ca9b')
    """
    plain = "".join(c if c.isalnum() or c in "-_" else "_" for c in plate)[:80]
    if plain != plate:
        # Two names may become alike; their hashes do not.
        plain += f"-{hashlib.sha256(plate.encode()).hexdigest()[:6]}"
    return f"plate-{plain}"
