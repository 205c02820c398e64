from dataclasses import replace
from datetime import timedelta
from math import inf

import pytest
from made_pieces import DAYS, cut, pieces_of, plate_of
from time_builders import START, make_polyp, make_reading

from polypvision.events import LogEntry

TWO = [(13.0, 20.0, inf), (20.0, 30.0, inf)]


def loss(day: float, **more: object) -> LogEntry:
    entry = LogEntry(plate="0042", at=START + timedelta(days=day), kind="loss", pieces=1)
    return replace(entry, **more)  # type: ignore[arg-type]


def test_a_piece_is_followed_from_its_cut() -> None:
    pieces, remarks = pieces_of(plate_of(TWO), [cut(day=-1, method="halves", donor="A")])
    assert remarks == ()
    first, second = pieces
    assert (first.method, first.donor, first.fate) == ("halves", "A", "there")
    # Days count from the cut, a day before the first photo.
    assert first.sealed is not None
    assert (first.sealed.low, first.sealed.high) == (8, 15)
    assert first.mouth is not None
    assert (first.mouth.low, first.mouth.high) == (15, 22)
    assert first.ready == first.mouth
    assert second.ready is not None
    assert (second.ready.low, second.ready.high) == (29, 43)
    assert not first.lost.happened
    assert first.followed_days == 57


def test_a_lost_piece_is_censored_where_it_was_last_seen() -> None:
    pieces, _ = pieces_of(plate_of([(40, 50, 10), (13, 20, inf)]), [cut(method="halves")])
    gone = pieces[0]
    assert gone.fate == "lost"
    assert (gone.lost.low, gone.lost.high) == pytest.approx((7.1, 14.1))
    assert gone.sealed is not None
    assert not gone.sealed.happened
    assert gone.sealed.low == pytest.approx(7.1)


def test_a_logged_loss_tells_the_day() -> None:
    log = [cut(method="halves"), loss(9, individual="P01")]
    pieces, _ = pieces_of(plate_of([(40, 50, 10), (13, 20, inf)]), log)
    assert (pieces[0].lost.low, pieces[0].lost.high) == pytest.approx((7.1, 9.1))


def test_a_sold_piece_was_not_lost() -> None:
    log = [cut(method="halves"), loss(9, kind="sale", individual="P01")]
    pieces, _ = pieces_of(plate_of([(40, 50, 10), (13, 20, inf)]), log)
    assert pieces[0].fate == "sold"
    assert not pieces[0].lost.happened


def test_without_a_log_there_are_no_pieces() -> None:
    assert pieces_of(plate_of(TWO), []) == ((), ())


def test_cuts_that_name_their_pieces_are_told_apart() -> None:
    log = [
        cut(method="halves", individual="P01"),
        cut(method="quarters", individual="P02, P03", donor="B"),
    ]
    pieces, remarks = pieces_of(plate_of([*TWO, (10, 12, inf), (0.1, 0, inf)]), log)
    assert [(one.name, one.method) for one in pieces] == [
        ("P01", "halves"),
        ("P02", "quarters"),
        ("P03", "quarters"),
    ]
    assert remarks == ()


def test_cuts_of_one_day_that_name_nobody_are_not_guessed() -> None:
    log = [
        cut(method="halves", dip="iodine", donor="A", pieces=1),
        cut(method="quarters", dip="iodine", donor="B", pieces=1),
    ]
    pieces, remarks = pieces_of(plate_of(TWO), log)
    assert [(one.method, one.donor, one.dip) for one in pieces] == [(None, "", "iodine")] * 2
    assert len(remarks) == 1
    assert "differ in method and donor" in remarks[0]
    assert "--individual P01" in remarks[0]
    # A second line with names completes the first.
    completed = [
        *log,
        cut(method="halves", individual="P01"),
        cut(method="quarters", individual="P02"),
    ]
    pieces, remarks = pieces_of(plate_of(TWO), completed)
    assert [one.method for one in pieces] == ["halves", "quarters"]
    assert remarks == ()


def test_more_wounds_than_pieces_are_not_guessed() -> None:
    pieces, remarks = pieces_of(plate_of(TWO), [cut(method="halves", pieces=1)])
    assert pieces == ()
    assert "2 polyps had a wound" in remarks[0]


def test_a_name_nobody_has() -> None:
    pieces, remarks = pieces_of(plate_of(TWO), [cut(method="halves", individual="P09")])
    assert pieces == ()
    assert "names P09" in remarks[0]


def test_a_cut_logged_after_the_last_photo() -> None:
    pieces, remarks = pieces_of(plate_of(TWO), [cut(day=80, method="halves")])
    assert pieces == ()
    assert "no photo since the cut of 2031-05-23" in remarks[0]


def test_a_cut_logged_years_before_the_photos() -> None:
    pieces, remarks = pieces_of(plate_of(TWO), [cut(day=-3650, method="halves")])
    assert pieces == ()
    assert "Is the date right?" in remarks[0]


def test_a_cut_noted_later_on_the_day_of_the_photo_counts_from_that_day() -> None:
    pieces, _ = pieces_of(plate_of(TWO), [cut(day=0.2, method="halves")])
    assert len(pieces) == 2
    assert all(one.lost.low >= 0 for one in pieces)


def test_halves_of_a_polyp_that_was_there_before() -> None:
    whole = make_polyp(1, 50, 50, 30.0)
    other = make_polyp(2, 110, 50, 24.0)

    def halves(day: float) -> list[object]:
        area = max(30.0 - 2 * (day - 7), 0.0)
        return [
            make_polyp(1, 44, 50, 21.0, wound_mm2=area),
            make_polyp(2, 57, 50, 21.0, wound_mm2=area),
            make_polyp(3, 110, 50, 24.0),
        ]

    readings = [make_reading(0, [whole, other])]
    readings += [make_reading(day, halves(day)) for day in (7, 14, 21, 28)]  # type: ignore[arg-type]
    log = [cut(day=6.8, method="halves", individual="P01", pieces=2)]
    pieces, remarks = pieces_of(readings, log)
    assert remarks == ()
    assert [one.method for one in pieces] == ["halves", "halves"]
    assert "P01" not in {one.name for one in pieces}


@pytest.mark.parametrize("n", [0, 1])
def test_few_photos(n: int) -> None:
    pieces, _ = pieces_of(plate_of(TWO, DAYS[:n]), [cut(method="halves")])
    assert len(pieces) == 2 * n
    for piece in pieces:
        assert piece.followed_days == pytest.approx(0.1)
