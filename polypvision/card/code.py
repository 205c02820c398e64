"""The plate code in the card's markers: a Reed-Solomon code over the field of 23 elements.

A code from 1 to 9999 is three digits to base 23. They are the coefficients of a polynomial, and
the marker in place ``i`` of a card carries the polynomial's value at ``i``. Any three markers
give the polynomial back; every further one checks it, so a misread marker is noticed and, with
enough others, outvoted. The marker's number also says on which kind of card and in which place
it stands, so one marker alone tells where it belongs.

References
----------
Reed IS, Solomon G 1960, Polynomial codes over certain finite fields, J SIAM 8(2):300-304
(from memory).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

from polypvision.card.layout import SMALL_COPIES, CardKind, card_layout

FIELD = 23
CODE_MAX = 9999
AGREEING = 4
"""Markers that must agree on a code before it is believed: three determine it, one checks."""


@dataclass(frozen=True, order=True)
class CardName:
    """Which card of a plate: its kind, and 0, 1, 2 for the small cards A, B, C."""

    kind: CardKind
    copy: int = 0

    def __str__(self) -> str:
        return f"small card {'ABC'[self.copy]}" if self.kind == "small" else f"{self.kind} frame"


@dataclass(frozen=True, order=True)
class MarkerPlace:
    """What one marker's number says: its card, its place there, and its code symbol."""

    card: CardName
    place: int
    symbol: int


CARD_NAMES: tuple[CardName, ...] = (
    *(CardName("small", copy) for copy in range(SMALL_COPIES)),
    CardName("a5"),
    CardName("a4"),
)
_PLACES: tuple[tuple[CardName, int], ...] = tuple(
    (name, place) for name in CARD_NAMES for place in range(len(card_layout(name.kind).markers))
)

FIRST_FREE_MARKER = len(_PLACES) * FIELD
"""Marker numbers from here on stand on no card."""


def _symbol(digits: tuple[int, int, int], place: int) -> int:
    a, b, c = digits
    return (a + b * place + c * place * place) % FIELD


def _digits(code: int) -> tuple[int, int, int]:
    return code % FIELD, code // FIELD % FIELD, code // (FIELD * FIELD)


def marker_ids(code: int, name: CardName) -> tuple[int, ...]:
    """Return the marker numbers of a card, in the order of its layout's markers.

    Parameters
    ----------
    code : int
        Plate code, 1 to 9999.
    name : CardName

    Raises
    ------
    ValueError
        If the code is out of range.

    Examples
    --------
    >>> marker_ids(1, CardName("small"))
    (1, 24, 47, 70, 93, 116)
    """
    if not 1 <= code <= CODE_MAX:
        raise ValueError(f"plate code {code} is not between 1 and {CODE_MAX}")
    digits = _digits(code)
    return tuple(
        slot * FIELD + _symbol(digits, place)
        for slot, (owner, place) in enumerate(_PLACES)
        if owner == name
    )


def marker_place(marker_id: int) -> MarkerPlace | None:
    """Return where a marker number belongs, or None if no card of ours uses it."""
    slot, symbol = divmod(marker_id, FIELD)
    if not 0 <= slot < len(_PLACES):
        return None
    name, place = _PLACES[slot]
    return MarkerPlace(name, place, symbol)


def _solve(points: tuple[tuple[int, int], ...]) -> int | None:
    """Return the code whose polynomial passes three points (place, symbol), if it is in range."""
    (x0, y0), (x1, y1), (x2, y2) = points
    # Newton's divided differences, in the field.
    first = (y1 - y0) * pow(x1 - x0, -1, FIELD) % FIELD
    second = (y2 - y1) * pow(x2 - x1, -1, FIELD) % FIELD
    c = (second - first) * pow(x2 - x0, -1, FIELD) % FIELD
    b = (first - c * (x0 + x1)) % FIELD
    a = (y0 - b * x0 - c * x0 * x0) % FIELD
    code = a + FIELD * b + FIELD * FIELD * c
    return code if 1 <= code <= CODE_MAX else None


def plate_codes(places: Iterable[MarkerPlace]) -> dict[int, tuple[MarkerPlace, ...]]:
    """Return every plate code that at least `AGREEING` markers of one card agree on.

    Parameters
    ----------
    places : iterable of MarkerPlace
        All markers seen in one photo, of any cards.

    Returns
    -------
    dict of int to tuple of MarkerPlace
        Code to its agreeing markers, best supported first. One plate gives one entry; markers
        that agree with none of them are in no entry.

    Examples
    --------
    >>> seen = [marker_place(i) for i in marker_ids(42, CardName("small"))[:4]]
    >>> list(plate_codes(place for place in seen if place))
    [42]
    """
    left = set(places)
    found: dict[int, set[MarkerPlace]] = {}
    for name in CARD_NAMES:
        own = sorted(place for place in left if place.card == name)
        while True:
            points = {(place.place, place.symbol) for place in own}
            votes: dict[int, int] = {}
            for three in combinations(sorted(points), 3):
                if len({x for x, _ in three}) < 3:
                    continue
                code = _solve(three)
                if code is not None and code not in votes:
                    digits = _digits(code)
                    votes[code] = sum(_symbol(digits, x) == y for x, y in points)
            best = max(votes, key=lambda code: (votes[code], -code), default=0)
            if not best or votes[best] < AGREEING:
                break
            digits = _digits(best)
            agreeing = {p for p in own if _symbol(digits, p.place) == p.symbol}
            found.setdefault(best, set()).update(agreeing)
            own = [place for place in own if place not in agreeing]
    ranked = sorted(found.items(), key=lambda item: (-len(item[1]), item[0]))
    return {code: tuple(sorted(agreeing)) for code, agreeing in ranked}
