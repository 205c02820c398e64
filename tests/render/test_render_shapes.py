"""Planforms against exact geometry."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polypvision.render.scene import SHAPES, PolypSpec
from polypvision.render.shapes import (
    Planform,
    contains,
    part,
    planform,
    polygon_area,
    polygon_centroid,
    radius_towards,
)


def spec(**values: object) -> PolypSpec:
    plain = {"name": "a", "x_mm": 20.0, "y_mm": 30.0, "diameter_mm": 24.0, "wobble": 0.0}
    return PolypSpec(**{**plain, **values})  # type: ignore[arg-type]


def test_a_plain_disc_is_a_circle() -> None:
    disc = planform(spec())
    assert np.allclose(disc.radius_mm, 12.0, atol=1e-4)
    assert disc.area_mm2 == pytest.approx(math.pi * 144)
    assert disc.feret_max_mm == pytest.approx(24.0, rel=1e-4)
    assert disc.wound_mm2 == 0
    assert disc.wounds_mm == ()


def test_an_oval_has_its_ellipse_s_axes() -> None:
    # An ellipse of aspect k and the area of a circle of diameter d is d sqrt(k) long.
    oval = planform(spec(shape="oval", aspect=1.44, angle_deg=90.0))
    assert oval.feret_max_mm == pytest.approx(24 * 1.2, rel=2e-3)
    size = np.ptp(oval.outline_mm, axis=0)
    assert size == pytest.approx([24 / 1.2, 24 * 1.2], rel=2e-3)


def test_a_half_is_a_half_disc() -> None:
    # A half disc of radius R has the area of a circle of diameter R sqrt(2), and is 2 R long.
    half = planform(spec(shape="half", diameter_mm=10 * math.sqrt(2)))
    assert half.area_mm2 == pytest.approx(math.pi * 50, rel=1e-9)
    assert half.feret_max_mm == pytest.approx(20.0, rel=0.02)  # its corners are a little rounded
    # Turned by 0 its rim looks right; the cut lies 4 R / 3 pi left of the centroid.
    assert half.outline_mm[:, 0].min() == pytest.approx(20 - 40 / (3 * math.pi), abs=0.15)


def test_a_quarter_has_a_right_angle_and_a_margin_piece_is_flat() -> None:
    quarter = planform(spec(shape="quarter", angle_deg=45.0))
    size = np.ptp(quarter.outline_mm, axis=0)
    assert size == pytest.approx([24.0, 24.0], rel=0.02)  # a quarter of a disc of radius d
    margin = planform(spec(shape="margin"))
    wide, tall = np.ptp(margin.outline_mm, axis=0)
    assert tall / wide == pytest.approx(2 * math.sqrt(1 - 0.45**2) / 0.55, rel=0.06)


def test_an_hourglass_has_its_waist() -> None:
    shape = planform(spec(shape="hourglass", waist=0.5, mouths=2, mouth_gap_mm=11.0))
    x, y = (shape.outline_mm - (20.0, 30.0)).T
    waist = 2 * np.abs(y[np.abs(x) < 0.3]).min()
    assert waist / np.ptp(y) == pytest.approx(0.5, abs=0.06)
    assert np.hypot(*np.diff(shape.mouths_mm, axis=0)[0]) == pytest.approx(11.0)


@pytest.mark.parametrize("shape", SHAPES)
def test_healing_keeps_the_area_and_makes_a_disc(shape: str) -> None:
    fresh, healed = (planform(spec(shape=shape, roundness=value)) for value in (0.0, 1.0))
    assert healed.area_mm2 == pytest.approx(fresh.area_mm2)
    assert healed.feret_max_mm == pytest.approx(24.0, rel=0.01)
    assert fresh.feret_max_mm >= healed.feret_max_mm - 1e-6


def test_a_wound_lies_along_the_cut() -> None:
    half = planform(spec(shape="half", wound_mm2=60.0))
    (wound,) = half.wounds_mm
    assert polygon_area(wound) == pytest.approx(60.0, rel=1e-3)
    # The cut looks left: the wound's middle lies there, and its border is about as long.
    assert polygon_centroid(wound)[0] < 20 - 2
    assert 0.8 * 33.9 < half.wound_margin_mm < 1.6 * 33.9


def test_a_closing_wound_shortens() -> None:
    margins = [
        planform(spec(shape="half", wound_mm2=value)).wound_margin_mm for value in (60, 15, 4)
    ]
    assert margins == sorted(margins, reverse=True)
    assert margins[-1] < 0.35 * margins[0]


def test_mouths_stand_apart_and_a_cut_piece_may_have_none() -> None:
    three = planform(spec(mouths=3, mouth_gap_mm=6.0)).mouths_mm
    gaps = [np.hypot(*(three[i] - three[i - 1])) for i in range(3)]
    assert gaps == pytest.approx([6.0] * 3)
    assert planform(spec(shape="quarter", mouths=0)).mouths_mm.shape == (0, 2)


def test_touching_discs_lose_half_their_lens_each() -> None:
    # Two circles of radius r at distance d share a lens of
    # 2 r^2 acos(d / 2r) - d/2 sqrt(4 r^2 - d^2) (elementary geometry).
    radius, distance = 12.0, 22.0
    lens = 2 * radius**2 * math.acos(distance / 2 / radius) - distance / 2 * math.sqrt(
        4 * radius**2 - distance**2
    )
    parted = part(planform(spec()), planform(spec(name="b", x_mm=20.0 + distance)))
    assert parted is not None
    for shape in parted:
        assert shape.area_mm2 == pytest.approx(math.pi * radius**2 - lens / 2, rel=1e-4)
    assert parted[0].outline_mm[:, 0].max() == pytest.approx(31.0, abs=0.02)


def test_discs_over_each_other_cannot_be_parted() -> None:
    assert part(planform(spec()), planform(spec(name="b", x_mm=23.0, diameter_mm=10.0))) is None


def test_discs_apart_stay_as_they_are() -> None:
    one, other = planform(spec()), planform(spec(name="b", x_mm=60.0))
    assert part(one, other) == (one, other)


def inside_each_other(one: Planform, other: Planform) -> float:
    """Deepest any outline point of either lies inside the other, mm."""
    depth = 0.0
    for shape, points in ((one, other.outline_mm), (other, one.outline_mm)):
        distance, radius = radius_towards(shape, points)
        depth = max(depth, float((radius - distance).max()))
    return depth


@settings(max_examples=40, deadline=None)
@given(
    shape=st.sampled_from(SHAPES),
    other=st.sampled_from(SHAPES),
    angle=st.floats(0, 359),
    roundness=st.floats(0, 1),
    wobble=st.floats(0, 0.05),
    wound=st.floats(0, 80),
    gap=st.floats(17.0, 30.0),
    seed=st.integers(0, 1000),
)
def test_any_planform_has_its_size_wound_and_place(
    shape: str,
    other: str,
    angle: float,
    roundness: float,
    wobble: float,
    wound: float,
    gap: float,
    seed: int,
) -> None:
    more = {"angle_deg": angle, "roundness": roundness, "wobble": wobble, "seed": seed}
    one = planform(spec(shape=shape, wound_mm2=wound, **more))
    assert one.area_mm2 == pytest.approx(math.pi * 144)
    assert one.wound_mm2 == pytest.approx(wound, abs=1e-6)
    assert polygon_centroid(one.outline_mm) == pytest.approx([20.0, 30.0], abs=1e-9)
    assert contains(one, one.mouths_mm).all()
    assert (one.living_mm <= one.radius_mm + 1e-12).all()
    parted = part(one, planform(spec(name="b", shape=other, x_mm=20.0 + gap, **more)))
    if parted is not None:
        assert inside_each_other(*parted) < 0.01
