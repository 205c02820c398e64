"""Discs by shape alone: coins that libraries carry, drawn discs, and plates."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from plain_plates import plain_plate, polyp
from skimage.data import coins

from polypvision.calibrate.photo import view_at_scale
from polypvision.evaluate.overlap import match
from polypvision.measure.overlap import iou_matrix
from polypvision.pipeline import ReadSettings, read_plate
from polypvision.reading import PhotoFacts, PlateReading
from polypvision.render.scene import FurnitureSpec
from polypvision.render.shapes import planform
from polypvision.segment.shapes import find_discs

OPENCV_DOC = Path("/usr/share/doc/opencv-doc")


def read_shapes(rgb: NDArray[np.uint8], mm_per_px: float) -> PlateReading:
    settings = ReadSettings(mm_per_px=mm_per_px, polyp_test=False)
    return read_plate(rgb, PhotoFacts(photo="made", sha256=""), settings)


def drawn(*discs: tuple[float, float, float, int], back: int = 90) -> NDArray[np.uint8]:
    """Discs (x, y, radius, grey) on an even ground, their margins blurred over a pixel."""
    image = np.full((480, 640, 3), back, np.float32)
    rows, columns = np.mgrid[:480, :640]
    for x, y, radius, grey in discs:
        inside = np.clip(radius - np.hypot(columns - x, rows - y) + 0.5, 0, 1)[..., None]
        image = image * (1 - inside) + grey * inside
    return np.asarray(np.round(image), np.uint8)


@pytest.mark.parametrize("mm_per_px", [0.3, 0.5])
def test_24_coins(mm_per_px: float) -> None:
    # scikit-image, gallery example "Comparing edge-based and region-based segmentation": the
    # photograph shows 24 coins. Any scale at which they are discs of likely size will do.
    grey = coins()
    reading = read_shapes(np.repeat(grey[..., None], 3, axis=2), mm_per_px)
    assert reading.n_polyps == 24
    # The example's own way to where they are: pixels brighter than 150 lie on coins only.
    owner = np.zeros(grey.shape, np.uint8)
    for one in reading.polyps:
        cv2.fillPoly(owner, [np.round(one.outline_px).astype(np.int32)], 1)
    # (But for a light spot of the ground at the top left.)
    assert owner[grey > 150].mean() > 0.97


def test_24_touching_coins_of_opencv_s_manual() -> None:
    # OpenCV manual, "Image Segmentation with Watershed Algorithm"; 24 counted by eye, all of one
    # kind and so of one size.
    found = sorted(OPENCV_DOC.rglob("coins.jpg"))
    if not found:
        pytest.skip("Debian's package opencv-doc is not installed")
    bgr = cv2.imread(str(found[0]))
    assert bgr is not None
    reading = read_shapes(np.ascontiguousarray(bgr[..., ::-1]), 0.5)
    assert reading.n_polyps == 24
    sizes = [one.diameter_mm for one in reading.polyps]
    assert np.ptp(sizes) < 0.1 * np.median(sizes)


def test_sizes_of_drawn_discs_to_a_fraction_of_a_pixel() -> None:
    made = [(100.3, 110.7, 40.4, 160), (300.0, 120.0, 62.3, 30), (480.6, 300.2, 90.0, 200)]
    reading = read_shapes(drawn(*made), 1 / 6)
    assert reading.n_polyps == 3
    for x, y, radius, _ in made:
        near = min(reading.polyps, key=lambda p: np.hypot(p.x_px - x, p.y_px - y))
        assert np.hypot(near.x_px - x, near.y_px - y) < 0.7
        assert near.diameter_mm * 6 / 2 == pytest.approx(radius, abs=0.8)


def test_the_gap_between_discs_is_none() -> None:
    # Four discs that touch leave a four-cornered gap, bounded by their margins alone.
    made = [(200, 150, 60, 200), (320, 150, 60, 200), (200, 270, 60, 200), (320, 270, 60, 200)]
    assert read_shapes(drawn(*made), 1 / 6).n_polyps == 4


def test_neither_squares_nor_noise_nor_nothing() -> None:
    rng = np.random.default_rng(2)
    noise = cv2.GaussianBlur(rng.normal(120, 60, (480, 640, 3)).astype(np.float32), (0, 0), 2)
    for picture in (np.full((300, 400, 3), 120, np.uint8), np.clip(noise, 0, 255).astype(np.uint8)):
        polyp_map = find_discs(view_at_scale(picture, 1 / 6))
        assert polyp_map.n_polyps == 0
        assert polyp_map.scores == ()


def test_polyps_of_a_plate_and_other_round_things_alike() -> None:
    specs = [
        polyp(k, 20 + 34 * (k % 3), 22 + 36 * (k // 3), 20 + 2 * k, morph="green") for k in range(6)
    ]
    plug = FurnitureSpec(kind="plug", x_mm=122, y_mm=40, size_mm=22, tint=0.1)
    rgb = plain_plate(140, 84, specs, [plug], ground="grey-tile")
    reading = read_shapes(rgb, 1 / 6)
    true = [planform(spec).outline_mm * 6 - 0.5 for spec in specs]
    iou = iou_matrix([one.outline_px for one in reading.polyps], true)
    # A dull rim on a dull ground is left out: only the brighter face is a disc to it.
    assert len(match(iou, above=0.6)) == len(specs)
    assert any(np.hypot(p.x_mm - 122, p.y_mm - 40) < 3 for p in reading.polyps)
    assert all(one.n_mouths == 0 and one.wound_mm2 == 0 for one in reading.polyps)
