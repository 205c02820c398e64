"""Mouths that a picture does not tell: behind standing tentacles, drawn in, lost in black."""

from dataclasses import replace

import numpy as np
import pytest

from polypvision.train.closeups.discs import paint_disc
from polypvision.train.closeups.form import Disc
from polypvision.train.closeups.kinds import KINDS, Kind, any_kind
from polypvision.train.closeups.layout import View, seen_from
from polypvision.train.closeups.picture import _lost
from polypvision.train.closeups.tentacles import _pointing, some_tentacles
from polypvision.train.closeups.tools import Lamp, Noise, Picture

LAMP = Lamp(
    colour=np.ones(3, np.float32), towards=np.array([0, 0, 1], np.float32), blue=0.0, ambient=0.4
)
SIDE = 300


def picture(seed: int) -> Picture:
    rng = np.random.default_rng([73, seed])
    return Picture(
        light=np.full((SIDE, SIDE, 3), 0.2, np.float32),
        owner=np.zeros((SIDE, SIDE), np.uint8),
        lamp=LAMP,
        noise=Noise(rng),
        rng=rng,
    )


def disc(squeeze: float) -> Disc:
    return Disc(
        x=150, y=150, radius=90, squeeze=squeeze, towards=np.pi / 2, mouths=1, blur_px=0.0,
        counted=True,
    )  # fmt: skip


def bubbles(on: Picture, *, standing: float = 0.0, shut: float = 0.0) -> Kind:
    return replace(
        any_kind(on.rng, LAMP, "bubble", natural=True),
        tentacle=0.05, growth=0.3, packing=0.8, stretch=2.6, rowed=0.0, bare=0.0, lobes=0.0,
        folds=0.0, billows=0.0, valleys=0, cleft=False, pleated=False, mouth_hidden=0.0,
        mouth_size=0.08, odd=0.0, standing=standing, shut=shut,
    )  # fmt: skip


def told(squeeze: float, *, standing: float = 0.0, shut: float = 0.0) -> float:
    """Return the share of discs whose mouth is told."""
    count = 0
    for seed in range(20):
        on = picture(seed)
        paint_disc(on, bubbles(on, standing=standing, shut=shut), disc(squeeze), 1)
        count += len(on.mouths[1])
    return count / 20


def test_standing_tentacles_hide_the_mouth_of_a_slanted_disc_only() -> None:
    assert told(0.98, standing=1.0) > 0.9
    hidden = told(0.68, standing=1.0)
    assert hidden < 0.4
    assert told(0.68) > hidden + 0.3


def test_tentacles_stand_in_the_middle_and_lean_out_at_the_margin() -> None:
    on = picture(0)
    outward = np.array([[1.0, 0.0], [1.0, 0.0]])
    way, axis = np.array([0.0, 1.0]), np.array([0.0, -0.8])
    lying = _pointing(bubbles(on), outward, way, axis)
    np.testing.assert_array_equal(lying, outward)
    middle, margin = _pointing(bubbles(on, standing=1.0), outward, way, axis)
    np.testing.assert_allclose(middle, axis, atol=1e-12)
    assert margin[0] > 0.8
    # Seen from straight above, those that stand show only their tips.
    above = _pointing(bubbles(on, standing=1.0), outward, way, np.zeros(2))
    assert np.linalg.norm(above, axis=1)[0] == pytest.approx(0, abs=1e-12)


def test_standing_tentacles_keep_their_feet() -> None:
    """Of a disc that leans away, tissue stands over the upper margin and not over the lower."""
    reach = []
    for seed in range(6):
        on = picture(seed)
        paint_disc(on, bubbles(on, standing=1.0), disc(0.5), 1)
        rows = np.flatnonzero((on.owner == 1).any(axis=1))
        reach.append((150 - rows[0], rows[-1] - 150))
    above, below = np.mean(reach, axis=0)
    assert above > below + 5


def test_a_drawn_in_mouth_is_neither_painted_nor_told() -> None:
    assert told(1.0, shut=1.0) == 0
    pale = np.full(3, 40.0, np.float32)
    for shut, seen in ((0.0, True), (1.0, False)):
        on = picture(3)
        paint_disc(on, replace(bubbles(on, shut=shut), mouth=pale, lips=pale), disc(1.0), 1)
        assert (on.light.max() > 10) == seen


def test_where_tentacles_close_over_a_bounce_disc_they_begin_in_its_middle() -> None:
    least = {}
    for hidden in (0.5, 1.0):
        on = picture(5)
        kind = replace(
            any_kind(on.rng, LAMP, "bounce", natural=True), mouth_hidden=hidden, bubbles=0, bare=0.0
        )
        least[hidden] = min(some_tentacles(kind, 90, on.rng).rho.min() for _ in range(20))
    assert least[1.0] < 0.04 < least[0.5]


def test_what_lies_in_black_is_not_told() -> None:
    rgb = np.zeros((120, 120, 3), np.uint8)
    rgb[:, 60:] = 90
    assert _lost(rgb, 40 + 20, 40 + 60)  # 40 pixels of margin
    assert not _lost(rgb, 40 + 62, 40 + 60)
    assert not _lost(rgb, 40 + 119, 40 + 119)
    assert not _lost(rgb, 0, 0)  # outside, where other rules hold


def test_neighbours_on_rugged_ground_look_different_ways() -> None:
    spots = np.column_stack([np.linspace(50, 250, 12), np.full(12, 150.0), np.full(12, 12.0)])
    spread = {}
    for rugged in (0.0, 0.5):
        on = picture(7)
        view = View(squeeze=0.9, towards=1.0, flat=True, recede=0.0, bowed=0.0, rugged=rugged)
        discs = seen_from(on, np.array([150.0, 150.0]), spots, None, view, 0.0)
        spread[rugged] = np.std([one.squeeze for one in discs])
    assert spread[0.0] < 1e-9
    assert spread[0.5] > 0.03


def test_clones_with_standing_tentacles_and_shut_mouths_are_drawn_of_those_that_have_them() -> None:
    rng = np.random.default_rng(2)
    for name in KINDS:
        drawn = [any_kind(rng, LAMP, name, natural=True) for _ in range(120)]
        stand = np.mean([kind.standing > 0 for kind in drawn])
        shut = np.mean([kind.shut > 0 for kind in drawn])
        if name in ("bubble", "bounce", "fluffy"):
            assert 0.25 < stand < 0.55
            assert 0.08 < shut < 0.35
        else:
            assert stand == 0
            assert shut == 0
