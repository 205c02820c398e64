"""Each kind of attack is tried, and none is let in; tests/benchmarks/attacks.py tries more."""

import random
from pathlib import Path

import pytest
import web_house
from attack_kinds import AT_THE_DOOR, ATTACKS, PLACE, Chance, tells_place
from ordinary_user import needs_permissions
from photo_makers import card_photo, encoded, exif
from PIL import Image
from web_house import House, open_house

from polypvision.web.setting import environment

house = web_house.house
SHORT = Chance(rng=random.Random(8), n=20)


@pytest.mark.parametrize("kind", ATTACKS)
@needs_permissions
def test_nobody_is_let_in(house: House, kind: str) -> None:
    found = ATTACKS[kind](house, SHORT)
    assert found.tries >= 5
    assert found.let_in == ()


@pytest.mark.parametrize("kind", AT_THE_DOOR)
def test_without_the_guard_it_would_be_seen(tmp_path: Path, kind: str) -> None:
    with open_house(tmp_path, bare=True) as house:
        found = ATTACKS[kind](house, SHORT)
    assert len(found.let_in) > 0.1 * found.tries


def test_a_place_would_be_seen() -> None:
    tags = Image.Exif()
    tags.load(exif("2024:03:31 12:00:00"))
    assert not tells_place(encoded(card_photo(42), "JPEG", exif=tags.tobytes()))
    tags[0x8825] = {1: "S"}
    assert tells_place(encoded(card_photo(42), "JPEG", exif=tags.tobytes()))
    assert tells_place(encoded(card_photo(42), "JPEG", comment=PLACE))


def test_markup_would_be_seen(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(environment(), "autoescape", False)
    environment().cache.clear()  # type: ignore[union-attr]
    try:
        few = Chance(rng=random.Random(8), n=5)
        assert len(ATTACKS["markup in names and notes"](house, few).let_in) > 5
    finally:
        environment().cache.clear()  # type: ignore[union-attr]
