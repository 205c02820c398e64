from math import inf
from xml.etree import ElementTree

import numpy as np
import pytest
from made_pieces import cut, plate_of, state_of
from time_builders import START

from polypvision.outcomes import compare, sentences
from polypvision.plan import StockForecast, StockWeek, room_forecast, week_dates
from polypvision.reports import (
    RoomFindings,
    comparison_chart,
    index_page,
    png,
    stock_chart,
    stocks_to_show,
)
from polypvision.reports.drawing import inline_svg
from polypvision.reports.room_charts import shown_groups

SVG = "{http://www.w3.org/2000/svg}"
FATES = [(13.0, 20.0, inf)] * 4 + [(25.0, 33.0, inf)] * 3 + [(40.0, 50.0, 18.0)]


def texts(figure: object) -> list[str]:
    markup = inline_svg(figure, name="c", description="")  # type: ignore[arg-type]
    return [
        "".join(node.itertext()).strip()
        for node in ElementTree.fromstring(markup).iter(f"{SVG}text")
    ]


def room() -> RoomFindings:
    log = [
        cut(method="halves", individual="P01 P02 P03 P04"),
        cut(method="quarters", individual="P05 P06 P07 P08"),
    ]
    state = state_of(plate_of(FATES), log, line="green")
    comparison = compare(state.pieces)
    return RoomFindings(
        comparison=comparison,
        comparison_words=sentences(comparison),
        yields=(),
        forecast=room_forecast([state], week_dates(START), size_mm=20.0),
    )


def test_the_comparison_shows_every_group_with_its_numbers() -> None:
    figure = comparison_chart(room().comparison)
    told = texts(figure)
    for words in ("4 of 4", "3 of 4", "days since the cut", "sealed, % of the pieces"):
        assert words in told
    assert told.count("halves") == 3  # Beside its bar, and at the ends of two lines.
    # Told apart by dash and marker too, not by colour alone.
    lines = [line for line in figure.axes[1].lines if len(np.asarray(line.get_xydata())) > 2]
    assert len({line.get_linestyle() for line in lines}) == len(lines) == 2


def test_the_comparison_draws_what_the_curves_say() -> None:
    comparison = room().comparison
    line = comparison_chart(comparison).axes[1].lines[0]
    sealed = comparison.groups[0].sealed
    xy = np.asarray(line.get_xydata(), dtype=np.float64)
    assert xy[:, 1].max() == pytest.approx(100 * sealed.mass.sum())
    assert sealed.right[0] in xy[:, 0].tolist()


def test_only_so_many_groups_as_can_be_told_apart() -> None:
    state = state_of(
        plate_of(FATES), [cut(donor=f"D{n}", individual=f"P0{n}") for n in range(1, 9)]
    )
    comparison = compare(state.pieces, "donor")
    assert len(comparison.groups) == 8
    assert len(shown_groups(comparison)) == 6
    assert png(comparison_chart(comparison)).startswith(b"\x89PNG")


def test_nothing_to_compare_and_nothing_to_forecast() -> None:
    assert "no cut piece to compare" in texts(comparison_chart(compare([])))
    assert "nothing to forecast" in texts(stock_chart([]))


def test_the_stock_chart_says_how_many() -> None:
    weeks = tuple(
        StockWeek(on=date, expected=3.0 + 0.2 * n, low=2, high=5)
        for n, date in enumerate(week_dates(START))
    )
    name = "a line with a name that is far too long for the title of a chart"
    told = texts(
        stock_chart([StockForecast(name=name, size_mm=25, n_pieces=8, n_ready=2, weeks=weeks)])
    )
    assert "pieces ready: sealed, with a mouth, 25 mm or more" in told
    assert "2 to 5 ready" in told
    assert "8 live now" in told
    assert "number" in told
    assert any(one.endswith("…") for one in told)


def test_the_same_chart_gives_the_same_bytes() -> None:
    findings = room()
    one, two = (comparison_chart(findings.comparison) for _ in range(2))
    assert png(one) == png(two)
    one, two = (stock_chart(stocks_to_show(findings.forecast)) for _ in range(2))
    assert png(one) == png(two)


def test_the_list_of_plates_shows_both() -> None:
    page = index_page([], findings=room())
    assert "Ways of cutting compared" in page
    assert "Ready in the coming weeks" in page
    assert "4 of 4 halves" in page
    assert "Green: " in page
    assert "Ways of cutting compared" not in index_page([])
