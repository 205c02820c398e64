"""Pages and charts of plates, written to a folder."""

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from polypvision.errors import PhotoUnreadable, PlateUnknown
from polypvision.files.outputs import make_folder, write_bytes, write_text
from polypvision.plan import PlateState, StockForecast
from polypvision.plates.log import list_plates
from polypvision.plates.room import compare_room, forecast_room, room_of
from polypvision.plates.show import photo_pixels, stored_photos
from polypvision.reading import PlateReading, Points
from polypvision.reports import (
    RoomFindings,
    comparison_chart,
    growth_chart,
    index_page,
    plate_link,
    plate_page,
    png,
    render_page,
    stock_chart,
    stocks_to_show,
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
    names = [one.facts.plate for one in list_plates(logbook) if one.n_photos]
    if plates is not None:
        names = list(dict.fromkeys(plates))
    if not names:
        raise PlateUnknown(
            "The logbook has no photo of any plate yet. Record some with: "
            "polypvision read --record PHOTO..."
        )
    make_folder(folder)
    # All plates, also where pages of some are wished: they tell what pieces of this room do.
    states, _ = room_of(logbook)
    forecast, outcomes = forecast_room(states), compare_room(states)
    stocks = {one.name: one for one in forecast.plates}
    known = {one.plate: one for one in states}
    links: list[PlateLink] = []
    remarks: list[str] = list(outcomes.remarks)
    for name in names:
        photos = stored_photos(logbook, name)
        link, remark = _write_plate(known[name], photos, stocks.get(name), folder)
        links.append(link)
        remarks += [remark] if remark else []
    first = folder / "index.html"
    findings = RoomFindings(
        comparison=outcomes.comparison,
        comparison_words=outcomes.sentences,
        yields=outcomes.yields,
        forecast=forecast,
    )
    write_text(first, index_page(links, findings=findings))
    if outcomes.comparison.groups:
        _write_chart(folder / "comparison", comparison_chart(outcomes.comparison))
    _write_chart(folder / "stock", stock_chart(stocks_to_show(forecast)))
    return first, remarks


def _write_chart(stem: Path, figure: Figure) -> None:
    write_bytes(stem.with_name(f"{stem.name}.png"), png(figure))
    write_bytes(stem.with_name(f"{stem.name}.svg"), svg(figure))


def _write_plate(
    state: PlateState, photos: Sequence[StoredPhoto], stock: StockForecast | None, folder: Path
) -> tuple[PlateLink, str | None]:
    tracks, log, courses, growth = state.tracks, state.log, state.courses, state.growth
    plate, line = state.plate, state.line
    rgb, wounds_px, remark = _latest(photos)
    page = plate_page(
        tracks,
        log=log,
        line=line,
        rgb=rgb,
        wounds_px=wounds_px,
        courses=courses,
        growth=growth,
        stock=stock,
    )
    stem = file_stem(plate)
    if tracks.photos:
        charts = {
            "growth": growth_chart(tracks, growth, courses, log),
            "wounds": wound_chart(tracks, courses, log),
        }
        if stock is not None:
            charts["stock"] = stock_chart([stock])
        for word, figure in charts.items():
            _write_chart(folder / f"{stem}-{word}", figure)
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
