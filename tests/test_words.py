"""One thing is one, two are several."""

import pytest

from polypvision.words import counted


@pytest.mark.parametrize(
    ("n", "said"), [(0, "0 photos"), (1, "1 photo"), (2, "2 photos"), (21, "21 photos")]
)
def test_photos(n: int, said: str) -> None:
    assert counted(n, "photo") == said


def test_words_that_take_no_s() -> None:
    assert counted(1, "photo is", "photos are") == "1 photo is"
    assert counted(3, "photo is", "photos are") == "3 photos are"
