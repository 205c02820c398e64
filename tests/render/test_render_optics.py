"""Rendered height, water and lens: what rays do, and that readings undo it."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from polypvision.calibrate.photo import view_from_card
from polypvision.calibrate.surroundings import Surroundings
from polypvision.card.layout import card_layout
from polypvision.measure.shape import equivalent_diameter, polygon_area
from polypvision.reading import Points
from polypvision.render.photo import RenderedPhoto, optics_of, render_scene
from polypvision.render.scene import Camera, PolypSpec, Scene, SmallCard
from polypvision.render.truth import truth_reading

CAMERA = Camera(
    width_px=1400,
    height_px=900,
    focal_px=1700.0,
    distance_mm=330.0,
    target_x_mm=90.0,
    target_y_mm=30.0,
)
SCENE = Scene(
    photo="made.jpg",
    plate=7,
    card="small",
    plate_x_mm=92.0,
    plate_y_mm=-20.0,
    plate_width_mm=85.0,
    plate_height_mm=90.0,
    taken_at=datetime(2031, 3, 4, 10, tzinfo=UTC),
    camera=CAMERA,
    cards=(SmallCard(),),
    polyps=(PolypSpec(name="a", x_mm=135.0, y_mm=25.0, diameter_mm=30.0, wobble=0.0),),
    canvas_px_per_mm=8.0,
)


def drawn(scene: Scene) -> RenderedPhoto:
    return render_scene(scene, np.random.default_rng(0))


def spread(points: Points) -> float:
    return equivalent_diameter(polygon_area(points))


def test_a_raised_plate_is_seen_larger_by_height_over_distance() -> None:
    # Similar triangles, straight down: Z / (Z - h).
    low, high = drawn(SCENE), drawn(replace(SCENE, disc_height_mm=30.0))
    outline = low.shapes[0].outline_mm
    ratio = spread(high.to_photo(outline)) / spread(low.to_photo(outline))
    assert ratio == pytest.approx(330 / 300, rel=1e-6)
    # In the picture, too: the polyp is where the truth says, not where it was.
    middle = high.to_photo(outline.mean(axis=0, keepdims=True))[0].round().astype(int)
    ring = high.to_photo(outline)
    assert ((ring > 0) & (ring < (1400, 900))).all()
    inside = high.rgb[middle[1] - 20 : middle[1] + 20, middle[0] - 20 : middle[0] + 20]
    outside = high.rgb[:40, -40:]
    assert abs(inside.astype(float).mean() - outside.astype(float).mean()) > 10


def test_nothing_between_is_no_optics() -> None:
    assert optics_of(SCENE) is None
    assert optics_of(replace(SCENE, water_depth_mm=1.0)) is not None


@pytest.mark.parametrize(
    ("scene", "said"),
    [
        (replace(SCENE, disc_height_mm=20.0), Surroundings(disc_height_mm=20.0)),
        (
            replace(SCENE, disc_height_mm=15.0, water_depth_mm=90.0, water_index=1.34),
            Surroundings(disc_height_mm=15.0, water_depth_mm=90.0, index=1.34),
        ),
        (
            replace(SCENE, disc_height_mm=-50.0, water_depth_mm=40.0, water_index=1.34),
            Surroundings(disc_height_mm=-50.0, water_depth_mm=40.0, index=1.34),
        ),
        (
            replace(SCENE, port_mm=25.0, water_index=1.34),
            Surroundings(port_mm=25.0, index=1.34),
        ),
    ],
    ids=["raised", "under water", "card above the water", "behind a pane"],
)
@pytest.mark.parametrize("tilt", [0.0, 30.0])
def test_the_card_in_the_picture_and_what_was_said_give_true_sizes(
    scene: Scene, said: Surroundings, tilt: float
) -> None:
    from polypvision.calibrate.lens import usual_lens

    scene = replace(scene, camera=replace(scene.camera, tilt_deg=tilt, tilt_towards_deg=120.0))
    photo = drawn(scene)
    lens = replace(
        usual_lens(1400, 900), focal_px=1700.0, focal_err=0.003, centre_err_px=1.0, source="profile"
    )
    view = view_from_card(photo.rgb, bar_mm=75.0, lens=lens, surroundings=said)
    truth, _ = truth_reading(photo, scene, "")
    [polyp] = truth.polyps
    sight = view.sight
    assert sight is not None
    from polypvision.calibrate.sight import to_plate

    read = spread(to_plate(sight, polyp.outline_px, sight.disc_height_mm))
    # Markers to a tenth of a pixel, and the profile's focal length: half a percent at most.
    assert read == pytest.approx(spread(polyp.outline_mm), rel=0.005)
    # The plate's own pixels in the view are those of the photo.
    place = polyp.outline_mm.mean(axis=0, keepdims=True)
    column, row = view.from_mm(place)[0].round().astype(int)
    x, y = view.to_photo(place)[0].round().astype(int)
    assert view.valid[row, column]
    assert photo.to_photo(place)[0] == pytest.approx((x, y), abs=3)
    # The card is no plate.
    corner = card_layout("small").size_mm
    column, row = view.from_mm(np.array([[corner[0] / 2, corner[1] / 2]]))[0].astype(int)
    if 0 <= row < view.valid.shape[0] and 0 <= column < view.valid.shape[1]:
        assert not view.valid[row, column]


def test_a_card_printed_small_is_drawn_small() -> None:
    view = view_from_card(drawn(replace(SCENE, print_scale=0.97)).rgb)
    plain = view_from_card(drawn(SCENE).rgb)
    assert view.scale.mm_per_px / plain.scale.mm_per_px == pytest.approx(1 / 0.97, rel=0.002)
