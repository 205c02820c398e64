"""Painted pixels against the exact truth, the camera against optics, and the JPEG's facts."""

import io
import json
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageOps
from scene_makers import make_scene

from polypvision.calibrate.srgb import to_linear
from polypvision.calibrate.view import apply_homography
from polypvision.card.code import CardName, marker_ids
from polypvision.card.dictionary import DICTIONARY
from polypvision.card.layout import CARD_KINDS, CardKind, card_layout
from polypvision.columns import TRUTH
from polypvision.errors import TableError
from polypvision.reading import PlateReading, from_record
from polypvision.render.camera import as_stored, mm_per_px, plate_to_photo
from polypvision.render.photo import jpeg_bytes, paint, planforms, render_scene, sha256_of
from polypvision.render.scene import (
    Camera,
    FurnitureKind,
    FurnitureSpec,
    Light,
    PolypSpec,
    Scene,
    SmallCard,
)
from polypvision.render.truth import truth_record, truth_table, visible_share

POLYPS = (
    PolypSpec(
        name="half", x_mm=20, y_mm=75, diameter_mm=20, shape="half", wound_mm2=55, morph="pink"
    ),
    PolypSpec(name="disc", x_mm=55, y_mm=76, diameter_mm=24, morph="pink", seed=4),
)


def edge_corners(light: NDArray[np.float32], rough: NDArray[np.float64]) -> NDArray[np.float64]:
    """Corners (4, 2) where lines through a marker's edges, found half-way up in light, cross."""
    lines = []
    for first, second in zip(rough, np.roll(rough, -1, axis=0), strict=True):
        along = (second - first) / np.hypot(*(second - first))
        outwards = np.array([along[1], -along[0]])
        base = first + np.linspace(0.15, 0.85, 40)[:, None] * (second - first)
        steps = np.arange(-2.5, 2.51, 0.25)
        points = (base[:, None] + steps[:, None] * outwards).astype(np.float32)
        rise = cv2.remap(light, points[..., 0], points[..., 1], cv2.INTER_CUBIC)
        middle = (np.median(rise[:, :2]) + np.median(rise[:, -2:])) / 2
        after = np.argmax(rise > middle, axis=1)
        row = np.arange(len(rise))
        part = (middle - rise[row, after - 1]) / (rise[row, after] - rise[row, after - 1])
        edge = base + (steps[after - 1] + 0.25 * part)[:, None] * outwards
        _, _, axes = np.linalg.svd(edge - edge.mean(axis=0))
        lines.append((edge.mean(axis=0), axes[0]))
    corners = []
    for (one, towards), (other, across) in zip(lines[-1:] + lines[:-1], lines, strict=True):
        step = np.linalg.solve(np.column_stack([towards, -across]), other - one)
        corners.append(one + step[0] * towards)
    return np.array(corners)


@pytest.mark.parametrize("kind", CARD_KINDS)
def test_the_card_lies_where_the_homography_says(kind: CardKind) -> None:
    camera = {"tilt_deg": 28.0, "tilt_towards_deg": 110.0, "roll_deg": 33.0}
    scene = make_scene(kind, camera={**camera, "width_px": 1700, "height_px": 1700})
    photo = render_scene(scene, np.random.default_rng(1))
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    found, ids, _ = cv2.aruco.ArucoDetector(DICTIONARY).detectMarkers(grey)
    boxes = dict(zip(marker_ids(42, CardName(kind)), card_layout(kind).markers, strict=True))
    assert sorted(ids.ravel().tolist()) == sorted(boxes)
    light = to_linear(photo.rgb)[..., 1]
    for rough, number in zip(found, ids.ravel(), strict=True):
        true = apply_homography(photo.plate_to_photo, boxes[int(number)].corners_xy)
        error = edge_corners(light, rough[0].astype(np.float64)) - true
        # Noise and 8 bits leave a few hundredths of a pixel.
        assert np.hypot(*error.T).max() < 0.12


