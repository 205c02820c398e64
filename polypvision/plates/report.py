"""Pages and charts of plates, written to a folder."""

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from polypvision.errors import OutputError, PlateUnknown
from polypvision.files.outputs import make_folder, write_bytes, write_text
from polypvision.plates.done import split_done
from polypvision.plates.dues import today
from polypvision.plates.kept import Progress, state_mark
from polypvision.plates.log import list_plates, one_plate
from polypvision.plates.made import MadePage, MadePages, state_of_page
from polypvision.plates.room import compare_room, foretell_room
from polypvision.plates.sheets import SheetWish, draw_sheets, write_chart
from polypvision.reports import (
    PlatePrint,
    RoomFindings,
    comparison_chart,
    index_page,
    report_pdf,
    stock_chart,
    stock_section,
    stocks_to_show,
    today_page,
)
from polypvision.store.logbook import Logbook
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

    Plates are drawn one after the other, or in processes; only what is printed has to be held. A
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
        Processes that work plates out and draw them.
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
    made = None if folder is None else MadePages(folder)
    found: dict[str, MadePage] = {}
    prints: dict[str, PlatePrint] = {}
    wishes: list[SheetWish] = []
    for done, name in enumerate(names):
        if progress is not None:
            progress(done, len(names), name)
        with logbook.reading() as connection:
            mark = state_mark(plate_stamp(connection, name))
            state = state_of_page(connection, name, mark)
        stock = stocks.get(name)
        # What is printed is always drawn.
        still = made and not pdf and made.still(name, state, stock_section(stock))
        if still:
            found[name] = still
        else:
            wishes.append(SheetWish(plate=name, state=state, stock=stock))
    sheets = draw_sheets(logbook, wishes, folder, printed=pdf is not None, jobs=jobs)
    for done, sheet in enumerate(sheets, 1):
        if progress is not None:
            progress(done, len(wishes), sheet.plate)
        found[sheet.plate] = sheet.page
        if sheet.printed is not None:
            prints[sheet.plate] = sheet.printed
        if made is not None:
            made.add(sheet.plate, sheet.page, sheet.files)
            if done % _TOGETHER == 0:
                made.write()  # So that what is stopped need not begin anew.
    if made is not None:
        made.write()
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
        links = [found[name].link for name in names]
        write_text(first, index_page(links, findings=findings, today_href="today.html"))
        write_text(folder / "today.html", today_page(tasks, on, later=later))
        for word, figure in charts.items():
            write_chart(folder / word, figure)
    if pdf is not None:
        printed = report_pdf(
            [prints[name] for name in names],
            tasks=tasks,
            on=on,
            later=later,
            room_charts=tuple(charts.values()),
            room_words=outcomes.sentences,
        )
        write_bytes(pdf, printed)
    told = [found[name].remark for name in names]
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
