"""Close-up lessons: their truth fits what is painted, and chance comes only from the generator."""

from dataclasses import replace

import numpy as np
import pytest

from polypvision.train.closeups import closeup_lesson
from polypvision.train.closeups.discs import paint_disc
from polypvision.train.closeups.form import Disc
from polypvision.train.closeups.kinds import KINDS, any_kind
from polypvision.train.closeups.tools import NOT_COUNTED, Lamp, Noise, Picture, blobs
from polypvision.train.lesson import LESSON_PX, Lesson


def lesson(seed: int) -> Lesson:
    return closeup_lesson(np.random.default_rng([77, seed]))


@pytest.fixture(scope="module")
def lessons() -> list[Lesson]:
    return [lesson(seed) for seed in range(6)]


def empty_picture(seed: int, side: int = 300) -> Picture:
    rng = np.random.default_rng(seed)
    return Picture(
        light=np.zeros((side, side, 3), np.float32),
        owner=np.zeros((side, side), np.uint8),
        lamp=Lamp.chance(rng),
        noise=Noise(rng),
        rng=rng,
    )


def test_same_generator_same_picture() -> None:
    one, other = lesson(0), lesson(0)
    np.testing.assert_array_equal(one.rgb, other.rgb)
    np.testing.assert_array_equal(one.owner, other.owner)
    np.testing.assert_array_equal(one.mouths, other.mouths)
    assert not np.array_equal(one.rgb[:480, :480], lesson(1).rgb[:480, :480])


def test_sizes_fit_the_view(lessons: list[Lesson]) -> None:
    for found in lessons:
        height, width = found.owner.shape
        assert 480 <= height <= LESSON_PX
        assert 480 <= width <= LESSON_PX
        assert found.rgb.shape == (height, width, 3)
        assert found.wound.shape == (height, width)
        assert not found.wound.any()
        np.testing.assert_array_equal(found.gains, 1)


def test_every_polyp_is_in_the_map_and_every_mouth_on_its_polyp(lessons: list[Lesson]) -> None:
    assert sum(len(found.polyps) for found in lessons) > 5
    for found in lessons:
        numbers = set(np.unique(found.owner)) - {0, NOT_COUNTED}
        assert numbers == set(range(1, len(found.polyps) + 1))
        for x, y, row in found.mouths:
            column, line = round(float(x)), round(float(y))
            if 0 <= line < found.owner.shape[0] and 0 <= column < found.owner.shape[1]:
                assert found.owner[line, column] == row + 1


def test_centre_and_diameter_are_those_of_the_visible_part(lessons: list[Lesson]) -> None:
    checked = 0
    for found in lessons:
        edge = np.concatenate(
            [found.owner[0], found.owner[-1], found.owner[:, 0], found.owner[:, -1]]
        )
        for row, (x, y, diameter) in enumerate(found.polyps):
            if row + 1 in edge:
                continue  # cut by the picture's edge: the truth is that of the whole
            rows, columns = np.nonzero(found.owner == row + 1)
            assert x == pytest.approx(columns.mean(), abs=0.01)
            assert y == pytest.approx(rows.mean(), abs=0.01)
            assert diameter == pytest.approx(2 * np.sqrt(len(rows) / np.pi), rel=1e-5)
            checked += 1
    assert checked > 3


@pytest.mark.parametrize("kind", KINDS)
def test_disc_has_the_size_and_slant_it_was_given(kind: str) -> None:
    radius, squeeze = 80.0, 0.6
    disc = Disc(
        x=150, y=150, radius=radius, squeeze=squeeze, towards=np.pi / 2, mouths=1, blur_px=0,
        counted=True,
    )  # fmt: skip
    areas, mouths = [], []
    for seed in range(5):
        picture = empty_picture(seed)
        open_mouth = replace(any_kind(picture.rng, picture.lamp, kind), mouth_hidden=0.0)
        paint_disc(picture, open_mouth, disc, 7)
        rows, columns = np.nonzero(picture.owner == 7)
        areas.append(len(rows))
        assert rows.std() < columns.std()
        mouths.append(len(picture.mouths[7]))
    assert max(mouths) == 1
    # Large tentacles may hang over a mouth that they leave free.
    assert kind in ("bubble", "bounce", "fluffy") or min(mouths) == 1
    # Outlines are lobed and tentacles stand over the rim: a quarter either way.
    assert np.median(areas) == pytest.approx(np.pi * radius**2 * squeeze, rel=0.45)


def test_discs_are_lighter_than_a_black_ground() -> None:
    for kind in KINDS:
        picture = empty_picture(3)
        disc = Disc(
            x=150, y=150, radius=80, squeeze=0.6, towards=0.0, mouths=1, blur_px=0, counted=True
        )
        paint_disc(picture, any_kind(picture.rng, picture.lamp, kind), disc, 7)
        assert picture.light[picture.owner == 7].mean() > picture.light[picture.owner == 0].mean()


def test_the_nearer_disc_hides_the_other() -> None:
    picture = empty_picture(5)
    kind = any_kind(picture.rng, picture.lamp, "velvet")
    for number, x in ((1, 120.0), (2, 180.0)):
        disc = Disc(
            x=x, y=150, radius=60, squeeze=1.0, towards=0.0, mouths=1, blur_px=0, counted=True
        )
        paint_disc(picture, kind, disc, number)
    assert (picture.owner == 2).sum() == picture.areas[2]
    assert 0 < (picture.owner == 1).sum() < 0.95 * picture.areas[1]


def test_highest_blob_wins() -> None:
    xy = np.array([[20.0, 20.0], [24.3, 20.4]])
    ones = np.ones(2)
    found = blobs((41, 41), xy, 10 * ones, 10 * ones, 0 * ones, np.array([0.0, 30.0]))
    assert found.which[20, 22] == 1
    assert found.which[20, 11] == 0
    assert found.which[0, 0] == -1
    assert found.nz[20, 24] == pytest.approx(np.sqrt(1 - 0.003 - 0.0016 + 0.0021), abs=0.002)
    # A circle's area by pixel centres, within the perimeter's noise.
    assert (found.which == 1).sum() == pytest.approx(np.pi * 100, abs=8)
