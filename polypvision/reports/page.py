"""One plate as a page that needs nothing else: no network, no other file.

A page shows only what its dataclass declares; everything on it is put into words and rounded here,
and the template only sets it out.
"""

from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date
from pathlib import PurePath

from markupsafe import Markup
from matplotlib.figure import Figure

from polypvision import __version__
from polypvision.healing import WoundCourse
from polypvision.outcomes import Comparison, DonorYield
from polypvision.plan import PlateState, RoomForecast, StockForecast
from polypvision.plan import sentence as stock_sentence
from polypvision.reading import Points
from polypvision.reports.drawing import inline_svg
from polypvision.reports.html import environment
from polypvision.reports.looks import State, state_of
from polypvision.reports.overlay import Rgb, draw_overlay, jpeg
from polypvision.reports.plate_charts import (
    growth_sentence,
    inline_charts,
    plate_figures,
    wound_sentence,
)
from polypvision.reports.remarks import (
    division_words,
    expected_words,
    growth_words,
    later_words,
    remark_words,
)
from polypvision.reports.room_charts import comparison_chart, stock_chart
from polypvision.reports.sayings import (
    CAUTIONS,
    Advice,
    DonorRow,
    Happening,
    PhotoRow,
    PolypRow,
    Tile,
    advice,
    date_words,
    donor_row,
    gone_words,
    happenings,
    photo_row,
    polyp_row,
    tiles,
)
from polypvision.reports.stock_section import StockRow, stock_rows, stock_words
from polypvision.today import Task, day_words
from polypvision.track import PlateTracks
from polypvision.words import counted


@dataclass(frozen=True, kw_only=True)
class Strip:
    """The film-strip of one individual, JPEG in base64."""

    name: str
    picture: str


@dataclass(frozen=True, kw_only=True)
class TodayPage:
    """What to do on a day."""

    title: str
    tasks: tuple[Task, ...]
    note: str
    cautions: tuple[str, ...]
    version: str


@dataclass(frozen=True, kw_only=True)
class PlatePage:
    """All that the page of a plate shows, in the order of the page.

    Attributes
    ----------
    title, line, span : str
        Plate, its line or kind, and from when to when there are photos.
    tiles : tuple of Tile
        The numbers that matter most.
    remarks : tuple of str
        What a person must know of the photos and the log as a whole, a sentence each.
    advice : tuple of Advice
        What was flagged, and what to do.
    picture : str
        Latest photo with what was read on it, JPEG in base64; empty without one.
    picture_words : str
        Its caption, or why there is none.
    growth_svg, wound_svg : Markup
        Charts; empty where there is nothing to draw.
    growth_words, wound_words : str
        What they say, in a sentence.
    growth_notes : tuple of str
        Of a contracted plate, and of polyps that shrank.
    healing_svg, stages_svg, dates_svg, lineage_svg : Markup
        Charts; empty where there is nothing to draw.
    dates_words, division_words : tuple of str
        What the charts of dates and of lineage say, a sentence each.
    strips : tuple of Strip
    stock_words : str
    stock : tuple of StockRow
        How many will be ready when; empty without a forecast.
    polyps : tuple of PolypRow
        Living polyps.
    gone : tuple of str
        Those that are not there any more, a sentence each.
    photos : tuple of PhotoRow
        Latest first.
    happenings : tuple of Happening
        Latest first.
    cautions : tuple of str
    version : str
    """

    title: str
    line: str
    span: str
    tiles: tuple[Tile, ...]
    remarks: tuple[str, ...]
    advice: tuple[Advice, ...]
    picture: str
    picture_words: str
    growth_svg: Markup
    growth_words: str
    growth_notes: tuple[str, ...]
    wound_svg: Markup
    wound_words: str
    healing_svg: Markup
    stages_svg: Markup
    dates_svg: Markup
    dates_words: tuple[str, ...]
    lineage_svg: Markup
    division_words: tuple[str, ...]
    strips: tuple[Strip, ...]
    stock_words: str
    stock: tuple[StockRow, ...]
    polyps: tuple[PolypRow, ...]
    gone: tuple[str, ...]
    photos: tuple[PhotoRow, ...]
    happenings: tuple[Happening, ...]
    cautions: tuple[str, ...]
    version: str


@dataclass(frozen=True, kw_only=True)
class PlateLink:
    """A plate in the list of plates."""

    href: str
    title: str
    line: str
    span: str
    tiles: tuple[Tile, ...]


