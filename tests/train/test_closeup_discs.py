"""Looks of the close-up painter's discs: each is there, where it is said to be."""

from dataclasses import replace

import numpy as np
import pytest

from polypvision.train.closeups.camera import develop
from polypvision.train.closeups.discs import paint_disc
from polypvision.train.closeups.form import TURNS, Disc, make_form, pressed
from polypvision.train.closeups.kinds import KINDS, Kind, any_kind
from polypvision.train.closeups.layout import MOST_DISCS, View, carpet, seen_from, shared_margins
from polypvision.train.closeups.pigments import clone_colours
from polypvision.train.closeups.stalks import paint_stalk
from polypvision.train.closeups.surface import surface
from polypvision.train.closeups.tools import Lamp, Noise, Picture, Points

WHITE = Lamp(
    colour=np.ones(3, np.float32), towards=np.array([0, 0, 1], np.float32), blue=0.0, ambient=0.4
)


def empty_picture(seed: int, side: int = 300) -> Picture:
    rng = np.random.default_rng(seed)
    return Picture(
        light=np.zeros((side, side, 3), np.float32),
        owner=np.zeros((side, side), np.uint8),
        lamp=WHITE,
        noise=Noise(rng),
        rng=rng,
    )


def flat_disc(x: float = 150, y: float = 150, radius: float = 60, squeeze: float = 1.0) -> Disc:
    return Disc(
        x=x, y=y, radius=radius, squeeze=squeeze, towards=np.pi / 2, mouths=1, blur_px=0,
        counted=True,
    )  # fmt: skip


def plain_kind(picture: Picture, kind: str = "velvet") -> Kind:
    """Return a kind without any chance in its shape."""
    return replace(
        any_kind(picture.rng, picture.lamp, kind),
        lobes=0.0, folds=0.0, valleys=0, warts=0.0, skin="", odd=0.0, billows=0.0,
    )  # fmt: skip


def hexagon() -> Points:
    angles = np.arange(6) * np.pi / 3
    return np.column_stack([np.cos(angles), np.sin(angles), np.full(6, 50.0)])


def area(outline: Points) -> float:
    return float(np.sin(2 * np.pi / TURNS) / 2 * (outline * np.roll(outline, 1)).sum())


def test_pressed_from_six_sides_a_disc_is_a_hexagon() -> None:
    axes = np.eye(2) * 70.0
    outline = pressed(np.ones(TURNS), axes, hexagon(), 200.0)
    # A regular hexagon of inradius a covers 2 sqrt(3) a^2 (handbook of plane geometry).
    assert area(outline) * 70**2 == pytest.approx(2 * np.sqrt(3) * 50**2, rel=0.02)
    assert np.ptp(pressed(np.ones(TURNS), axes, np.empty((0, 3)), 12.0)) == pytest.approx(0)


@pytest.mark.parametrize("squeeze", [1.0, 0.5])
def test_a_pressed_disc_stays_within_its_walls_at_any_slant(squeeze: float) -> None:
    picture = empty_picture(1)
    disc = replace(flat_disc(squeeze=squeeze, radius=70), walls=np.array([[1.0, 0.0, 40.0]]))
    paint_disc(picture, plain_kind(picture), disc, 3)
    rows, columns = np.nonzero(picture.owner == 3)
    assert columns.max() <= 150 + 41
    assert columns.min() < 150 - 55
    assert np.ptp(rows) == pytest.approx(2 * 70 * squeeze * 0.95, rel=0.12)


def test_two_neighbours_share_one_margin_as_their_radii_are() -> None:
    walls = shared_margins(np.array([[100.0, 150.0, 60.0], [190.0, 150.0, 30.0]]), 1.0)
    np.testing.assert_allclose(walls[0], [[1, 0, 60]])
    np.testing.assert_allclose(walls[1], [[-1, 0, 30]])
    apart = shared_margins(np.array([[0.0, 0.0, 10.0], [100.0, 0.0, 10.0]]), 1.0)
    assert [len(found) for found in apart] == [0, 0]


def test_carpets_hold_few_or_many_discs_of_sizes_that_are_seen() -> None:
    found = []
    for seed in range(30):
        picture = empty_picture(seed, 700)
        discs, reach = carpet(picture, np.array([350.0, 350.0]), "velvet")
        assert reach > 0
        assert all(13 <= disc.radius <= 200 for disc in discs)
        found.append(len(discs))
    assert max(found) <= MOST_DISCS
    assert min(found) < 12
    assert max(found) > 35


