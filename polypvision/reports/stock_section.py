"""What the page of a plate says of its stock: the one part of it that changes with other plates.

The weeks begin at the latest photo of the whole room, and losses are learned from all its plates.
So this part can be cut out of a page and another put in, and the rest stays as it is.
"""

from dataclasses import dataclass

from polypvision.plan import StockForecast
from polypvision.plan import sentence as stock_sentence
from polypvision.reports.html import environment
from polypvision.reports.sayings import date_words

_BEGIN, _END = '<section id="stock">', "</section>"
"""Nothing a person wrote can look like this: what is put into a page is escaped."""


@dataclass(frozen=True, kw_only=True)
class StockRow:
    """How many pieces are ready by a date.

    Attributes
    ----------
    date : str
    ready : str
        From how many to how many.
    expected : str
    low, high, middle : str
        The ends of the interval and what is expected, in percent of all that live.
    """

    date: str
    ready: str
    expected: str
    low: str
    high: str
    middle: str


def stock_words(stock: StockForecast | None) -> str:
    """Return what a stock forecast says on the page of its plate; empty without one."""
    if stock is None:
        return ""
    said = stock_sentence(stock)
    return f"{said[:1].upper()}{said[1:]}."


def stock_rows(stock: StockForecast | None) -> tuple[StockRow, ...]:
    """Return a stock forecast week by week; nothing without a living piece or a date."""
    if stock is None or not stock.weeks or not stock.n_pieces:
        return ()

    def row(date: str, low: int, high: int, middle: float) -> StockRow:
        return StockRow(
            date=date,
            ready=f"{low}" if low == high else f"{low} to {high}",
            expected=f"{middle:.1f}",
            **{
                name: f"{100 * value / stock.n_pieces:.1f}"
                for name, value in (("low", low), ("high", high), ("middle", middle))
            },
        )

    now = stock.n_ready
    return (
        row("latest photo", now, now, now),
        *(row(date_words(one.on), one.low, one.high, one.expected) for one in stock.weeks),
    )


def stock_section(stock: StockForecast | None) -> str:
    """Return the part of a plate's page that tells of its stock; empty if there is nothing to tell.

    Parameters
    ----------
    stock : StockForecast or None
    """
    rows = stock_rows(stock)
    if not rows:
        return ""
    macro = environment().get_template("parts.html").module.stock_section  # type: ignore[attr-defined]
    return str(macro(stock_words(stock), rows)).strip()


def around_stock(page: str) -> tuple[str, str] | None:
    """Return what stands before and after the stock on a plate's page; None where there is none.

    Examples
    --------
    >>> around_stock('<p>a</p><section id="stock">b</section><p>c</p>')
    ('<p>a</p>', '<p>c</p>')
    """
    before, begin, rest = page.partition(_BEGIN)
    _, end, after = rest.partition(_END)
    return (before, after) if begin and end else None
