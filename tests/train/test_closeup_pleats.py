"""Discs in pleats, clones that end in the ground's colour, pictures that are all patterns."""

from dataclasses import replace

import numpy as np
import pytest

from polypvision.train.closeups import closeup_lesson
from polypvision.train.closeups.discs import paint_disc
from polypvision.train.closeups.form import Disc, make_form
from polypvision.train.closeups.kinds import KINDS, any_kind, with_outer_colour
from polypvision.train.closeups.picture import _blended
from polypvision.train.closeups.pleats import Pleat, some_pleats
from polypvision.train.closeups.tools import Lamp, Noise, Picture

LAMP = Lamp(
    colour=np.ones(3, np.float32), towards=np.array([0, 0, 1], np.float32), blue=0.0, ambient=0.4
)


def picture(seed: int, *, motley: bool = False) -> Picture:
    rng = np.random.default_rng([91, seed])
    return Picture(
        light=np.full((300, 300, 3), 0.2, np.float32),
        owner=np.zeros((300, 300), np.uint8),
        lamp=LAMP,
        noise=Noise(rng),
        rng=rng,
        motley=motley,
    )


def disc(radius: float = 100.0) -> Disc:
    return Disc(
        x=150, y=150, radius=radius, squeeze=1.0, towards=np.pi / 2, mouths=1, blur_px=0.0,
        counted=True,
    )  # fmt: skip


PLEAT = Pleat(
    across=np.array([1.0, 0.0]), at=np.array([0.5, 0.0]), half_length=0.4, over=0.2, fades=0.4,
    height=0.15, shade=0.5,
)  # fmt: skip


def test_a_pleat_carries_one_side_over_the_other_and_leaves_the_rest() -> None:
    xy = np.array([[0.501, 0.0], [0.499, 0.0], [0.9, 0.0], [0.55, 1.6], [-0.9, 0.0]])
    carried, lifted = PLEAT.moved(xy)
    # At the line by all of it, 0.4 further on by 1 / e; far along the line by nothing.
    np.testing.assert_allclose(carried[:, 0], [-0.2, 0, -0.2 / np.e, 0, 0], atol=2e-3)
    assert not carried[:, 1].any()
    assert lifted[0] == pytest.approx(0.15, abs=1e-3)
    assert lifted[1] < 0
    # What is carried keeps its order: nothing is turned inside out.
    along = np.column_stack([np.linspace(0.5001, 1, 200), np.zeros(200)])
    assert (np.diff(along[:, 0] + PLEAT.moved(along)[0][:, 0]) > 0).all()


def test_it_is_dark_under_the_crest_only() -> None:
    x = np.linspace(-1, 1, 401, dtype=np.float32)[None]
    left = PLEAT.light_left(x, np.zeros_like(x))[0]
    crest = 0.5 - 0.2
    assert left[x[0] > crest].min() == 1
    assert left.min() == pytest.approx(0.5, abs=0.03)
    assert x[0][np.argmin(left)] == pytest.approx(crest, abs=0.01)
    assert left[x[0] < crest - 0.5].min() > 0.99


def test_every_pleat_drawn_keeps_its_order_and_the_middle_free() -> None:
    rng = np.random.default_rng(6)
    for pleat in some_pleats(200, rng):
        assert np.hypot(*pleat.at) > 0.3
        assert pleat.over < pleat.fades
        assert np.hypot(*pleat.across) == pytest.approx(1)


def test_only_large_discs_of_such_kinds_lie_in_pleats_and_stay_one() -> None:
    kind = replace(any_kind(np.random.default_rng(3), LAMP, "bubble"), pleated=True)
    assert make_form(kind, disc(), np.random.default_rng(1)).pleats
    assert not make_form(kind, disc(40.0), np.random.default_rng(1)).pleats
    assert not make_form(replace(kind, pleated=False), disc(), np.random.default_rng(1)).pleats
    for seed in range(4):
        on = picture(seed)
        paint_disc(on, replace(kind, lobes=0.0, valleys=0, cleft=False), disc(), 5)
        assert np.isfinite(on.light).all()
        # A disc of radius 100 has 31,416 pixels; pleats take little, tentacles add a rim.
        assert 0.8 < np.count_nonzero(on.owner == 5) / 31_416 < 1.35


def test_what_blends_has_the_grounds_colour_outside_and_its_own_within() -> None:
    on = picture(2)
    on.light[:] = [0.3, 0.1, 0.02]
    kind = any_kind(on.rng, on.lamp, "fringe")
    planted = [(kind, disc()), (kind, replace(disc(), x=80.0))]
    (first, _), (second, _) = _blended(on, planted)
    assert first is second  # one clone stays one
    for colours in (first.ring_colours[-1], first.rim_colour, first.bases[-1], first.tips[-1]):
        # Brighter or darker by a factor, its hue the ground's: e to the 4 sigma of each channel.
        share = colours / np.array([0.3, 0.1, 0.02])
        assert share.max() / share.min() < np.exp(0.08 * 6)
    np.testing.assert_array_equal(first.tips[0], kind.tips[0])
    np.testing.assert_array_equal(first.ring_colours[:-1], kind.ring_colours[:-1])
    assert with_outer_colour(kind, kind.rim_colour).mouth is kind.mouth


def test_in_motley_pictures_most_clones_wear_patterns_and_natural_ones_never() -> None:
    rng = np.random.default_rng(12)

    def worn(*, motley: bool, natural: bool = False) -> float:
        kinds = [any_kind(rng, LAMP, k, motley=motley, natural=natural) for k in KINDS * 40]
        return float(np.mean([bool(kind.skin) for kind in kinds]))

    assert worn(motley=True) > 0.6 > worn(motley=False) > 0.1
    assert worn(motley=True, natural=True) == 0
    lesson = closeup_lesson(np.random.default_rng(5), natural=True)
    assert lesson.rgb.shape[:2] == lesson.owner.shape
