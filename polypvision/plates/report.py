"""Pages and charts of plates, written to a folder."""

import hashlib
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from polypvision.errors import OutputError, PhotoUnreadable, PlateUnknown
from polypvision.files.outputs import make_folder, write_bytes, write_text
from polypvision.plan import PlateState, StockForecast
from polypvision.plates.done import split_done
from polypvision.plates.dues import today
from polypvision.plates.kept import Progress, state_mark
from polypvision.plates.known import KnownPlate, known_plate
from polypvision.plates.log import list_plates, one_plate
from polypvision.plates.made import MadePages, state_of_page
from polypvision.plates.room import compare_room, foretell_room
from polypvision.plates.show import photo_pixels
from polypvision.reading import PlateReading, Points
from polypvision.reports import (
    PlatePrint,
    RoomFindings,
    comparison_chart,
    crop,
    film_strip,
    history,
    index_page,
    jpeg,
    latest_overlay,
    picture,
    plate_figures,
    plate_link,
    plate_page,
    png,
    print_of,
    render_page,
    report_pdf,
    stock_chart,
    stock_section,
    stocks_to_show,
    strip_frames,
    strip_names,
    strip_side_mm,
    svg,
    today_page,
)
from polypvision.reports.page import PlateLink
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto
from polypvision.store.stamps import plate_stamp

_TOGETHER = 200
"""Pages written before the list of them is."""
MOST_PRINTED = 300
"""Plates in one PDF: some four pages and three megabytes of memory each."""


def write_reports(
    logbook: Logbook,
    plates: Sequence[str] | None,
    folder: Path | None,
    *,
    on: date,
    pdf: Path | None = None,
    jobs: int = 1,
    progress: Progress | None = None,
) -> tuple[Path, list[str]]:
    """Write the pages of plates, their charts as PNG and SVG, today's list and a list of plates.

    Plates are looked at and written one after the other; only what is printed has to be held. A
    page that the folder has already, and that would be the same, is left as it is; where only the
    stock to come would be another, that alone is put in its place.

    Parameters
    ----------
    logbook : Logbook
    plates : sequence of str or None
        All plates of which photos are recorded, if None.
    folder : Path or None
        Made if missing; files of the same names are replaced. None writes no pages.
    on : date
        The day of the list of things to do.
    pdf : Path, optional
        Where to write the report to print.
    jobs : int
        Processes that work plates out.
    progress : callable, optional
        Told of each plate, once for each look at all of them.

    Returns
    -------
    Path
        The page to open first, or the PDF where no pages were asked for.
    list of str
        What could not be shown, in words.

    Raises
    ------
    PlateUnknown, OutputError
    ValueError
        If neither pages nor a PDF are asked for.
    """
    first = folder / "index.html" if folder is not None else pdf
    if first is None:
        raise ValueError("a report needs a folder or a PDF to go to")
    names = _names(logbook, plates)
    if pdf is not None and len(names) > MOST_PRINTED:
        raise OutputError(
            f"A PDF of {len(names):,} plates would have some {4 * len(names):,} pages. Name up to "
            f"{MOST_PRINTED} plates to print, or write pages for a browser: report --all --out DIR"
        )
    if folder is not None:
        make_folder(folder)
    # All plates, also where pages of some are wished: they tell what pieces of this room do.
    forecast, look = foretell_room(logbook, jobs=jobs, progress=progress)
    stocks = {stock.name: stock for stock in forecast.plates}  # Of those with photos.
    sheets = _Sheets(folder, printed=pdf is not None)
    for done, name in enumerate(names):
        if progress is not None:
            progress(done, len(names), name)
        with logbook.reading() as connection:
            mark = state_mark(plate_stamp(connection, name))
            state = state_of_page(connection, name, mark)
        if not sheets.has(name, state, stocks.get(name)):
            sheets.add(known_plate(logbook, name), stocks.get(name), state)
    sheets.close()
    outcomes = compare_room(look)
    tasks, later = today(logbook, on, jobs=jobs, progress=progress)
    tasks, _ = split_done(logbook, tasks)
    charts = {"stock": stock_chart(stocks_to_show(forecast))}
    if outcomes.comparison.groups:
        charts["comparison"] = comparison_chart(outcomes.comparison)
    if folder is not None:
        findings = RoomFindings(
            comparison=outcomes.comparison,
            comparison_words=outcomes.sentences,
            yields=outcomes.yields,
            forecast=forecast,
        )
        links = [sheets.links[name] for name in names]
        write_text(first, index_page(links, findings=findings, today_href="today.html"))
        write_text(folder / "today.html", today_page(tasks, on, later=later))
        for word, figure in charts.items():
            _write_chart(folder / word, figure)
    if pdf is not None:
        printed = report_pdf(
            [sheets.prints[name] for name in names],
            tasks=tasks,
            on=on,
            later=later,
            room_charts=tuple(charts.values()),
            room_words=outcomes.sentences,
        )
        write_bytes(pdf, printed)
    told = [sheets.remarks[name] for name in names]
    return first, [*outcomes.remarks, *(one for one in told if one)]


