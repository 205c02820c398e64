"""Rims of objects against the library's marching squares, and awkward ones."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.measure import find_contours

from polypvision.measure.rims import rims
from polypvision.measure.shape import (
    Outlines,
    mask_outline,
    mask_outlines,
    perimeter,
    polygon_area,
)


def _smooth(mask: NDArray[np.bool_]) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(mask.astype(np.float32), (9, 9), 1.0), np.float32)


def _blob(seed: int) -> NDArray[np.bool_]:
    """Return a mask (80, 80) with dents and a hole, away from the edge."""
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[:80, :80] - 40.0
    turn = np.arctan2(rows, columns)
    radius = 22 + sum(rng.normal(0, 2) * np.cos(k * turn + rng.uniform(0, 6)) for k in (2, 3, 5))
    far = np.hypot(rows, columns)
    return np.asarray((far <= radius) & (far > 5))


def _sorted(points: NDArray[np.float64]) -> NDArray[np.float64]:
    return points[np.lexsort(np.round(points, 6).T)]


@pytest.mark.parametrize("seed", range(20))
def test_a_rim_is_the_library_s_outer_line(seed: int) -> None:
    # scikit-image's find_contours: marching squares (Lorensen and Cline 1987). Its arrays are row,
    # column, and its first point comes twice.
    field = _smooth(_blob(seed))
    [rim] = rims(field, 0.5)
    library = max(find_contours(field.astype(np.float64), 0.5), key=len)[:-1, ::-1]
    np.testing.assert_allclose(_sorted(rim), _sorted(library), atol=1e-9)
    # In order, too: a line that jumped about would be longer.
    assert polygon_area(rim) == pytest.approx(polygon_area(library), rel=1e-12)
    assert perimeter(rim) == pytest.approx(perimeter(library), rel=1e-12)


def test_rims_run_clockwise_with_y_down() -> None:
    [rim] = rims(_smooth(_blob(1)), 0.5)
    x, y = rim.T
    assert np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)) > 0


def test_a_single_pixel_and_a_line_of_pixels_have_rims() -> None:
    field = np.zeros((7, 12), np.float32)
    field[3, 2] = field[3, 6:10] = 1.0
    dot, line = sorted(rims(field, 0.5), key=len)
    # Half a pixel to each side.
    assert sorted(map(tuple, dot.tolist())) == [(1.5, 3), (2, 2.5), (2, 3.5), (2.5, 3)]
    assert len(line) == 10
    assert line.min(axis=0).tolist() == [5.5, 2.5]
    assert line.max(axis=0).tolist() == [9.5, 3.5]
    assert rims(np.zeros((5, 5), np.float32), 0.5) == []


def test_many_outlines_are_those_of_each() -> None:
    masks = [_blob(seed) for seed in range(6)] + [np.zeros((30, 30), np.bool_)]
    # One touches its window's corner, one is too large for any sheet of several.
    masks[2] = masks[2][18:, 18:]
    masks.insert(3, np.kron(_blob(9), np.ones((8, 8))).astype(np.bool_))
    for together, alone in zip(mask_outlines(masks), map(mask_outline, masks), strict=True):
        np.testing.assert_allclose(together, alone, atol=1e-9)
    assert mask_outlines([]) == []


def test_polygons_measured_together_are_those_measured_alone() -> None:
    polygons = [mask_outline(_blob(seed)) for seed in range(4)]
    polygons.insert(2, np.zeros((0, 2)))
    together = Outlines.of(polygons)
    alone = [Outlines.of([one]) for one in polygons]
    for name in ("areas", "perimeters", "centroids"):
        expected = np.concatenate([getattr(one, name) for one in alone])
        np.testing.assert_allclose(getattr(together, name), expected, rtol=1e-12)
    for one, own in zip(together.each(), polygons, strict=True):
        np.testing.assert_array_equal(one, own)
