"""Skins, folds and heaps of the close-up painter: there, bounded, and no truth changed by them."""

from dataclasses import replace

import numpy as np
import pytest

from polypvision.train.closeups import heaps
from polypvision.train.closeups.discs import _billows, _seen, paint_disc
from polypvision.train.closeups.form import Disc
from polypvision.train.closeups.kinds import KINDS, SKINS, Kind, any_kind
from polypvision.train.closeups.skins import lay_skin
from polypvision.train.closeups.tools import Lamp, Noise, Picture

RADIUS = 70.0


def picture(seed: int) -> Picture:
    rng = np.random.default_rng([44, seed])
    return Picture(
        light=np.full((240, 240, 3), 0.2, np.float32),
        owner=np.zeros((240, 240), np.uint8),
        lamp=Lamp(
            colour=np.ones(3, np.float32), towards=np.array([0, 0, 1], np.float32),
            blue=0.0, ambient=0.4,
        ),
        noise=Noise(rng),
        rng=rng,
    )  # fmt: skip


def plain(on: Picture, kind: str = "velvet") -> Kind:
    return replace(
        any_kind(on.rng, on.lamp, kind), lobes=0.0, folds=0.0, valleys=0, warts=0.0, skin="",
        billows=0.0, odd=0.0, mouth_hidden=0.0, bubbles=0,
    )  # fmt: skip


def disc() -> Disc:
    return Disc(
        x=120, y=120, radius=RADIUS, squeeze=1.0, towards=np.pi / 2, mouths=1, blur_px=0.0,
        counted=True,
    )  # fmt: skip


def polar() -> tuple[np.ndarray, np.ndarray]:
    y, x = np.mgrid[-80:81, -80:81].astype(np.float32)
    return np.arctan2(y, x).astype(np.float32), (np.hypot(x, y) / 70).astype(np.float32)


@pytest.mark.parametrize("skin", SKINS)
def test_a_skin_changes_what_is_seen_and_stays_light(skin: str) -> None:
    theta, rho = polar()
    for seed in range(6):
        on = picture(seed)
        kind = replace(plain(on), skin=skin)
        before = np.full((*rho.shape, 3), 0.3, np.float32)
        light, height = lay_skin(kind, on, before, theta, rho, RADIUS)
        assert light.shape == before.shape
        assert np.isfinite(light).all()
        assert light.min() >= 0
        assert height.shape == rho.shape
        assert np.abs(height).max() < 0.2 * RADIUS
        assert np.abs(light - before).mean() > 1e-3


@pytest.mark.parametrize("skin", SKINS)
def test_a_skin_changes_neither_outline_nor_mouth(skin: str) -> None:
    owners, mouths = [], []
    for worn in ("", skin):
        on = picture(3)
        paint_disc(on, replace(plain(on), skin=worn), disc(), 1)
        owners.append(on.owner)
        mouths.append(on.mouths[1])
    # pi r^2 (any handbook); the painter draws a disc to 0.97 of its radius.
    assert (owners[1] == 1).sum() == pytest.approx(np.pi * (0.97 * RADIUS) ** 2, rel=0.03)
    assert (owners[0] != owners[1]).mean() < 0.01
    for place in mouths:  # in the middle, but for three standard deviations of the painter's tenth
        assert np.hypot(*(place - 120).T).max() < 0.3 * RADIUS


def test_folds_are_as_high_as_said_and_flat_round_the_mouth() -> None:
    _, rho = polar()
    on = picture(1)
    kind = replace(plain(on, "bubble"), billows=0.3, billow_size=0.6, steepness=4.0)
    billow = _billows(kind, on, rho, RADIUS)
    assert billow is not None
    assert np.abs(billow[rho < 0.08]).max() == 0
    assert 0.15 < np.abs(billow).max() < 0.31
    assert _billows(replace(kind, billows=0.0), on, rho, RADIUS) is None


def test_a_mouth_mostly_under_tentacles_is_not_counted() -> None:
    tentacles = np.zeros((100, 100), np.bool_)
    tentacles[:, 50:] = True
    places = np.array([[20.0, 50.0], [80.0, 50.0], [48.0, 50.0], [52.0, 50.0]])
    np.testing.assert_array_equal(_seen(places, tentacles, 10.0), [True, False, True, False])


def test_a_flat_washer_covers_a_ring() -> None:
    # A ring's area is pi (R^2 - r^2) (any handbook of geometry), at most pi R^2.
    areas = []
    for seed in range(40):
        light, cover = heaps.washer(picture(seed), 40.0)
        assert np.isfinite(light).all()
        assert light.min() >= 0
        areas.append(float(cover.sum()) / (np.pi * 40**2))
    assert 0.05 < min(areas) < 0.6  # thin rings seen from aside
    assert max(areas) < 1.5  # thick ones show their side


def test_a_heap_is_ground_and_no_polyp() -> None:
    on = picture(2)
    before = on.owner.copy()
    light = heaps.strewn(on, on.shape)
    assert light.shape == (*on.shape, 3)
    assert np.isfinite(light).all()
    np.testing.assert_array_equal(on.owner, before)
    assert not on.mouths


def test_what_lives_wears_no_pattern_of_no_species() -> None:
    rng = np.random.default_rng(8)
    lamp = Lamp.chance(rng)
    worn = {
        natural: {any_kind(rng, lamp, kind, natural=natural).skin for kind in KINDS * 40}
        for natural in (True, False)
    }
    assert worn[True] == {""}
    assert worn[False] > {"", "composed", "photographed"}