@dataclass(frozen=True, kw_only=True)
class IndexPage:
    """All that the list of plates shows, and of all plates together.

    Attributes
    ----------
    today_href : str
        The list of things to do; empty without one.
    plates : tuple of PlateLink
    comparison_svg : Markup
        Ways of cutting compared; empty where there is nothing to compare.
    comparison_words : tuple of str
        What it says, a sentence or two each.
    donors : tuple of DonorRow
        What each donor gave.
    stock_svg, stock_words : Markup, tuple of str
        How many pieces will be ready when; empty without a forecast.
    """

    title: str
    today_href: str
    plates: tuple[PlateLink, ...]
    comparison_svg: Markup
    comparison_words: tuple[str, ...]
    donors: tuple[DonorRow, ...]
    stock_svg: Markup
    stock_words: tuple[str, ...]
    version: str


@dataclass(frozen=True, kw_only=True, eq=False)
class RoomFindings:
    """What is known of all plates together, for the list of plates.

    Attributes
    ----------
    comparison : Comparison
    comparison_words : sequence of str
    yields : sequence of DonorYield
    forecast : RoomForecast
    """

    comparison: Comparison
    comparison_words: Sequence[str]
    yields: Sequence[DonorYield]
    forecast: RoomForecast


def plate_title(plate: str | None) -> str:
    """Return what a plate is called on a page."""
    return "Plate without a name" if plate is None else f"Plate {plate}"


def _span(tracks: PlateTracks) -> str:
    n_photos = len(tracks.photos)
    if not n_photos:
        return "no photo yet"
    first, last = tracks.photos[0].taken_at, tracks.photos[-1].taken_at
    span = date_words(first) if n_photos == 1 else f"{date_words(first)} to {date_words(last)}"
    return f"{counted(n_photos, 'photo')}, {span}"


def latest_overlay(
    state: PlateState, rgb: Rgb, wounds_px: Mapping[int, Sequence[Points]] | None = None
) -> bytes:
    """Return the latest photo with what was read on it, JPEG."""
    tracks = state.tracks
    courses = {one.name: one for one in state.courses}
    latest = tracks.photos[-1]
    states: dict[int, State] = {
        label: state_of(tracks.individual(name), courses) for label, name in latest.names.items()
    }
    drawn = draw_overlay(
        rgb, latest.reading, names=latest.names, states=states, wounds_px=wounds_px
    )
    return jpeg(drawn)


def plate_page(
    state: PlateState,
    *,
    rgb: Rgb | None = None,
    wounds_px: Mapping[int, Sequence[Points]] | None = None,
    stock: StockForecast | None = None,
    strips: Sequence[tuple[str, Rgb]] = (),
    figures: Mapping[str, Figure] | None = None,
) -> PlatePage:
    """Return the page of a plate.

    Parameters
    ----------
    state : PlateState
    rgb : ndarray (H, W, 3) of uint8, optional
        The latest photo, upright. Without it the page says so instead.
    wounds_px : mapping of int to sequence of ndarray (n, 2), optional
        Outlines of wounds on it, by label.
    stock : StockForecast, optional
        How many of its pieces will be ready when.
    strips : sequence of (str, ndarray)
        Film-strips as pictures, by the individual's name.
    figures : mapping of str to Figure, optional
        The charts that it is to show, of `plate_figures`; all of them if left out.

    Returns
    -------
    PlatePage
    """
    tracks, log, courses, growth = state.tracks, state.log, state.courses, state.growth
    by_name = {one.name: one for one in courses}
    rates = {one.name: one for one in growth.individuals}
    title = plate_title(state.plate or tracks.plate)
    picture = ""
    picture_words = "There is no photo of this plate yet."
    if tracks.photos:
        latest = tracks.photos[-1]
        picture_words = (
            f"{PurePath(latest.reading.facts.photo).name}, {date_words(latest.taken_at)}"
        )
        if rgb is None:
            picture_words += ": the photo itself could not be opened for this page."
        else:
            picture = b64encode(latest_overlay(state, rgb, wounds_px)).decode()
    figures = plate_figures(state) if figures is None else figures
    drawn = inline_charts(state, title, figures)
    return PlatePage(
        title=title,
        line=state.line,
        span=_span(tracks),
        tiles=tiles(tracks, courses),
        remarks=remark_words(state),
        advice=advice(tracks, courses),
        picture=picture,
        picture_words=picture_words,
        growth_svg=drawn.get("growth", Markup()),
        growth_words=growth_sentence(state),
        growth_notes=growth_words(state),
        wound_svg=drawn.get("wounds", Markup()),
        wound_words=wound_sentence(tracks, courses),
        healing_svg=drawn.get("healing", Markup()),
        stages_svg=drawn.get("stages", Markup()),
        dates_svg=drawn.get("dates", Markup()),
        dates_words=expected_words(state),
        lineage_svg=drawn.get("lineage", Markup()),
        division_words=division_words(state),
        strips=tuple(
            Strip(name=name, picture=b64encode(jpeg(rgb, max_bytes=120_000)).decode())
            for name, rgb in strips
        ),
        stock_words=stock_words(stock),
        stock=stock_rows(stock),
        polyps=tuple(
            polyp_row(one, by_name[one.name], rates[one.name], state_of(one, by_name))
            for one in tracks.individuals
            if one.end is None
        ),
        gone=tuple(gone_words(one, tracks) for one in tracks.individuals if one.end is not None),
        photos=tuple(photo_row(one) for one in reversed(tracks.photos)),
        happenings=tuple(reversed(happenings(tracks, log))),
        cautions=CAUTIONS,
        version=__version__,
    )