def test_a_second_small_card_lies_at_its_place() -> None:
    cards = (SmallCard(), SmallCard(copy=1, x_mm=80.0, y_mm=60.0, angle_deg=90.0))
    scene = make_scene(cards=cards, camera={"width_px": 1200, "height_px": 1200})
    camera = replace(scene.camera, distance_mm=1.6 * scene.camera.distance_mm)
    scene = replace(scene, camera=camera, plate_height_mm=160.0)
    photo = render_scene(scene, np.random.default_rng(1))
    found, ids, _ = cv2.aruco.ArucoDetector(DICTIONARY).detectMarkers(photo.rgb)
    boxes = dict(
        zip(marker_ids(42, CardName("small", 1)), card_layout("small").markers, strict=True)
    )
    seen = [
        (corners[0], boxes[int(number)])
        for corners, number in zip(found, ids.ravel(), strict=True)
        if int(number) in boxes
    ]
    assert len(seen) >= 4
    for corners, box in seen:
        # A quarter turn takes x to y, and y to -x.
        turned = np.array([80.0, 60.0]) + box.corners_xy @ np.array([[0.0, 1.0], [-1.0, 0.0]])
        true = apply_homography(photo.plate_to_photo, turned)
        assert np.abs(corners - true).max() < 2.5


def test_painted_pixels_cover_the_true_planform() -> None:
    scene = make_scene(polyps=POLYPS)
    shapes = planforms(scene)
    canvas, _ = paint(scene, shapes, plate_to_photo(scene.camera))
    pixel_mm2 = 1 / canvas.px_per_mm**2
    for number, shape in enumerate(shapes, start=1):
        mine = canvas.owner == number
        assert mine.sum() * pixel_mm2 == pytest.approx(shape.area_mm2, rel=0.005)
        assert (canvas.wound & mine).sum() * pixel_mm2 == pytest.approx(
            shape.wound_mm2, rel=0.02, abs=0.1
        )
    rows, columns = np.nonzero(canvas.owner == 2)
    centre = np.array([columns.mean() + 0.5, rows.mean() + 0.5]) / canvas.px_per_mm
    assert centre + canvas.origin_mm == pytest.approx([55.0, 76.0], abs=0.02)


