"""Discs that readers miss are painted, and their truth is where it is said to be."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from polypvision.train.closeups.discs import paint_disc
from polypvision.train.closeups.form import TURNS, Disc
from polypvision.train.closeups.kinds import Kind, any_kind, few_bubbles
from polypvision.train.closeups.layout import cluster, with_juveniles
from polypvision.train.closeups.neighbours import paint_neighbours
from polypvision.train.closeups.picture import _among, _darkened, _far_discs, _paint_planted
from polypvision.train.closeups.strands import Strands, fringe_reach, oral_share
from polypvision.train.closeups.tentacles import some_tentacles
from polypvision.train.closeups.tools import NOT_COUNTED, Lamp, Noise, Picture

BLUE = Lamp(
    colour=np.array([0.05, 0.3, 1], np.float32), towards=np.array([0, 0, 1], np.float32),
    blue=0.8, ambient=0.4,
)  # fmt: skip


def empty_picture(seed: int, side: int = 300, ground: float = 0.0) -> Picture:
    rng = np.random.default_rng(seed)
    return Picture(
        light=np.full((side, side, 3), ground, np.float32),
        owner=np.zeros((side, side), np.uint8),
        lamp=BLUE,
        noise=Noise(rng),
        rng=rng,
    )


def disc_at(x: float = 150, y: float = 150, radius: float = 90) -> Disc:
    return Disc(
        x=x, y=y, radius=radius, squeeze=1.0, towards=np.pi / 2, mouths=1, blur_px=0, counted=True
    )


def stranded(picture: Picture) -> Kind:
    kind = any_kind(picture.rng, picture.lamp, "fringe")
    plain = replace(kind, lobes=0.0, folds=0.0, valleys=0, strand=0.5, strand_count=50, wave=0.0)
    return replace(plain, veil=0.0, clear=0.0, rim_width=0.0, skin="", odd=0.0)


def spokes(theta: np.ndarray, wide: float) -> Strands:
    n = len(theta)
    return Strands(theta=theta, tip=np.full(n, 1.2), bend=np.zeros(n), wide=np.full(n, wide))


def test_a_dense_fringe_ends_at_four_fifths_of_its_strands() -> None:
    theta = np.arange(40) * (2 * np.pi / 40)
    reach = fringe_reach(spokes(theta, 0.03), 0.7)
    np.testing.assert_allclose(reach, 0.7 + 0.8 * 0.5)


def test_where_strands_stand_far_apart_the_margin_is_the_discs() -> None:
    theta = np.arange(40) * (2 * np.pi / 40)
    half = theta[theta < np.pi]
    reach = fringe_reach(spokes(half, 0.03), 0.7)
    assert reach[TURNS // 4] == pytest.approx(1.1)
    assert reach[3 * TURNS // 4] == pytest.approx(0.7)
    thin = fringe_reach(spokes(theta, 0.005), 0.7)
    np.testing.assert_allclose(thin, 0.7)


def test_a_stranded_polyp_is_one_smooth_shape_of_its_radius_and_strands_stand_over_it() -> None:
    picture = empty_picture(4)
    paint_disc(picture, stranded(picture), disc_at(), 1)
    mask = (picture.owner == 1).astype(np.uint8)
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    assert len(outlines) == 1
    assert mask.sum() == pytest.approx(np.pi * 90**2, rel=0.1)
    hull = cv2.contourArea(cv2.convexHull(outlines[0]))
    assert mask.sum() > 0.93 * hull
    away = np.hypot(*np.mgrid[-150:150, -150:150])
    lit = picture.light.max(axis=2) > 0
    assert lit[(away > 97) & (away < 99)].any()
    ring = (away > 67) & (away < 77)
    # Ground is seen between the strands, and is part of the polyp.
    share = picture.light.max(axis=2)[ring]
    assert (share < 0.1 * np.percentile(share, 95)).mean() > 0.1
    assert mask[ring].mean() > 0.97


def test_of_a_veiled_fringe_only_a_share_of_the_contrast_is_left() -> None:
    shares = []
    for seed in range(80):
        contrast = []
        for veil in (0.0, 0.6):
            picture = empty_picture(seed)
            kind = stranded(picture)
            paint_disc(picture, replace(kind, veil=veil), disc_at(), 1)
            away = np.hypot(*np.mgrid[-150:150, -150:150])
            contrast.append(float(picture.light[(away > 78) & (away < 88)].mean()))
        shares.append(contrast[1] / contrast[0])
    # 40 % of each strand's; veiled strands are up to a third wider.
    assert 0.36 < np.mean(shares) < 0.54


def test_few_bubbles_glow_on_a_black_body_that_is_all_one_polyp() -> None:
    counts, spread = [], []
    for seed in range(8):
        picture = empty_picture(seed, ground=0.5)
        kind = few_bubbles(picture.rng, BLUE, any_kind(picture.rng, BLUE, "bounce"))
        kind = replace(kind, lobes=0.0, folds=0.0, valleys=0, cleft=False, stretch=1.0)
        kind = replace(kind, rim_stretch=0.0)  # tufts over the margin would count
        found = some_tentacles(kind, 90, picture.rng)
        counts.append(int(found.swollen.sum()))
        size = found.wide[found.swollen]
        assert size.min() >= 0.04
        assert size.max() <= 0.25
        spread.append(size.max() / size.min())
        paint_disc(picture, kind, disc_at(), 1)
        inside = picture.owner == 1
        assert inside.sum() == pytest.approx(np.pi * 90**2, rel=0.12)
        light = picture.light[inside].max(axis=1)
        # Darker than the ground but for bubbles; these far brighter than the body.
        assert np.median(light) < 0.15
        assert light.max() > 4 * np.median(light)
    assert min(counts) >= 1
    assert max(counts) <= 25
    assert max(spread) > 2.5


def test_juveniles_stand_beside_grown_discs_and_alone() -> None:
    rng = np.random.default_rng(3)
    radii = with_juveniles(np.full(400, 90.0), rng)
    young = radii[radii < 90]
    assert 0.05 < len(young) / 400 < 0.7
    assert young.min() >= 8
    assert young.max() <= 25
    both = 0
    for seed in range(40):
        discs = cluster(empty_picture(seed, 700), np.array([350.0, 350.0]), 90, "velvet")
        sizes = [disc.radius for disc in discs]
        both += min(sizes) < 25 and max(sizes) > 50
    assert both > 3
    for seed in range(10):
        alone = cluster(empty_picture(seed, 700), np.array([350.0, 350.0]), 12, "velvet")
        assert np.median([disc.radius for disc in alone]) < 26 or len(alone) > 5


def test_discs_out_of_focus_teach_nothing_and_hide_no_truth() -> None:
    seen = []
    for seed in range(10):
        picture = empty_picture(seed, 500)
        picture.owner[:] = 1
        _far_discs(picture, before=True)
        assert set(np.unique(picture.owner)) <= {0, 1, NOT_COUNTED}
        assert not picture.mouths
        # What hides a polyp, be it a stalk, is no part of it; a blurred edge may be.
        seen.append((picture.owner == NOT_COUNTED).mean())
        assert picture.light[picture.owner == 1].mean() < 0.2 * picture.light.max()
    assert max(seen) > 0.01


def test_of_a_fringed_colony_some_polyps_are_closed() -> None:
    closed = []
    for seed in range(12):
        picture = empty_picture(seed)
        kind = stranded(picture)
        places = [(x, y) for x in (50.0, 150.0, 250.0) for y in (50.0, 150.0, 250.0)]
        _paint_planted(picture, [(kind, disc_at(x, y, 40)) for x, y in places])
        assert bool((picture.owner == NOT_COUNTED).any()) == (len(picture.mouths) < 9)
        closed.append(9 - len(picture.mouths))
    assert min(closed) == 0
    assert max(closed) >= 2


def test_another_species_stands_among_a_clone() -> None:
    picture = empty_picture(4)
    kind = stranded(picture)
    planted = [(kind, disc_at(float(x))) for x in range(40)]
    mixed = _among(picture, planted)
    assert [disc for _, disc in mixed] == [disc for _, disc in planted]
    others = sum(own is not kind for own, _ in mixed)
    assert 0 < others < 30
    assert len({id(own) for own, _ in mixed}) == 2


def test_other_corals_lie_under_discs_and_are_no_polyps() -> None:
    picture = empty_picture(5)
    paint_neighbours(picture, [disc_at(radius=40)])
    assert not picture.owner.any()
    assert (picture.light.max(axis=2) > 0).mean() > 0.02


@pytest.mark.parametrize("ground", [0.02, 0.6])
def test_a_darkened_clone_is_darker_than_its_ground(ground: float) -> None:
    picture = empty_picture(6, ground=ground)
    kind = replace(stranded(picture), ring_colours=np.full((2, 3), 0.8, np.float32))
    ((dark, _),) = _darkened(picture, [(kind, disc_at())])
    tissue = np.concatenate([dark.ring_colours, dark.bases]).max(axis=1)
    assert np.median(tissue) < 0.75 * ground
    # The same factor for all of the clone's colours.
    np.testing.assert_allclose(
        dark.tips * kind.ring_colours[0, 0], kind.tips * dark.ring_colours[0, 0], rtol=1e-4
    )
    assert oral_share(dark) == pytest.approx(1 / 1.4)
