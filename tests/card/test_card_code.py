"""The plate code survives hidden and misread markers, and two plates are told apart."""

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polypvision.card.code import (
    AGREEING,
    CARD_NAMES,
    CODE_MAX,
    FIELD,
    CardName,
    MarkerPlace,
    marker_ids,
    marker_place,
    plate_codes,
)

codes = st.integers(1, CODE_MAX)
names = st.sampled_from(CARD_NAMES)


def seen(code: int, name: CardName) -> list[MarkerPlace]:
    places = [marker_place(number) for number in marker_ids(code, name)]
    return [place for place in places if place is not None]


@given(codes, names)
def test_every_card_gives_its_code_back(code: int, name: CardName) -> None:
    places = seen(code, name)
    assert list(plate_codes(places)) == [code]
    assert set(plate_codes(places)[code]) == set(places)
    assert {place.card for place in places} == {name}
    assert [place.place for place in places] == list(range(len(places)))


def test_the_ends_of_the_range() -> None:
    for code in (1, CODE_MAX):
        assert list(plate_codes(seen(code, CardName("a4")))) == [code]
    for code in (0, -1, CODE_MAX + 1):
        with pytest.raises(ValueError, match=f"plate code {code} is not between 1 and 9999"):
            marker_ids(code, CardName("small"))


def test_all_codes_differ_and_all_numbers_are_in_the_dictionary() -> None:
    # OpenCV's DICT_6X6_1000 has the numbers 0 to 999.
    small = [marker_ids(code, CardName("small")) for code in range(1, CODE_MAX + 1)]
    assert len(set(small)) == CODE_MAX
    highest = marker_ids(CODE_MAX, CARD_NAMES[-1])[-1]
    assert highest // FIELD * FIELD + FIELD - 1 < 1000
    # No number serves two places, so one marker alone tells where it belongs.
    slots = [
        {number // FIELD for code in (1, 5000, CODE_MAX) for number in marker_ids(code, name)}
        for name in CARD_NAMES
    ]
    assert sum(len(slot) for slot in slots) == len(set().union(*slots))


@given(codes, st.sampled_from([name for name in CARD_NAMES if name.kind == "small"]))
@settings(max_examples=30)
def test_any_four_markers_are_enough_and_three_are_not(code: int, name: CardName) -> None:
    places = seen(code, name)
    for four in combinations(places, AGREEING):
        assert list(plate_codes(four)) == [code]
    for three in combinations(places, AGREEING - 1):
        assert plate_codes(three) == {}


@given(codes, names, st.data())
def test_four_of_a_frame_are_enough(code: int, name: CardName, data: st.DataObject) -> None:
    places = data.draw(st.permutations(seen(code, name)))[:AGREEING]
    assert list(plate_codes(places)) == [code]


@given(codes, names, st.data())
def test_one_misread_marker_is_outvoted(code: int, name: CardName, data: st.DataObject) -> None:
    places = seen(code, name)
    index = data.draw(st.integers(0, len(places) - 1))
    good = places[index]
    slip = data.draw(st.integers(1, FIELD - 1))
    bad = MarkerPlace(good.card, good.place, (good.symbol + slip) % FIELD)
    places[index] = bad
    found = plate_codes(places)
    assert list(found) == [code]
    assert bad not in found[code]


@given(codes, names, st.integers(0, AGREEING - 1), st.integers(1, FIELD - 1))
def test_one_misread_of_four_is_noticed(code: int, name: CardName, index: int, slip: int) -> None:
    # Two polynomials of degree two agree in two places at most, so no wrong code gets four votes.
    places = seen(code, name)[:AGREEING]
    good = places[index]
    places[index] = MarkerPlace(good.card, good.place, (good.symbol + slip) % FIELD)
    assert plate_codes(places) == {}


@given(codes, codes, names, names)
def test_two_plates_in_one_photo_are_both_found(
    one: int, other: int, name: CardName, other_name: CardName
) -> None:
    found = plate_codes([*seen(one, name), *seen(other, other_name)])
    assert set(found) == {one, other}


@given(codes)
def test_three_small_cards_of_a_plate_are_one_plate(code: int) -> None:
    places = [place for copy in range(3) for place in seen(code, CardName("small", copy))]
    found = plate_codes(places)
    assert list(found) == [code]
    assert len(found[code]) == 18


def test_a_marker_of_nobody() -> None:
    assert marker_place(999) is None
    assert marker_place(-1) is None
    assert plate_codes([]) == {}


def test_cards_name_themselves() -> None:
    assert [str(name) for name in CARD_NAMES] == [
        "small card A",
        "small card B",
        "small card C",
        "a5 frame",
        "a4 frame",
    ]
