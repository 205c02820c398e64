"""Mounts, clutter and frames of the close-up painter: shapes by geometry, and never polyps."""

from math import gamma

import numpy as np
import pytest

from polypvision.train.closeups import clutter, grounds, plugs, stones
from polypvision.train.closeups.frames import paint_bars, paint_seam
from polypvision.train.closeups.grounds import (
    GROUNDS,
    paint_back,
    paint_clutter,
    paint_finger,
    paint_photo,
    paint_plug,
)
from polypvision.train.closeups.tools import Lamp, Noise, Picture, Radiance, blobs

THINGS = [thing for thing, _, _ in clutter.THINGS]


def picture(seed: int, *, height: int = 300, width: int = 340, owner: int = 0) -> Picture:
    rng = np.random.default_rng([31, seed])
    return Picture(
        light=np.full((height, width, 3), 0.2, np.float32),
        owner=np.full((height, width), owner, np.uint8),
        lamp=Lamp.chance(rng),
        noise=Noise(rng),
        rng=rng,
    )


@pytest.mark.parametrize("squeeze", [1.0, 0.7, 0.4])
def test_top_of_a_round_plug_is_an_ellipse(squeeze: float) -> None:
    # Area of an ellipse, pi a b (any handbook of geometry).
    body = plugs.slab(80.0, squeeze=squeeze, turn=0.4, thick=20.0)
    assert body.top.sum() == pytest.approx(np.pi * 80 * 80 * squeeze, rel=0.02)
    # Its side is what a disc shifted by the thickness uncovers: width times thickness.
    assert body.side.sum() == pytest.approx(2 * 80 * 20, rel=0.03)


def test_top_of_a_tile_is_a_superellipse() -> None:
    # Lame curve of power n: area 4 a b G(1 + 1/n)^2 / G(1 + 2/n) (from memory).
    body = plugs.slab(60.0, squeeze=0.8, turn=0.0, thick=0.0, power=8.0)
    area = 4 * 60 * 60 * 0.8 * gamma(1 + 1 / 8) ** 2 / gamma(1 + 2 / 8)
    assert body.top.sum() == pytest.approx(area, rel=0.02)


def test_lens_turns_a_point_into_a_disc() -> None:
    # Mean squared distance from the middle of a uniform disc: r^2 / 2 (any handbook).
    for radius in (4.0, 7.5, 12.0):
        kernel = grounds._lens_disc(radius, 0.0)
        half = kernel.shape[0] // 2
        far = np.hypot(*np.mgrid[-half : half + 1, -half : half + 1])
        assert kernel.sum() == pytest.approx(1, abs=1e-5)
        assert (kernel * far**2).sum() == pytest.approx(radius**2 / 2, rel=0.06)
        ringed = grounds._lens_disc(radius, 1.0)
        assert (ringed * far**2).sum() > 1.05 * (kernel * far**2).sum()


def test_lens_blur_keeps_light() -> None:
    flat = np.full((200, 260, 3), 0.3, np.float32)
    kept = [
        np.abs(grounds._defocused(flat, 30.0, np.random.default_rng(seed)) - 0.3).max()
        for seed in range(8)
    ]
    # Some get glints; the others stay as they were.
    assert min(kept) < 1e-4
    assert max(kept) > 0.02


@pytest.mark.parametrize("thing", THINGS, ids=lambda thing: thing.__name__)
def test_things_are_light_and_cover(thing: clutter.Thing) -> None:
    for seed in range(8):
        size = 10.0 + 6 * seed
        light, cover = thing(picture(seed), size)
        assert light.shape == (*cover.shape, 3)
        assert cover.shape[0] == cover.shape[1]
        assert cover.shape[0] % 2 == 1
        assert np.isfinite(light).all()
        assert light.min() >= 0
        assert cover.min() >= 0
        assert cover.max() <= 1 + 1e-6
        assert cover.max() > 0.05
        again, _ = thing(picture(seed), size)
        np.testing.assert_array_equal(again, light)


@pytest.mark.parametrize("name", GROUNDS)
def test_grounds_fill_any_window(name: str) -> None:
    for seed, shape in enumerate([(300, 340), (61, 240), (200, 33)]):
        light: Radiance = GROUNDS[name](picture(seed), shape)
        assert light.shape == (*shape, 3)
        assert np.isfinite(light).all()
        assert light.min() >= 0


def test_veins_cross_a_stone_and_are_of_its_two_colours() -> None:
    xy, radius = np.array([[60.0, 60.0], [160.0, 60.0]]), np.full(2, 40.0)
    found = blobs((120, 220), xy, radius, radius, np.zeros(2), np.zeros(2))
    colours = np.array([[1, 0, 0], [0, 0, 1]], np.float32)
    spread = []
    for seed in range(12):
        light = stones._veined(picture(seed), found, xy, 40.0, colours)
        worn = light[found.there]
        np.testing.assert_allclose(worn.sum(axis=1), 1, atol=1e-5)
        assert worn.min() > -1e-6
        spread.append(max(light[found.which == n].std(axis=0).max() for n in (0, 1)))
    assert np.median(spread) > 0.1


def test_nothing_painted_here_is_a_polyp() -> None:
    for seed in range(25):
        new = picture(seed)
        paint_back(new, sharp=seed % 2 == 0)
        paint_plug(new, 150.0, 140.0, 70.0, blur_px=0.0)
        paint_clutter(new)
        paint_finger(new)
        assert not new.owner.any()
        assert np.isfinite(new.light).all()
        new = picture(seed)
        paint_photo(new)
        assert not new.owner.any()


def test_what_hides_a_disc_takes_its_pixels() -> None:
    hid = 0
    for seed in range(20):
        covered = picture(seed, owner=7)
        before = covered.light.copy()
        clutter.lay_thing(covered, plugs.magnet, 60.0, blur_px=0.0)
        assert set(np.unique(covered.owner)) <= {0, 7}
        gone = covered.owner == 0
        hid += int(gone.sum())
        # Where the disc is no more, something else is seen.
        changed = np.abs(covered.light - before).max(axis=2) > 0
        assert not gone.any() or changed[gone].mean() > 0.99
    assert hid > 20_000


def test_bars_are_of_one_colour_and_no_polyp() -> None:
    for seed in range(10):
        framed = picture(seed, owner=3)
        framed.light[:] = np.random.default_rng(seed).random(framed.light.shape)
        paint_bars(framed)
        bars = framed.owner == 0
        assert 0.1 < bars.mean() < 1
        assert np.ptp(framed.light[bars], axis=0).max() == 0
        assert framed.owner[150, 170] == 3


def test_seam_keeps_most_of_the_picture() -> None:
    for seed in range(10):
        joined = picture(seed, owner=3)
        other = np.full((*joined.shape, 3), 0.9, np.float32)
        paint_seam(joined, other)
        kept = joined.owner == 3
        assert 0.5 < kept.mean() < 0.9
        assert (joined.light[kept] == np.float32(0.2)).all()
        assert (joined.light[~kept] != np.float32(0.2)).all()
