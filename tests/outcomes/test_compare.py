from dataclasses import replace
from datetime import timedelta
from math import inf, nan

import numpy as np
import pytest
from time_builders import START

from polypvision.events import LogEntry
from polypvision.outcomes import (
    BYS,
    Piece,
    Span,
    compare,
    donor_yields,
    kept_per_polyp,
    sentences,
)

VISITS = (0, 3, 7, 14, 21, 28, 42, 56)


def seen(day: float) -> Span:
    return Span(
        low=max(visit for visit in VISITS if visit < day),
        high=min((visit for visit in VISITS if visit >= day), default=inf),
    )


def piece(n: int, method: str, sealed: float = 12.0, lost: float = inf, **more: object) -> Piece:
    followed = 56.0 if lost == inf else seen(lost).low
    base = Piece(
        plate="0042",
        line="green",
        name=f"P{n:02d}",
        cut_at=START,
        method=method,  # type: ignore[arg-type]
        donor=f"donor {n % 2}",
        dip="",
        fate="there" if lost == inf else "lost",
        followed_days=followed,
        lost=seen(lost) if lost < inf else Span(low=56, high=inf),
        sealed=seen(sealed) if sealed < lost else Span(low=followed, high=inf),
        mouth=seen(sealed + 7) if sealed + 7 < lost else Span(low=followed, high=inf),
        ready=None,
        growth_percent_per_week=1.5 + 0.1 * (n % 5),
    )
    return replace(base, **more)  # type: ignore[arg-type]


def many(method: str, n: int, lost: int, sealed: float, start: int = 0) -> list[Piece]:
    return [
        piece(start + k, method, sealed + 0.3 * (k % 7), 10.0 if k < lost else inf)
        for k in range(n)
    ]


def test_a_clear_difference_is_said_with_its_p() -> None:
    pieces = many("halves", 20, 1, 10) + many("quarters", 20, 12, 24, 20)
    comparison = compare(pieces)
    (contrast,) = comparison.contrasts["survival"]
    assert contrast.told
    assert contrast.difference == pytest.approx(19 / 20 - 8 / 20)
    told = sentences(comparison)
    assert "19 of 20 halves (95 %" in told[0]
    assert "Halves live more often than quarters (p < 0.001)." in told[0]
    assert "Halves seal faster than quarters" in told[1]
    assert "halves between day 7 and day 14" in told[1]


def test_too_few_pieces_to_tell_says_how_many_more() -> None:
    told = sentences(compare(many("halves", 4, 0, 10) + many("quarters", 4, 2, 12, 4)))
    assert "4 of 4 halves" in told[0]
    assert "Too few pieces to tell; about" in told[0]
    assert "more per way of cutting would" in told[0]


def test_no_difference_is_not_called_one() -> None:
    told = sentences(compare(many("halves", 6, 0, 10) + many("quarters", 6, 0, 10, 6)))
    assert "No difference shows" in told[0]
    assert not any("more often" in one or "faster" in one for one in told)


def test_a_donor_of_its_own_for_each_way_is_a_caution() -> None:
    apart = [replace(one, donor="A") for one in many("halves", 4, 0, 10)]
    apart += [replace(one, donor="B") for one in many("quarters", 4, 0, 12, 4)]
    assert compare(apart).apart
    assert any("No donor was used for more than one" in one for one in sentences(compare(apart)))
    both = [replace(one, donor="A") for one in apart]
    assert not compare(both).apart


def test_three_ways_are_compared_pair_by_pair() -> None:
    pieces = (
        many("halves", 12, 0, 9) + many("margin", 12, 1, 10, 12) + many("quarters", 12, 9, 20, 24)
    )
    comparison = compare(pieces)
    assert [one.name for one in comparison.groups] == ["halves", "margin", "quarters"]
    assert len(comparison.contrasts["survival"]) == 3
    text = " ".join(sentences(comparison))
    assert "halves, 11 of 12 margin pieces" in text.replace(
        " (100 %; 95 % interval 76 to 100 %)", ""
    )


def test_one_way_and_none() -> None:
    told = sentences(compare(many("halves", 5, 0, 10)))
    assert "nothing to compare it with" in told[-1]
    assert "No cut piece is on record" in sentences(compare([]))[0]
    for by in BYS:
        assert sentences(compare([], by))


def test_pieces_of_unknown_treatment_are_left_out_and_counted() -> None:
    pieces = [*many("halves", 3, 0, 10), replace(piece(9, "halves"), method=None)]
    comparison = compare(pieces)
    assert comparison.n_left_out == 1
    assert any("1 piece is left out" in one for one in sentences(comparison))


def test_pieces_followed_for_too_short_are_not_counted_as_alive() -> None:
    young = [
        replace(one, followed_days=7.0, lost=Span(low=7, high=inf))
        for one in many("halves", 3, 0, 10)
    ]
    comparison = compare(young + many("quarters", 9, 0, 10, 3))
    halves = comparison.groups[0]
    assert comparison.horizon_days == 28
    assert (halves.n, halves.n_known) == (3, 0)
    assert compare(young).horizon_days == 7


def test_a_piece_lost_about_the_day_compared_is_not_known() -> None:
    between = piece(1, "halves", lost=30.0)
    assert (between.lost.low, between.lost.high) == (28, 42)
    straddling = replace(between, lost=Span(low=21, high=42), followed_days=21)
    comparison = compare([straddling, *many("halves", 5, 0, 10, 2)])
    assert comparison.groups[0].n_known == 5


def test_every_p_is_right_by_chance_alone() -> None:
    """Of rooms where both ways are alike, at most about one in twenty is told a difference."""
    rng = np.random.default_rng(8)
    told = 0
    for _ in range(40):
        pieces = [
            piece(n, method, float(rng.lognormal(2.5, 0.3)), growth_percent_per_week=nan)
            for n, method in enumerate(["halves", "quarters"] * 7)
        ]
        told += any(one.told for group in compare(pieces).contrasts.values() for one in group[:1])
    # Two tests per room (sealed, mouth), bound together: between 1 and 2 times 5 %.
    assert told <= 7


def test_what_each_donor_gave() -> None:
    log = [
        LogEntry(plate="0042", at=START, kind="cut", method="halves", donor="A", pieces=2),
        LogEntry(
            plate="0042", at=START + timedelta(days=1), kind="cut", method="quarters", donor="A"
        ),
    ]
    pieces = [
        piece(1, "halves", donor="A"),
        piece(2, "halves", lost=10.0, donor="A"),
        piece(3, "quarters", donor="A", fate="sold", ready=Span(low=7, high=14)),
    ]
    (one,) = donor_yields(pieces, log)
    assert (one.made, one.followed, one.there, one.sold, one.lost) == (None, 3, 1, 1, 1)
    assert (one.kept, one.ready, one.methods) == (2, 1, ("halves", "quarters"))
    # Halves make two pieces of a polyp, one of which was lost; how many quarters were made is not
    # known.
    assert kept_per_polyp(pieces, log) == {"halves": 1.0}
