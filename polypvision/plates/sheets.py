"""One plate drawn: its page with charts and film-strips, and what is printed of it."""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from polypvision.errors import PhotoUnreadable
from polypvision.files.outputs import write_bytes, write_text
from polypvision.plan import PlateState, StockForecast
from polypvision.plates.kept import opened_once
from polypvision.plates.known import known_plate
from polypvision.plates.made import MadePage, page_hashes
from polypvision.plates.show import photo_pixels
from polypvision.reading import PlateReading, Points
from polypvision.reports import (
    PlatePrint,
    crop,
    film_strip,
    history,
    jpeg,
    latest_overlay,
    picture,
    plate_figures,
    plate_link,
    plate_page,
    png,
    print_of,
    render_page,
    stock_chart,
    strip_frames,
    strip_names,
    strip_side_mm,
    svg,
)
from polypvision.spread import spread_each
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto

_LEAST_FOR_ONE = 2
"""Plates for which one more process is worth its start (own estimate: two seconds against three for
each plate)."""


@dataclass(frozen=True, kw_only=True)
class SheetWish:
    """A plate that is to be drawn.

    Attributes
    ----------
    plate : str
    state : str
        Of `state_of_page`.
    stock : StockForecast or None
    """

    plate: str
    state: str
    stock: StockForecast | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Sheet:
    """A plate that was drawn.

    Attributes
    ----------
    plate : str
    page : MadePage
    files : tuple of str
        Written; empty where no pages are.
    printed : PlatePrint or None
    """

    plate: str
    page: MadePage
    files: tuple[str, ...]
    printed: PlatePrint | None


def draw_sheets(
    logbook: Logbook,
    wishes: Sequence[SheetWish],
    folder: Path | None,
    *,
    printed: bool,
    jobs: int = 1,
) -> Iterator[Sheet]:
    """Draw plates, and yield each as it is there, in order.

    Parameters
    ----------
    logbook : Logbook
    wishes : sequence of SheetWish
    folder : Path or None
        Where pages are written; None writes none.
    printed : bool
        Whether they are printed, too: then in this process, for prints are large.
    jobs : int
        Processes that draw, at most.

    Raises
    ------
    PlateUnknown, OutputError
    """
    jobs = 1 if printed else min(jobs, len(wishes) // _LEAST_FOR_ONE)
    if jobs <= 1:
        for wish in wishes:
            yield _draw(logbook, folder, printed, wish)
        return
    yield from spread_each(partial(_draw_elsewhere, logbook.address, folder), wishes, jobs=jobs)


def _draw_elsewhere(address: str, folder: Path | None, wish: SheetWish) -> Sheet:
    return _draw(opened_once(address), folder, False, wish)


def _draw(logbook: Logbook, folder: Path | None, printed: bool, wish: SheetWish) -> Sheet:
    known = known_plate(logbook, wish.plate)
    state, stock = known.state, wish.stock
    rgb, wounds_px, remark = _latest(known.photos)
    strips = _strips(state, known.photos)
    figures = plate_figures(state)
    page = plate_page(
        state, rgb=rgb, wounds_px=wounds_px, stock=stock, strips=strips, figures=figures
    )
    html = render_page(page)
    href = f"{file_stem(state.plate)}.html"
    files = () if folder is None else _write_plate(folder / href, html, figures, strips)
    of_stock, of_rest = page_hashes(html)
    made = MadePage(
        state=wish.state,
        stock=of_stock,
        rest=of_rest,
        link=plate_link(state.tracks, state.courses, href=href, line=state.line),
        remark=remark,
    )
    sheet = Sheet(plate=wish.plate, page=made, files=files, printed=None)
    if not printed:
        return sheet
    overlay = b"" if rgb is None else latest_overlay(state, rgb, wounds_px)
    charts = list(figures.values())
    if stock is not None and charts:
        charts.append(stock_chart([stock]))
    return replace(sheet, printed=print_of(page, overlay=overlay, charts=charts, strips=strips))


def write_chart(stem: Path, figure: Figure) -> list[str]:
    """Write a chart as PNG and as SVG, and return the names of the files."""
    names = [f"{stem.name}.png", f"{stem.name}.svg"]
    write_bytes(stem.with_name(names[0]), png(figure))
    write_bytes(stem.with_name(names[1]), svg(figure))
    return names


def _write_plate(
    path: Path,
    html: str,
    figures: Mapping[str, Figure],
    strips: Sequence[tuple[str, NDArray[np.uint8]]],
) -> tuple[str, ...]:
    """Write a plate's page and charts, and return the names of the files."""
    files = [path.name]
    for word, figure in figures.items():
        files += write_chart(path.with_name(f"{path.stem}-{word}"), figure)
    for name, rgb in strips:
        files.append(f"{path.stem}-strip-{name}.jpg")
        write_bytes(path.with_name(files[-1]), jpeg(rgb))
    write_text(path, html)
    return tuple(files)


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
