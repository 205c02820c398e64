"""Patterns of no species, ground of pieces, folded discs, several mouths: wide, and truth kept."""

from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
import pytest
from scipy.signal import find_peaks

from polypvision.train.closeups import pieces
from polypvision.train.closeups.discs import paint_disc
from polypvision.train.closeups.form import Disc, make_form, mouth_places
from polypvision.train.closeups.kinds import Kind, any_kind, strange
from polypvision.train.closeups.patterns import FIELDS, Pattern, any_field, coloured
from polypvision.train.closeups.picture import _far_discs, _glowing, _soften
from polypvision.train.closeups.tools import Lamp, Noise, Picture, living_colour

RADIUS = 60.0
BLUE = Lamp(
    colour=np.array([0.03, 0.2, 1.0], np.float32), towards=np.array([0, 0, 1], np.float32),
    blue=0.9, ambient=0.4,
)  # fmt: skip


def picture(seed: int, side: int = 200) -> Picture:
    rng = np.random.default_rng([77, seed])
    return Picture(
        light=np.full((side, side, 3), 0.2, np.float32),
        owner=np.zeros((side, side), np.uint8),
        lamp=BLUE,
        noise=Noise(rng),
        rng=rng,
    )


def polar() -> tuple[np.ndarray, np.ndarray]:
    y, x = np.mgrid[-70:71, -70:71].astype(np.float32)
    return np.arctan2(y, x).astype(np.float32), (np.hypot(x, y) / 60).astype(np.float32)


def disc(mouths: int = 1) -> Disc:
    return Disc(
        x=100, y=100, radius=RADIUS, squeeze=1.0, towards=np.pi / 2, mouths=mouths, blur_px=0.0,
        counted=True,
    )  # fmt: skip


def some(on: Picture, name: str = "velvet") -> Kind:
    return any_kind(on.rng, on.lamp, name)


@pytest.mark.parametrize("pattern", FIELDS)
def test_each_pattern_runs_from_nought_to_one_and_is_new_each_time(pattern: Pattern) -> None:
    theta, rho = polar()
    drawn = [pattern(picture(seed), theta, rho) for seed in range(6)]
    for field in drawn:
        assert field.shape == rho.shape
        assert field.min() >= 0
        assert field.max() <= 1 + 1e-5
    assert max(float(field.std()) for field in drawn) > 0.1
    assert min(np.abs(a - b).mean() for a, b in pairwise(drawn)) > 0.01


def _rings(rho: np.ndarray, field: np.ndarray) -> int:
    """Count the rings of a pattern: peaks of its mean over each circle (scipy's `find_peaks`)."""
    inside = rho < 1
    circles = (rho[inside] * 60).astype(int)
    mean = np.bincount(circles, field[inside]) / np.bincount(circles)
    return len(find_peaks(mean[4:], prominence=0.25)[0])


@pytest.mark.parametrize("pattern", FIELDS)
def test_no_pattern_is_many_rings_round_the_mouth(pattern: Pattern) -> None:
    """Six rings and more are kept back for judging; lessons have a few zones at most."""
    theta, rho = polar()
    even = np.asarray(0.5 + 0.5 * np.cos(2 * np.pi * 8 * rho), np.float32)
    assert _rings(rho, even) >= 6
    assert max(_rings(rho, pattern(picture(seed), theta, rho)) for seed in range(40)) <= 3


def test_a_colour_map_only_mixes_its_colours() -> None:
    on = picture(2)
    theta, rho = polar()
    colours = [living_colour(on.rng, on.lamp) for _ in range(5)]
    light = coloured(on, any_field(on, theta, rho), colours)
    most = np.max(colours, axis=0)
    assert light.min() >= 0
    assert (light <= most + 1e-4).all()


def test_a_strange_clone_keeps_its_mouth_and_margin() -> None:
    for seed in range(6):
        on = picture(seed)
        kind = replace(
            strange(on.rng, on.lamp, some(on)), lobes=0.0, folds=0.0, valleys=0, cleft=False,
            warts=0.0, billows=0.0,
        )  # fmt: skip
        paint_disc(on, kind, disc(), 1)
        # pi r^2 (any handbook); the painter draws a disc to 0.97 of its radius.
        assert (on.owner == 1).sum() == pytest.approx(np.pi * (0.97 * RADIUS) ** 2, rel=0.03)
        assert len(on.mouths[1]) == 1


@pytest.mark.parametrize("thing", [pieces.grains, pieces.shards, pieces.mosaic])
def test_pieces_fill_any_ground_and_own_no_pixel(thing: object) -> None:
    for seed in range(5):
        on = picture(seed)
        light = thing(on, (120, 170))  # type: ignore[operator]
        assert light.shape == (120, 170, 3)
        assert np.isfinite(light).all()
        assert light.min() >= 0
        assert light.std() > 1e-4
        assert not on.owner.any()


def test_a_cleft_disc_has_as_many_lobes_as_valleys() -> None:
    for valleys in (3, 4, 5, 6, 7):
        on = picture(valleys)
        kind = replace(some(on), cleft=True, valleys=valleys, lobes=0.0)
        lobes = []
        for _ in range(12):
            outline = make_form(kind, disc(), on.rng).outline
            smooth = np.convolve(np.tile(outline, 3), np.ones(9) / 9, "same")[256:512]
            low = (smooth < np.roll(smooth, 1)) & (smooth <= np.roll(smooth, -1))
            lobes.append(int(low.sum()))
        # Two valleys near each other run together now and then.
        assert valleys - 1 <= np.median(lobes) <= valleys


def test_mouths_lie_near_the_middle_or_well_apart_and_on_the_disc() -> None:
    on = picture(6)
    kind = replace(some(on), lobes=0.0, valleys=0, cleft=False)
    apart = []
    for mouths in (2, 3, 4):
        for _ in range(60):
            form = make_form(kind, disc(mouths), on.rng)
            theta, rho = mouth_places(disc(mouths), on.rng, form).T
            assert len(rho) == mouths
            assert rho.max() < 0.9
            xy = np.stack([rho * np.cos(theta), rho * np.sin(theta)], 1)
            apart.append(min(np.hypot(*(a - b)) for i, a in enumerate(xy) for b in xy[:i]))
    assert np.quantile(apart, 0.2) < 0.4
    assert np.quantile(apart, 0.9) > 0.8


def test_glowing_ones_are_black_with_few_bright_bubbles() -> None:
    on = picture(6)
    kinds = [some(on, name) for name in ("velvet", "fringe", "bubble")]
    turned = _glowing(on, [(kind, disc()) for kind in kinds])
    for kind, _ in turned:
        assert kind.kind == "bounce"
        assert 1 <= kind.bubbles < 26
        assert kind.ring_colours.max() < 0.3 * kind.tips.max()


def test_a_picture_out_of_focus_keeps_its_truth_and_loses_its_edges() -> None:
    on = picture(7)
    paint_disc(on, some(on, "bubble"), disc(), 1)
    owner, before = on.owner.copy(), on.light.copy()
    _soften(on)
    np.testing.assert_array_equal(on.owner, owner)
    edges = [float(np.abs(cv2.Laplacian(light, cv2.CV_32F)).mean()) for light in (before, on.light)]
    assert edges[1] < 0.7 * edges[0]


def test_discs_behind_are_often_of_the_clone_in_focus_and_are_ground() -> None:
    for seed in range(8):
        on = picture(seed, 300)
        _far_discs(on, [(some(on), disc())])
        assert not on.owner.any()
        assert not on.mouths
