"""Plates that are awkward in time: the pages, the charts and the PDF bear them, and say so."""

import re
from collections.abc import Sequence
from datetime import date, timedelta
from io import BytesIO
from itertools import pairwise

import numpy as np
import pytest
from matplotlib.figure import Figure
from plate_series import photo, readings, series
from reportlab.platypus import Flowable, Image, Paragraph, SimpleDocTemplate
from time_builders import START, make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.plan import PlateState, plate_state
from polypvision.reading import PlateReading, Polyp
from polypvision.reports import (
    crop,
    film_strip,
    history,
    picture,
    plate_figures,
    plate_page,
    png,
    print_of,
    render_page,
    report_pdf,
    strip_frames,
    strip_names,
    strip_side_mm,
    today_page,
)
from polypvision.today import things_to_do
from polypvision.track import link_readings

ON = date(2031, 5, 1)


def _state(some: Sequence[PlateReading], log: Sequence[LogEntry] = ()) -> PlateState:
    return plate_state(link_readings(some, log=log), log, plate="0042", size_mm=20.0)


def _words(state: PlateState) -> str:
    html = render_page(plate_page(state))
    html = re.sub(r"<(style|svg)\b.*?</\1>", " ", html, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def _cut(day: float) -> LogEntry:
    return LogEntry(
        plate="0042", at=START + timedelta(days=day), kind="cut", method="halves", pieces=2
    )


def _polyps() -> list[Polyp]:
    return [make_polyp(1, 30, 30), make_polyp(2, 70, 30, wound_mm2=30.0, flags=("wound",))]


def _made(*days: float) -> list[PlateReading]:
    return [make_reading(day, _polyps()) for day in days]


CASES = {
    "no photo": ([], []),
    "one photo": (_made(0), [_cut(-0.1)]),
    "one polyp": ([make_reading(day, [make_polyp(1, 50, 50)]) for day in (0, 7, 14)], []),
    "no polyp": ([make_reading(day, []) for day in (0, 7)], []),
    "two on a day": (_made(0, 7, 7.1, 14), [_cut(-0.1)]),
    "cut after the photo": (_made(0, 7), [_cut(9)]),
    "years off": (_made(0, 7, 14, -4000), []),
}


@pytest.mark.parametrize("case", CASES)
def test_awkward_plates_are_shown_and_printed(case: str) -> None:
    state = _state(*CASES[case])
    page = plate_page(state)
    assert "nan" not in _words(state).lower()
    figures = plate_figures(state)
    assert bool(figures) == bool(state.tracks.photos)
    for figure in figures.values():
        assert png(figure, dpi=40).startswith(b"\x89PNG")
    tasks = things_to_do([state], ON)
    assert "What to do on 1 May 2031" in today_page(tasks, ON)
    sheet = print_of(page, charts=tuple(figures.values()))
    assert report_pdf([sheet], tasks=tasks, on=ON).startswith(b"%PDF")


def test_each_is_said() -> None:
    assert "There is no photo of this plate yet." in _words(_state(*CASES["no photo"]))
    assert "No polyp is there." in _words(_state(*CASES["no polyp"]))
    assert "needs 3 dates" in _words(_state(*CASES["one photo"]))
    assert "2 photos are of one day, 11 Mar 2031" in _words(_state(*CASES["two on a day"]))
    late = _words(_state(*CASES["cut after the photo"]))
    assert "The cut of 13 Mar 2031 was logged for a day after the latest photo, 11 Mar 2031" in late
    off = _words(_state(*CASES["years off"]))
    assert "more than a year from the plate's other photos, and was left out" in off.replace(
        "&#39;", "'"
    )


def test_photos_dated_later_are_said() -> None:
    assert "1 photo dated after 1 May 2031 is left out." in today_page((), ON, later=1)
    assert "Nothing needs you." in today_page((), ON)


def test_a_division_to_come_has_its_date_on_the_page() -> None:
    case = series()
    state = plate_state(case.tracks, case.log, plate="0042", size_mm=20.0)
    parting = next(one for one in state.fissions if one.name == "P10")
    words = _words(state)
    assert parting.sentence[1:] in words
    assert "P07: came apart by" in words
    assert "When the wound of P05 will be closed cannot be said" in words


def test_a_crop_lies_where_the_outline_says() -> None:
    case = series()
    seen = case.tracks.individual("P02").first
    rgb = photo(readings()[0])
    side = strip_side_mm([seen])
    found = crop(rgb, seen, side)
    assert found is not None
    # The disc fills its diameter of the square: area of disc over that of the square.
    inside = (abs(found.astype(int) - found[90, 40].astype(int)).sum(axis=2) < 60).mean()
    assert inside == pytest.approx(seen.polyp.area_mm2 / side**2, rel=0.15)


def test_a_strip_goes_on_from_the_one_that_divided() -> None:
    case = series()
    who = [name for name, _ in history(case.tracks, "P13")]
    assert who == ["P07"] * 6 + ["P13"] * 2
    names = strip_names(case.tracks, case.courses)
    assert names[0] == "P05"  # the stalled one
    assert "P07" not in names
    crops = {
        one.sha256: crop(photo(reading), one, 30.0)
        for (_, one), reading in zip(history(case.tracks, "P13"), readings(), strict=True)
    }
    frames = strip_frames(case.tracks, "P13", {k: v for k, v in crops.items() if v is not None})
    assert len(frames) == 8
    assert picture(film_strip("P13", frames)).shape[1] > 1000


def test_the_print_has_numbered_pages_and_repeats() -> None:
    case = series()
    state = plate_state(case.tracks, case.log, plate="0042", size_mm=20.0)
    sheet = print_of(plate_page(state), charts=tuple(plate_figures(state).values()))
    once = report_pdf([sheet], tasks=things_to_do([state], ON), on=ON)
    again = report_pdf([sheet], tasks=things_to_do([state], ON), on=ON)
    assert once == again
    assert BytesIO(once).read(5) == b"%PDF-"
    # ISO 216: A4 is 210 mm by 297 mm; 1 point is 1/72 inch.
    assert b"595.2756 841.8898" in once
    assert once.count(b"/Type /Page\n") >= 3


def test_a_chart_of_many_lines_fits_on_a_page_to_print() -> None:
    """A page's height is the most that a chart may take: a room of ten lines has one so tall."""
    tall = Figure(figsize=(2.0, 12.0))
    assert report_pdf([], tasks=(), on=ON, room_charts=[tall]).startswith(b"%PDF")


def test_headings_and_names_stay_with_what_they_are_of(monkeypatch: pytest.MonkeyPatch) -> None:
    placed: list[tuple[int, Flowable]] = []

    class Watched(SimpleDocTemplate):
        def afterFlowable(self, flowable: Flowable) -> None:  # noqa: N802
            placed.append((self.page, flowable))

    monkeypatch.setattr("polypvision.reports.pdf.SimpleDocTemplate", Watched)
    case = series()
    state = plate_state(case.tracks, case.log, plate="0042", size_mm=20.0)
    strips = [
        (f"S{n}", np.full((240, 160 * frames, 3), 200, dtype=np.uint8))
        for n, frames in enumerate([8, 3, 8, 8])
    ]
    for height in np.linspace(2.0, 12.0, 9):
        placed.clear()
        sheet = print_of(plate_page(state), charts=[Figure((2.0, height))] * 2, strips=strips)
        tasks = things_to_do([state], ON) * 3
        report_pdf([sheet], tasks=tasks, on=ON, room_charts=[Figure((2.0, height))])
        for (page, one), (next_page, _) in pairwise(placed):
            words = one.getPlainText() if isinstance(one, Paragraph) else ""
            if words in {"All plates", "Charts", "Side by side", *dict(strips)}:
                assert page == next_page, words
        drawn = [one for _, one in placed if isinstance(one, Image)][-len(strips) :]
        assert len({round(one.drawHeight, 6) for one in drawn}) == 1
        assert drawn[1].drawWidth == pytest.approx(drawn[0].drawWidth * 3 / 8)
