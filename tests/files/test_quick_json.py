"""Records as JSON: what Python's own reads, and what it wrote is read."""

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypvision.files.quick_json import from_json, to_json

PLAIN = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**64 - 1)  # of larger ones JSON's readers make floats (RFC 8259, 6)
    | st.floats(allow_nan=False, allow_infinity=False)
    # Half characters, too: a person may type them, and Python's own JSON takes them.
    | st.text(st.characters()),
    lambda inside: st.lists(inside) | st.dictionaries(st.text(), inside),
)


@given(PLAIN, st.booleans())
def test_python_reads_the_same_and_so_do_we(value: Any, readable: bool) -> None:
    text = to_json(value, readable=readable)
    assert json.loads(text) == value
    assert from_json(text) == value
    assert from_json(json.dumps(value)) == value


def test_arrays_are_written_as_their_lists() -> None:
    points = np.round(np.random.default_rng(1).random((7, 2)) * 4000, 2)
    assert to_json({"outline": points}) == to_json({"outline": points.tolist()})
    assert to_json(np.zeros((0, 2))) == "[]"


def test_not_a_number_is_null_and_what_python_wrote_of_it_is_read() -> None:
    assert from_json(to_json([math.nan])) == [None]
    assert math.isnan(from_json("[NaN]")[0])


@pytest.mark.parametrize("text", ["", "{", '{"a": }', "nonsense"])
def test_what_is_no_json_is_an_error(text: str) -> None:
    with pytest.raises(json.JSONDecodeError):
        from_json(text)