def _stock_svg(stocks: Sequence[StockForecast], title: str) -> Markup:
    told = [one for one in stocks if one.weeks and one.n_pieces]
    if not told:
        return Markup()
    words = " ".join(_stock_words(one) for one in told)
    return Markup(
        inline_svg(stock_chart(told), name="stock", description=f"Stock forecast, {title}. {words}")
    )


def _stock_words(stock: StockForecast) -> str:
    return f"{stock.name[:1].upper()}{stock.name[1:]}: {stock_sentence(stock)}."


def stocks_to_show(forecast: RoomForecast) -> tuple[StockForecast, ...]:
    """Return the forecasts that the list of plates shows: all plates together, and each line."""
    return (forecast.whole, *forecast.lines)


def _render(template: str, page: PlatePage | IndexPage | TodayPage) -> str:
    values = {field.name: getattr(page, field.name) for field in fields(page)}
    return environment().get_template(template).render(values)


def render_page(page: PlatePage) -> str:
    """Return the page of a plate as HTML that stands alone; the same page, the same text."""
    return _render("plate.html", page)


def today_page(tasks: Sequence[Task], on: date, *, later: int = 0) -> str:
    """Return today's list as HTML that stands alone.

    Parameters
    ----------
    tasks : sequence of Task
    on : date
    later : int
        Photos left out because they are dated later.
    """
    page = TodayPage(
        title=f"What to do on {day_words(on)}",
        tasks=tuple(tasks),
        note=later_words(later, on),
        cautions=CAUTIONS,
        version=__version__,
    )
    return _render("today.html", page)


def plate_link(
    tracks: PlateTracks, courses: Sequence[WoundCourse], *, href: str, line: str = ""
) -> PlateLink:
    """Return a plate's entry in the list of plates, linked to its page at `href`."""
    return PlateLink(
        href=href,
        title=plate_title(tracks.plate),
        line=line,
        span=_span(tracks),
        tiles=tiles(tracks, courses),
    )


def index_page(
    plates: Sequence[PlateLink],
    *,
    title: str = "Plates",
    findings: RoomFindings | None = None,
    today_href: str = "",
) -> str:
    """Return the list of plates as HTML, with what is known of all of them together.

    Parameters
    ----------
    plates : sequence of PlateLink
    title : str
    findings : RoomFindings, optional
    today_href : str
        Where the list of things to do is; empty without one.
    """
    comparison_svg = Markup()
    stocks: tuple[StockForecast, ...] = ()
    if findings is not None:
        stocks = stocks_to_show(findings.forecast)
        if findings.comparison.groups:
            words = " ".join(findings.comparison_words)
            comparison_svg = Markup(
                inline_svg(
                    comparison_chart(findings.comparison),
                    name="comparison",
                    description=f"Comparison of methods. {words}",
                )
            )
    page = IndexPage(
        title=title,
        today_href=today_href,
        plates=tuple(plates),
        comparison_svg=comparison_svg,
        comparison_words=tuple(findings.comparison_words) if findings else (),
        donors=tuple(donor_row(one) for one in findings.yields) if findings else (),
        stock_svg=_stock_svg(stocks, "all plates"),
        stock_words=tuple(_stock_words(one) for one in stocks if one.n_pieces),
        version=__version__,
    )
    return _render("index.html", page)
