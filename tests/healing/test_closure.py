"""Exact shapes whose margin advances evenly, by hand and by algebra."""

from math import acos, pi, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypvision.healing import linear_advance, percentage_closure


def _disc(radius: float) -> tuple[float, float]:
    return pi * radius**2, 2 * pi * radius


def _half_disc_inset(radius: float, inset: float) -> tuple[float, float]:
    """Area and perimeter of a half disc whose whole outline has moved inward."""
    q = radius - inset
    area = q**2 * acos(inset / q) - inset * sqrt(q**2 - inset**2)
    return area, 2 * q * acos(inset / q) + 2 * sqrt(q**2 - inset**2)


def test_percentage_of_a_disc_and_a_rectangle() -> None:
    assert percentage_closure(_disc(5)[0], _disc(3)[0]) == pytest.approx(64.0, abs=1e-9)
    assert percentage_closure(20 * 4, 18 * 2) == pytest.approx(55.0, abs=1e-9)
    assert percentage_closure(7.3, 7.3) == 0.0
    assert percentage_closure(10.0, 12.5) == -25.0


@pytest.mark.parametrize(
    ("area0", "area_t"), [(0.0, 1.0), (-1.0, 1.0), (float("nan"), 1.0), (1, -1)]
)
def test_percentage_of_no_wound_is_refused(area0: float, area_t: float) -> None:
    with pytest.raises(ValueError, match="area"):
        percentage_closure(area0, area_t)


@pytest.mark.parametrize(
    ("before", "after", "advance_mm"),
    [
        # Gilman 1990, Wounds 2(3):95-101 (formula from memory); the shapes are exact algebra: for a
        # disc and a convex polygon A = A0 - p0 s + c s^2 and p = p0 - 2 c s, so d = s.
        (_disc(5), _disc(3), 2.0),
        ((80.0, 48.0), (36.0, 40.0), 1.0),
        # Just closed: the outline has become a double line of length 16.
        ((80.0, 48.0), (0.0, 32.0), 2.0),
        ((100.0, 40.0), (36.0, 24.0), 2.0),
        # A ring that heals from both rims.
        ((pi * (25 - 4), 2 * pi * 7), (pi * (16 - 9), 2 * pi * 7), 1.0),
        # A half disc on the cut edge: only the arc lives.
        ((18 * pi, 6 * pi), (8 * pi, 4 * pi), 2.0),
        # The straight edge wrongly counted: too short by pi / (pi + 2).
        ((18 * pi, 6 * pi + 12), (8 * pi, 4 * pi + 8), 2 * pi / (pi + 2)),
        # From all sides, where the corners are not those of a polygon: 0.15 % too much.
        (_half_disc_inset(6, 0), _half_disc_inset(6, 1), 1.001499),
    ],
)
def test_advance_of_exact_shapes(
    before: tuple[float, float], after: tuple[float, float], advance_mm: float
) -> None:
    found = linear_advance(before[0], after[0], before[1], after[1])
    assert found == pytest.approx(advance_mm, abs=1e-6)


@pytest.mark.parametrize(
    ("shape", "aspect", "closed_percent"),
    [
        ("slit", 0, 50.0),
        ("round", 0, 75.0),
        ("rectangle", 1, 75.0),
        ("rectangle", 2, 62.5),
        ("rectangle", 5, 55.0),
        ("rectangle", 10, 52.5),
    ],
)
def test_the_same_advance_closes_shapes_by_different_percentages(
    shape: str, aspect: float, closed_percent: float
) -> None:
    # Saiko 2021, BIOSTEC proceedings 182-187, doi 10.5220/0010337601820187 (slit and round as in
    # its abstract; the rectangle by algebra), half-way: tau = 0.5 of the half-width 4 mm.
    half, moved = 4.0, 2.0
    if shape == "round":
        (area0, p0), (area, p) = _disc(half), _disc(half - moved)
    elif shape == "slit":
        # One mm of an endless slit: only its two long sides are margin.
        (area0, p0), (area, p) = (2 * half, 2.0), (2 * (half - moved), 2.0)
    else:
        long, wide = 2 * half * aspect, 2 * half
        inner = long - 2 * moved, wide - 2 * moved
        (area0, p0), (area, p) = (
            (long * wide, 2 * (long + wide)),
            (inner[0] * inner[1], 2 * sum(inner)),
        )
    assert percentage_closure(area0, area) == pytest.approx(closed_percent, abs=1e-12)
    assert linear_advance(area0, area, p0, p) == pytest.approx(moved, abs=1e-12)


@pytest.mark.parametrize(("tau", "closed_percent"), [(0.25, 43.75), (0.75, 93.75)])
def test_a_round_wound_at_other_times(tau: float, closed_percent: float) -> None:
    # Saiko 2021: closed = 1 - (1 - tau)^2.
    closed = percentage_closure(_disc(8)[0], _disc(8 * (1 - tau))[0])
    assert closed == pytest.approx(closed_percent, abs=1e-12)


@given(st.floats(0.5, 20), st.floats(0.01, 0.99))
def test_advance_of_any_disc_is_the_change_of_its_radius(radius: float, share: float) -> None:
    before, after = _disc(radius), _disc(radius * (1 - share))
    found = linear_advance(before[0], after[0], before[1], after[1])
    assert found == pytest.approx(radius * share, rel=1e-9)


def test_advance_refuses_what_cannot_be() -> None:
    with pytest.raises(ValueError, match="below 0"):
        linear_advance(10, -1, 5, 5)
    with pytest.raises(ValueError, match="no margin"):
        linear_advance(10, 5, 0, 0)
