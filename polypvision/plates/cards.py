"""Reference cards asked for by a person, drawn as pages to print."""

from polypvision.card.code import CODE_MAX, CardName
from polypvision.card.draw import draw_pdf, sheets
from polypvision.card.layout import CardKind


def parse_codes(text: str) -> list[int]:
    """Return plate codes as a person writes them, once each.

    Raises
    ------
    ValueError
        With words for the person.

    Examples
    --------
    >>> parse_codes("42"), parse_codes("3, 7-9")
    ([42], [3, 7, 8, 9])
    """
    codes: list[int] = []
    for part in text.replace(" ", "").split(","):
        first, dash, last = part.partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()):
            raise ValueError(f"{part!r} is no plate code. Write 42, 41-48 or 3,7,9.")
        low, high = int(first), int(last or first)
        if not 1 <= low <= high <= CODE_MAX:
            raise ValueError(f"{part} is not within 1 to {CODE_MAX}, low to high.")
        codes += range(low, high + 1)
    return list(dict.fromkeys(codes))


def cards_pdf(kind: CardKind, codes: list[int]) -> bytes:
    """Return one card for every plate code as a PDF, to print at true size."""
    return draw_pdf(sheets([(code, CardName(kind, 0)) for code in codes]))
