"""Zones and tentacles of a painted disc lie round its mouths."""

from dataclasses import replace

import numpy as np
import pytest

from polypvision.train.closeups.form import place_round_mouth, way_from_mouth
from polypvision.train.closeups.kinds import any_kind
from polypvision.train.closeups.tentacles import some_tentacles
from polypvision.train.closeups.tools import Lamp

WHITE = Lamp(
    colour=np.ones(3, np.float32), towards=np.array([0, 0, 1], np.float32), blue=0.0, ambient=0.4
)
ONE = np.array([[0.7, 0.3]])
TWO = np.array([[0.0, 0.45], [np.pi, 0.4]])


def test_the_way_ends_at_the_mouth_and_at_the_margin() -> None:
    theta = np.linspace(0, 2 * np.pi, 60)
    _, margin = way_from_mouth(theta, np.ones(60), TWO)
    np.testing.assert_allclose(margin, 1, atol=1e-5)
    _, mouths = way_from_mouth(TWO[:, 0], TWO[:, 1], TWO)
    np.testing.assert_allclose(mouths, 0, atol=1e-5)


def test_a_place_round_a_mouth_has_the_way_it_was_placed_at() -> None:
    rng = np.random.default_rng(5)
    towards, share = rng.uniform(-np.pi, np.pi, 200), rng.uniform(0.05, 1, 200)
    theta, rho = place_round_mouth(towards, share, ONE[0])
    assert rho.max() <= 1 + 1e-9
    back, way = way_from_mouth(theta, rho, ONE)
    np.testing.assert_allclose(way, share, atol=1e-5)
    np.testing.assert_allclose(np.exp(1j * back), np.exp(1j * towards), atol=1e-4)


def test_of_two_mouths_the_nearer_counts_and_the_ways_meet_between_them() -> None:
    _, left = way_from_mouth(np.array([np.pi]), np.array([0.2]), TWO)
    _, alone = way_from_mouth(np.array([np.pi]), np.array([0.2]), TWO[1:])
    assert left[0] == pytest.approx(alone[0])
    across = np.linspace(-0.4, 0.45, 400)
    _, way = way_from_mouth(np.where(across < 0, np.pi, 0.0), np.abs(across), TWO)
    assert np.abs(np.diff(way)).max() < 0.02  # no step where one takes over from the other


def test_tentacles_of_a_dividing_disc_are_small_round_each_mouth() -> None:
    rng = np.random.default_rng(8)
    plain = any_kind(rng, WHITE, "bubble", natural=True)
    kind = replace(plain, tentacle=0.04, growth=1.1, bare=0.0, packing=0.8, rowed=0.0)
    found = some_tentacles(kind, 120, rng, TWO)
    x, y = found.rho * np.cos(found.theta), found.rho * np.sin(found.theta)
    away = np.min([np.hypot(x - off * np.cos(at), y - off * np.sin(at)) for at, off in TWO], axis=0)
    near, far = found.wide[away < 0.15], found.wide[found.rho > 0.85]
    assert len(near) >= 8
    assert np.median(near) < 0.6 * np.median(far)
    # Without mouths to lie round they are as small only in the middle.
    even = some_tentacles(kind, 120, rng)
    x, y = even.rho * np.cos(even.theta), even.rho * np.sin(even.theta)
    at_mouths = np.hypot(x - 0.45, y) < 0.15
    assert np.median(even.wide[at_mouths]) > 1.15 * np.median(near)