def test_a_carpet_over_the_whole_frame_leaves_little_ground() -> None:
    covered = []
    for seed in range(12):
        picture = empty_picture(seed, 400)
        kind = plain_kind(picture)
        discs, _ = carpet(picture, np.array([200.0, 200.0]), "velvet")
        for number, disc in enumerate(discs, 1):
            paint_disc(picture, kind, disc, number)
        covered.append(float((picture.owner[60:-60, 60:-60] > 0).mean()))
    assert max(covered) > 0.9
    assert min(covered) < 0.85  # islands and gaps


def test_further_up_the_picture_discs_are_smaller_and_nearer_together() -> None:
    picture = empty_picture(2)
    spots = np.array([[150.0, y, 30.0] for y in (30.0, 90.0, 150.0, 210.0, 270.0)])
    view = View(squeeze=0.8, towards=np.pi / 2, flat=True, recede=0.9, bowed=0.0, rugged=0.12)
    discs = seen_from(picture, np.array([150.0, 150.0]), spots, None, view, 0.0)
    discs = sorted(discs, key=lambda disc: disc.y)
    assert all(np.diff([disc.radius for disc in discs]) > 0)
    assert all(np.diff(np.diff([disc.y for disc in discs])) > 0)


def test_valleys_notch_the_margin() -> None:
    picture = empty_picture(4)
    kind = replace(plain_kind(picture), valleys=3, cleft=False)
    notched, free = [], []
    for _ in range(40):
        form = make_form(kind, flat_disc(), picture.rng)
        if form.crease.any():
            notched.append(form.outline[form.crease > 0.8].mean())
            free.append(form.outline[form.crease < 0.05].mean())
    assert len(notched) > 20
    assert np.mean(notched) < 0.9 * np.mean(free)


def test_a_starburst_has_as_many_stripes_as_it_is_given() -> None:
    picture = empty_picture(5)
    kind = replace(
        plain_kind(picture), stripes=1.0, stripe_count=23, stripe_from=0.3, stripe_to=0.9,
        streaks=0.0, mottle=0.0, speckle=0.0, rim_width=0.0, groove=False,
        ring_colours=np.full((1, 3), 0.1, np.float32), ring_edges=np.zeros(1),
        tips=np.ones((2, 3), np.float32),
    )  # fmt: skip
    theta = np.tile(np.linspace(-np.pi, np.pi, 512, endpoint=False, dtype=np.float32), (64, 1))
    rho = np.repeat(np.linspace(0.1, 1.0, 64, dtype=np.float32)[:, None], 512, axis=1)
    light, _ = surface(kind, picture, theta, rho, 60.0)
    around = np.abs(np.fft.rfft(light[35, :, 0]))[1:]
    assert int(np.argmax(around)) + 1 == 23
    assert np.ptp(light[2, :, 0]) < 0.05  # none near the mouth


def test_clones_are_dark_or_bright_dull_or_vivid() -> None:
    rng = np.random.default_rng(6)
    colours = np.array([clone_colours(rng, WHITE)() for _ in range(400)])
    largest = colours.max(axis=1)
    vivid = 1 - colours.min(axis=1) / largest
    # Down to 3 % reflectance and less; albedos of bright ones near that of pale skin.
    assert np.quantile(largest, 0.08) < 0.05
    assert np.quantile(largest, 0.9) > 0.45
    assert np.quantile(vivid, 0.1) < 0.5
    assert np.quantile(vivid, 0.8) > 0.9


@pytest.mark.parametrize("kind", KINDS)
def test_a_disc_cut_by_the_picture_keeps_the_area_of_the_whole(kind: str) -> None:
    areas = []
    for x in (150.0, 0.0):
        picture = empty_picture(7)
        paint_disc(picture, plain_kind(picture, kind), flat_disc(x=x), 1)
        areas.append(picture.areas[1])
    # The margin's tips outside the picture are not drawn.
    assert areas[1] == pytest.approx(areas[0], rel=0.15)
    assert (picture.owner == 1).sum() < 0.65 * areas[1]


def test_a_stalk_stands_below_its_disc_and_does_not_count() -> None:
    picture = empty_picture(8)
    picture.owner[:] = 9
    paint_stalk(picture, plain_kind(picture), flat_disc(squeeze=0.4))
    rows, columns = np.nonzero(picture.owner == 0)
    assert len(rows) > 500
    assert rows.min() >= 149
    assert columns.mean() == pytest.approx(150, abs=2)


def test_of_the_darkest_disc_something_is_seen() -> None:
    for seed in range(12):
        picture = empty_picture(seed, 320)
        picture.light[:] = 0.5
        disc = np.hypot(*np.mgrid[-160:160, -160:160]) < 90
        picture.light[disc] = 0.001
        picture.light[disc & (picture.noise.field((320, 320), 12) > 1)] = 0.01
        picture.owner[disc] = 1
        codes = develop(picture)
        assert codes.shape == (320, 320, 3)
        assert codes[disc].max(axis=1).std() > 3