def filled(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The mask without holes, such as a dark mouth."""
    outside = np.pad(mask.astype(np.uint8), 1)
    cv2.floodFill(outside, None, (0, 0), 2)
    return np.asarray(outside[1:-1, 1:-1] != 2)


def half_way(gain: NDArray[np.float32], outline: NDArray[np.float64]) -> float:
    """Mean distance outside the outline, px, at which the rim's light has fallen to half."""
    arms = outline - outline.mean(axis=0)
    reach = np.hypot(*arms.T)[:, None]
    steps = np.arange(-3.0, 3.01, 0.25)
    points = outline.mean(axis=0) + arms[:, None] * ((reach + steps) / reach)[..., None]
    points = points.astype(np.float32)
    profile = cv2.remap(gain, points[..., 0], points[..., 1], cv2.INTER_LINEAR).mean(axis=0)
    middle = (profile[4] + profile[-4]) / 2
    return float(np.interp(-middle, -profile, steps))


def test_what_shows_in_the_photo_has_the_true_outline_and_wound() -> None:
    scene = make_scene(
        polyps=POLYPS,
        camera={"tilt_deg": 25.0, "roll_deg": 200.0},
        light=Light(blue=0.0, elevation_deg=90.0),  # no dark side
    )
    photo = render_scene(scene, np.random.default_rng(2))
    record = truth_record(photo, scene, "")
    bare = render_scene(replace(scene, polyps=()), np.random.default_rng(2))
    light, empty = to_linear(photo.rgb), to_linear(bare.rgb)
    # On the black mat a pink polyp is told by its light alone; its shadow only darkens.
    gain = (light - empty)[..., 0]
    brighter = gain > 0.05
    for polyp, shape in zip(record["polyps"], photo.shapes, strict=True):
        outline = np.array(polyp["outline_px"])
        assert abs(half_way(gain, outline)) < 0.2
        true = np.zeros(brighter.shape, np.uint8)
        cv2.fillPoly(true, [np.round(outline * 16).astype(np.int32)], 1, shift=4)
        near = cv2.dilate(true, np.ones((9, 9), np.uint8)) > 0
        seen = filled(brighter & near)
        assert seen.sum() == pytest.approx(true.sum(), rel=0.02)
        overlap = (seen & (true > 0)).sum() / (seen | (true > 0)).sum()
        assert overlap > 0.96
        for wound in shape.wounds_mm:
            points = apply_homography(photo.plate_to_photo, wound)
            raw = np.zeros(brighter.shape, np.uint8)
            cv2.fillPoly(raw, [np.round(points * 16).astype(np.int32)], 1, shift=4)
            living = (true > 0) & (cv2.dilate(raw, np.ones((5, 5), np.uint8)) == 0)
            inner = cv2.erode(raw, np.ones((3, 3), np.uint8)) > 0
            ratio = light[..., 1] / light[..., 0]
            assert np.median(ratio[inner]) > 0.85  # pale
            assert np.median(ratio[living]) < 0.6  # pink


def test_a_mouth_is_where_the_truth_says() -> None:
    polyp = PolypSpec(
        name="a",
        x_mm=45,
        y_mm=75,
        diameter_mm=26,
        mouths=2,
        mouth_gap_mm=9,
        morph="pink",
        texture="velvet",
        seed=243,  # one with open, dark mouths
    )
    scene = make_scene(polyps=(polyp,), camera={"width_px": 1200, "height_px": 1200})
    photo = render_scene(scene, np.random.default_rng(3))
    (record,) = truth_record(photo, scene, "")["polyps"]
    assert record["n_mouths"] == 2
    grey = cv2.GaussianBlur(to_linear(photo.rgb)[..., 0], (0, 0), 2.0)
    for mouth in record["mouths"]:
        x, y = round(mouth["x_px"]), round(mouth["y_px"])
        window = grey[y - 25 : y + 26, x - 25 : x + 26]
        rows, columns = np.nonzero(window < (window.min() + np.median(window)) / 2)
        # Within a fifth of a millimetre: the slit's middle, for it is dark all along.
        assert math.hypot(rows.mean() - 25, columns.mean() - 25) < 2.3


def test_the_camera_is_a_pinhole() -> None:
    camera = Camera(focal_px=2000.0, distance_mm=250.0, target_x_mm=30.0, target_y_mm=40.0)
    straight = plate_to_photo(camera)
    middle = apply_homography(straight, np.array([[30.0, 40.0], [31.0, 40.0], [30.0, 41.0]]))
    # Magnification is focal length by distance; x stays right, y down.
    assert middle == pytest.approx(
        np.array([[999.5, 749.5], [1007.5, 749.5], [999.5, 757.5]]), abs=1e-9
    )
    assert mm_per_px(straight, 999.5, 749.5) == pytest.approx(0.125)
    tilted = plate_to_photo(replace(camera, tilt_deg=30.0, tilt_towards_deg=0.0))
    # At the target, lengths along the tilt shrink by its cosine, areas too.
    assert mm_per_px(tilted, 999.5, 749.5) == pytest.approx(
        0.125 / math.sqrt(math.cos(math.pi / 6))
    )
    # The camera stands on the right, so things there are nearer and larger.
    left, right = apply_homography(tilted, np.array([[-10.0, 40.0], [70.0, 40.0]]))
    assert mm_per_px(tilted, *right) < 0.125 < mm_per_px(tilted, *left)


def test_the_same_scene_gives_the_same_photo() -> None:
    scene = make_scene(
        polyps=POLYPS,
        furniture=(FurnitureSpec(kind="snail", x_mm=75, y_mm=88, size_mm=9),),
        light=Light(glare=1, caustics=0.2),
    )
    first, again, other = (
        jpeg_bytes(render_scene(scene, np.random.default_rng(seed)), scene) for seed in (5, 5, 6)
    )
    assert first == again
    assert first != other


@pytest.mark.parametrize("kind", ["plug", "tile", "grid", "glue", "snail", "bubble", "algae"])
def test_furniture_shows_but_is_no_polyp(kind: str) -> None:
    scene = make_scene(camera={"width_px": 500, "height_px": 500})
    thing = FurnitureSpec(kind=kind, x_mm=40, y_mm=75, size_mm=18, seed=1)  # type: ignore[arg-type]
    bare = render_scene(scene, np.random.default_rng(1))
    photo = render_scene(replace(scene, furniture=(thing,)), np.random.default_rng(1))
    x, y = np.round(apply_homography(photo.plate_to_photo, np.array([[40.0, 75.0]]))[0]).astype(int)
    change = np.abs(photo.rgb.astype(int) - bare.rgb.astype(int)).max(axis=2) > 12
    assert change[y - 25 : y + 26, x - 25 : x + 26].mean() > 0.1
    assert truth_record(photo, scene, "")["n_polyps"] == 0


def test_light_colours_and_glare_saturates() -> None:
    small = {"width_px": 500, "height_px": 500}
    white, blue, glare = (
        render_scene(make_scene(camera=small, light=light), np.random.default_rng(1)).rgb
        for light in (Light(blue=0.0), Light(blue=0.8), Light(exposure=0.5, glare=12))
    )
    paper = white.min(axis=2) > 200
    red, green, strongest = to_linear(blue)[paper].mean(axis=0)
    assert red < green < strongest
    assert red / strongest < 0.3
    assert np.ptp(to_linear(white)[paper].mean(axis=0)) < 0.02
    assert (glare == 255).all(axis=2).sum() > 20


def test_touching_and_cut_off_polyps_are_flagged() -> None:
    polyps = (
        PolypSpec(name="a", x_mm=20, y_mm=75, diameter_mm=20),
        PolypSpec(name="b", x_mm=39.5, y_mm=75, diameter_mm=20),
        PolypSpec(name="c", x_mm=80, y_mm=75, diameter_mm=12),
        PolypSpec(name="far", x_mm=400, y_mm=75, diameter_mm=12),
    )
    scene = make_scene(polyps=polyps, camera={"width_px": 500, "height_px": 500})
    # Move aside until one polyp is cut by the photo's border.
    camera = replace(scene.camera, target_x_mm=scene.camera.target_x_mm + 35)
    scene = replace(scene, camera=camera)
    photo = render_scene(scene, np.random.default_rng(1))
    flags = {polyp["name"]: polyp["flags"] for polyp in truth_record(photo, scene, "")["polyps"]}
    assert flags == {"a": ["touches-edge", "touching"], "b": ["touching"], "c": []}


@pytest.mark.parametrize(
    ("kind", "size_mm", "x_mm", "angle_deg"),
    [("snail", 16.0, 36.0, 30.0), ("snail", 16.0, 41.0, 0.0), ("cover", 40.0, 43.0, 70.0)],
)
def test_what_hides_a_polyp_hides_the_share_that_is_painted(
    kind: FurnitureKind, size_mm: float, x_mm: float, angle_deg: float
) -> None:
    bare = make_scene(polyps=(PolypSpec(name="a", x_mm=36, y_mm=75, diameter_mm=14),))
    thing = FurnitureSpec(kind=kind, x_mm=x_mm, y_mm=75, size_mm=size_mm, angle_deg=angle_deg)
    scene = replace(bare, furniture=(thing,))
    shapes, homography = planforms(bare), plate_to_photo(bare.camera)
    clear, hidden = (paint(one, shapes, homography)[0] for one in (bare, scene))
    inside = clear.owner == 1
    # Shadows darken what they fall on; a thing puts its own colour there.
    hue = [
        one.radiance[inside] / one.radiance[inside].sum(axis=1)[:, None] for one in (clear, hidden)
    ]
    same = np.abs(hue[0] - hue[1]).max(axis=1) < 2e-3
    assert visible_share(shapes[0], scene) == pytest.approx(same.mean(), abs=0.03)


def test_a_polyp_under_a_snail_is_no_truth_and_one_beside_it_is() -> None:
    polyps = (
        PolypSpec(name="under", x_mm=25, y_mm=75, diameter_mm=10),
        PolypSpec(name="beside", x_mm=60, y_mm=75, diameter_mm=10),
    )
    snails = tuple(FurnitureSpec(kind="snail", x_mm=x, y_mm=75, size_mm=14) for x in (25.0, 69.0))
    scene = make_scene(polyps=polyps, furniture=snails)
    photo = render_scene(scene, np.random.default_rng(1))
    found = truth_record(photo, scene, "")["polyps"]
    assert {polyp["name"]: polyp.get("partial", False) for polyp in found} == {
        "under": True, "beside": False,
    }  # fmt: skip


def test_polyps_over_each_other_are_refused() -> None:
    one = PolypSpec(name="a", x_mm=40, y_mm=75, diameter_mm=20)
    with pytest.raises(TableError, match="'a' and 'b' lie over each other; move one"):
        planforms(make_scene(polyps=(one, replace(one, name="b", x_mm=42))))


def test_the_record_reads_back_as_a_reading() -> None:
    scene = make_scene(polyps=POLYPS, camera={"width_px": 500, "height_px": 500})
    photo = render_scene(scene, np.random.default_rng(1))
    record = json.loads(json.dumps(truth_record(photo, scene, "f00d"), allow_nan=False))
    reading = from_record(record)
    assert isinstance(reading, PlateReading)
    assert reading.plate == "0042"
    assert reading.taken_at == scene.taken_at
    assert [polyp.diameter_mm for polyp in reading.polyps] == pytest.approx([20.0, 24.0])
    assert [polyp.wound_mm2 for polyp in reading.polyps] == pytest.approx([55.0, 0.0])
    assert math.isnan(reading.polyps[0].diameter_mm_err)
    assert reading.polyps[0].flags == ("wound",)
    # Pink: red of green, CIELAB a* above 0.
    assert reading.polyps[1].colour_lab[1] > 10
    table = truth_table([record])
    assert list(table.columns) == [column.name for column in TRUTH]
    assert list(table["name"]) == ["half", "disc"]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_stored_photos_come_back_upright(orientation: int) -> None:
    # Pillow knows the eight orientations of the Exif standard on its own.
    upright = np.random.default_rng(1).integers(0, 256, (7, 11, 3), dtype=np.uint8)
    stored = Image.fromarray(as_stored(upright, orientation))
    stored.getexif()[0x0112] = orientation
    assert np.array_equal(np.asarray(ImageOps.exif_transpose(stored)), upright)


def test_the_jpeg_tells_when_it_was_taken() -> None:
    scene = make_scene(camera={"width_px": 300, "height_px": 200}, orientation=6)
    photo = render_scene(scene, np.random.default_rng(1))
    data = jpeg_bytes(photo, scene)
    with Image.open(io.BytesIO(data)) as image:
        assert image.size == (200, 300)
        exif = image.getexif()
        assert exif[0x0112] == 6
        camera = exif.get_ifd(0x8769)
    assert camera[0x9003] == "2031:03:04 10:15:00"
    assert camera[0x9011] == "+10:00"
    assert len(sha256_of(data)) == 64


def test_a_scene_of_nothing_is_an_empty_plate() -> None:
    scene: Scene = make_scene(camera={"width_px": 300, "height_px": 300})
    record = truth_record(render_scene(scene, np.random.default_rng(1)), scene, "")
    assert record["polyps"] == []
    assert record["n_mouths"] == 0
    assert truth_table([record]).empty