def _names(logbook: Logbook, plates: Sequence[str] | None) -> list[str]:
    """Return the plates that are to be shown.

    Raises
    ------
    PlateUnknown
        If there is none, or one of them is not there.
    """
    if plates is not None:
        names = list(dict.fromkeys(plates))
        for name in names:
            one_plate(logbook, name)
        return names
    names = [one.facts.plate for one in list_plates(logbook) if one.n_photos]
    if not names:
        raise PlateUnknown(
            "The logbook has no photo of any plate yet. Record some with: "
            "polypvision read --record PHOTO..."
        )
    return names


class _Sheets:
    """Pages and prints of plates, by name; each is written or drawn as it comes.

    Attributes
    ----------
    links : dict of str to PlateLink
    prints : dict of str to PlatePrint
        Empty where nothing is printed.
    remarks : dict of str to str or None
        What could not be shown.
    """

    def __init__(self, folder: Path | None, *, printed: bool) -> None:
        self._folder = folder
        self._printed = printed
        self._made = None if folder is None else MadePages(folder)
        self._n_new = 0
        self.links: dict[str, PlateLink] = {}
        self.prints: dict[str, PlatePrint] = {}
        self.remarks: dict[str, str | None] = {}

    def has(self, name: str, state: str, stock: StockForecast | None) -> bool:
        """Whether the page of a plate is there as it would be written; what is printed never is.

        One that shows another stock to come is, once that was put right.
        """
        made = None
        if self._made is not None and not self._printed:
            made = self._made.still(name, state, stock_section(stock))
        if made is not None:
            self.links[name], self.remarks[name] = made.link, made.remark
        return made is not None

    def close(self) -> None:
        """Note what was written, for the next time."""
        if self._made is not None:
            self._made.write()

    def add(self, known: KnownPlate, stock: StockForecast | None, shown: str) -> None:
        """Write the page of a plate, and draw what is printed of it."""
        state, name = known.state, known.facts.plate
        rgb, wounds_px, self.remarks[name] = _latest(known.photos)
        strips = _strips(state, known.photos)
        figures = plate_figures(state)
        page = plate_page(
            state, rgb=rgb, wounds_px=wounds_px, stock=stock, strips=strips, figures=figures
        )
        if self._folder is not None and self._made is not None:
            html = render_page(page)
            link, files = _write_plate(state, html, figures, strips, self._folder)
            self.links[name] = link
            self._made.add(name, shown, html, files, link=link, remark=self.remarks[name])
            self._n_new += 1
            if self._n_new % _TOGETHER == 0:
                self._made.write()  # So that what is stopped need not begin anew.
        if self._printed:
            overlay = b"" if rgb is None else latest_overlay(state, rgb, wounds_px)
            charts = list(figures.values())
            if stock is not None and charts:
                charts.append(stock_chart([stock]))
            self.prints[name] = print_of(page, overlay=overlay, charts=charts, strips=strips)


def _write_chart(stem: Path, figure: Figure) -> list[str]:
    names = [f"{stem.name}.png", f"{stem.name}.svg"]
    write_bytes(stem.with_name(names[0]), png(figure))
    write_bytes(stem.with_name(names[1]), svg(figure))
    return names


def _write_plate(
    state: PlateState,
    html: str,
    figures: Mapping[str, Figure],
    strips: Sequence[tuple[str, NDArray[np.uint8]]],
    folder: Path,
) -> tuple[PlateLink, list[str]]:
    """Write a plate's page and charts, and return its link and the names of the files."""
    stem = file_stem(state.plate)
    files = []
    for word, figure in figures.items():
        files += _write_chart(folder / f"{stem}-{word}", figure)
    for name, rgb in strips:
        files.append(f"{stem}-strip-{name}.jpg")
        write_bytes(folder / files[-1], jpeg(rgb))
    href = f"{stem}.html"
    write_text(folder / href, html)
    link = plate_link(state.tracks, state.courses, href=href, line=state.line)
    return link, [href, *files]


def _strips(
    state: PlateState, photos: Sequence[StoredPhoto]
) -> tuple[tuple[str, NDArray[np.uint8]], ...]:
    """Return the film-strips of a plate as pictures; each photo is opened once and let go."""
    tracks = state.tracks
    names = strip_names(tracks, state.courses)
    seen = {name: {one.sha256: one for _, one in history(tracks, name)} for name in names}
    sides = {name: strip_side_mm(list(seen[name].values())) for name in names}
    crops: dict[str, dict[str, NDArray[np.uint8]]] = {name: {} for name in names}
    for photo in photos if names else ():
        try:
            rgb = photo_pixels(photo)
        except PhotoUnreadable:
            continue  # The strip goes without this frame; the page says what could not be opened.
        for name in names:
            one = seen[name].get(photo.sha256)
            cut = None if one is None else crop(rgb, one, sides[name])
            if cut is not None:
                crops[name][photo.sha256] = cut
    return tuple(
        (name, picture(film_strip(name, frames)))
        for name in names
        if (frames := strip_frames(tracks, name, crops[name]))
    )


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
