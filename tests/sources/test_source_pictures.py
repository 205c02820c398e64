"""Photos of round things that libraries carry, and what their makers say is on them."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from recipes import otsu_watershed
from scipy import ndimage
from skimage.data import coins
from skimage.feature import peak_local_max
from skimage.filters import sobel
from skimage.segmentation import watershed

OPENCV_DOC = Path("/usr/share/doc/opencv-doc")


def test_the_library_s_24_coins() -> None:
    # scikit-image, gallery example "Comparing edge-based and region-based segmentation": the
    # photograph skimage.data.coins() shows 24 coins.
    grey = coins()
    markers = np.zeros(grey.shape, np.int32)
    markers[grey < 30], markers[grey > 150] = 1, 2
    filled = ndimage.binary_fill_holes(watershed(sobel(grey), markers) - 1)
    labels, _ = ndimage.label(filled)
    assert int((np.bincount(labels.ravel())[1:] > 100).sum()) == 24


def test_the_benchmark_s_recipe_comes_near_the_24_coins() -> None:
    # The recipe is general; the example above is made for this one picture.
    rgb = np.repeat(coins()[..., None], 3, axis=2)
    outlines = otsu_watershed(
        rgb, np.ones(rgb.shape[:2], np.bool_), 3.0, apart_mm=4.0, solidity=0.8
    )
    assert abs(len(outlines) - 24) <= 2


def test_24_touching_coins_of_opencv_s_manual() -> None:
    # OpenCV manual, "Image Segmentation with Watershed Algorithm": Otsu's threshold, the distance
    # transform's peaks. The picture shows 24 touching coins (counted by eye).
    found = sorted(OPENCV_DOC.rglob("coins.jpg"))
    if not found:
        pytest.skip("Debian's package opencv-doc is not installed")
    grey = cv2.imread(str(found[0]), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    _, mask = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY_INV + cv2.THRESH_OTSU)
    depth = cv2.distanceTransform(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3))), 2, 5)
    peaks = peak_local_max(depth, min_distance=12, threshold_abs=0.5 * float(depth.max()))
    assert len(peaks) == 24
