"""Doubts that an outline raises, on painted discs whose slant, folds and neighbours are known."""

import numpy as np
import pytest
from map_makers import blank_view, perfect_maps
from numpy.typing import NDArray
from skimage.draw import polygon

from polypvision.evaluate.heldout.skins import Place, any_clone, paint
from polypvision.flags import FLAGS
from polypvision.measure.doubts import outline_doubts
from polypvision.measure.polyps import measure_polyps
from polypvision.measure.shape import mask_outline
from polypvision.mouths.find import PolypMouths
from polypvision.reading import Polyp
from polypvision.render.scene import PolypSpec, Shape
from polypvision.render.shapes import planform
from polypvision.segment.polyp_map import PolypMap
from polypvision.train.closeups.tools import Lamp, Noise, Picture


def painted(*places: Place) -> NDArray[np.int32]:
    """Whose each pixel is when discs are painted one over the other."""
    rng = np.random.default_rng(6)
    picture = Picture(
        light=np.zeros((360, 480, 3), np.float32),
        owner=np.zeros((360, 480), np.uint8),
        lamp=Lamp.chance(rng),
        noise=Noise(rng),
        rng=rng,
    )
    clone = any_clone(picture, "rings")
    for number, place in enumerate(places, 1):
        paint(picture, clone, place, number)
    return picture.owner.astype(np.int32)


def place(x: float, y: float, radius: float, squeeze: float = 1.0, mouths: int = 1) -> Place:
    return Place(x=x, y=y, radius=radius, squeeze=squeeze, turn=0.6, mouths=mouths)


def doubts(labels: NDArray[np.int32], label: int = 1, n_mouths: int = 1) -> set[str]:
    return outline_doubts(mask_outline(labels == label), labels, label, n_mouths=n_mouths)


@pytest.mark.parametrize("squeeze", [1.0, 0.85])
def test_a_disc_seen_nearly_face_on_raises_none(squeeze: float) -> None:
    assert doubts(painted(place(240, 180, 90, squeeze))) == set()


@pytest.mark.parametrize("squeeze", [0.5, 0.6])
def test_a_slanted_disc(squeeze: float) -> None:
    labels = painted(place(240, 180, 110, squeeze))
    assert doubts(labels) == {"oblique"}
    # With two mouths it may be lengthened because it is about to divide.
    assert doubts(labels, n_mouths=2) == set()


def test_the_hidden_disc_and_not_the_one_before_it() -> None:
    labels = painted(place(180, 180, 80), place(285, 180, 80))
    assert doubts(labels, 1) == {"hidden"}
    assert doubts(labels, 2) == set()


def test_neighbours_that_only_touch_hide_nothing() -> None:
    labels = painted(place(160, 180, 75), place(318, 180, 75))
    assert doubts(labels, 1) == doubts(labels, 2) == set()


def drawn(radius: NDArray[np.float64]) -> NDArray[np.int32]:
    """A star-shaped polyp from its radii by direction."""
    rows, columns = np.mgrid[-160:161, -160:161]
    theta = np.arctan2(rows, columns) % (2 * np.pi)
    reach = np.interp(theta, np.linspace(0, 2 * np.pi, len(radius)), radius)
    return np.asarray(np.hypot(rows, columns) < reach, np.int32)


def test_a_folded_margin_and_a_wavy_one() -> None:
    theta = np.linspace(0, 2 * np.pi, 720)
    folded = drawn(100 * (1 - 0.45 * np.exp(-(((theta - 2) / 0.25) ** 2))))
    assert doubts(folded) == {"folded"}
    assert doubts(drawn(100 * (1 + 0.04 * np.cos(9 * theta)))) == set()


def test_a_waist_between_two_mouths_is_no_fold() -> None:
    theta = np.linspace(0, 2 * np.pi, 720)
    waisted = drawn(90 * (1 + 0.3 * np.cos(2 * theta)))
    assert doubts(waisted, n_mouths=2) == set()
    deeper = drawn(90 * (1 + 0.6 * np.cos(2 * theta)))
    assert doubts(deeper, n_mouths=2) == set()
    assert doubts(deeper, n_mouths=1) == {"folded"}


@pytest.mark.parametrize("shape", ["half", "quarter", "margin"])
def test_pieces_as_cut_are_neither_folded_nor_slanted(shape: Shape) -> None:
    spec = PolypSpec(name="p", x_mm=30, y_mm=30, diameter_mm=24, shape=shape, mouths=0)
    labels = np.zeros((360, 360), np.int32)
    outline = planform(spec).outline_mm * 6
    labels[polygon(outline[:, 1], outline[:, 0], labels.shape)] = 1
    assert doubts(labels, n_mouths=0) == set()


def measured(labels: NDArray[np.int32], rgb: NDArray[np.uint8] | None = None) -> tuple[Polyp, ...]:
    view = blank_view(labels.shape[1] / 6, labels.shape[0] / 6)
    if rgb is not None:
        view.rgb[:] = rgb
    count = int(labels.max())
    one = PolypMouths(places_xy=np.zeros((1, 2)), scores=(1.0,), two_mouths_probability=0.0)
    polyp_map = PolypMap(labels=labels, scores=(0.9,) * count)
    return measure_polyps(view, perfect_maps(view, []), polyp_map, (one,) * count)


def test_doubts_are_among_a_measured_polyp_s_flags() -> None:
    under, over = measured(painted(place(180, 180, 80), place(285, 180, 80)))
    assert {"hidden", "touching"} <= set(under.flags)
    assert "hidden" not in over.flags
    assert {"hidden", "folded", "oblique"} <= set(FLAGS)


def test_what_the_picture_s_edge_cuts_off_is_only_said_to_be_cut() -> None:
    (cut,) = measured(painted(place(20, 180, 90)))
    assert "touches-edge" in cut.flags
    assert not {"hidden", "folded", "oblique"} & set(cut.flags)


def test_glare_on_a_disc() -> None:
    labels = painted(place(240, 180, 90))
    rgb = np.full((*labels.shape, 3), 120, np.uint8)
    (clear,) = measured(labels, rgb)
    assert "glare" not in clear.flags
    rgb[150:200, 220:260] = 255  # 2000 of 25 400 pixels
    (glaring,) = measured(labels, rgb)
    assert "glare" in glaring.flags
