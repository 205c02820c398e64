"""The plate straightened: where its points come to lie, and what of them is kept."""

from functools import partial

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from polypvision.calibrate.resample import resample
from polypvision.calibrate.slowly import NODE_PX, node_px, stretched
from polypvision.calibrate.view import VIEW_PX_PER_MM, apply_homography

LOW, HIGH = np.array([5.0, 5.0]), np.array([45.0, 35.0])


def grating(x: NDArray[np.float64], y: NDArray[np.float64], wave_px: float) -> NDArray[np.float64]:
    turn = 2 * np.pi / wave_px
    return np.asarray(127.5 + 100 * np.sin(turn * x) * np.cos(turn * y), np.float64)


def shown(density: float, wave_px: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the view of a grating seen askew, and the grating's own values there."""
    across = density * VIEW_PX_PER_MM
    to_photo = np.array([[across, 0.02 * across, 3], [-0.03 * across, across, 9], [2e-4, -1e-4, 1]])
    side = int(52 * across)
    y, x = np.mgrid[:side, :side].astype(np.float64)
    grey = np.round(grating(x, y, wave_px)).astype(np.uint8)
    view, seen = resample(np.dstack([grey] * 3), partial(apply_homography, to_photo), LOW, HIGH)
    assert seen.all()
    row, column = np.mgrid[: view.shape[0], : view.shape[1]]
    places = np.column_stack([column.ravel(), row.ravel()]) / VIEW_PX_PER_MM + LOW
    x, y = apply_homography(to_photo, places).T
    return view[..., 0].astype(np.float64).ravel(), grating(x, y, wave_px)


@pytest.mark.parametrize("density", [0.7, 1.1, 1.4, 1.9, 2.2, 3.6, 5.0])
def test_a_view_is_as_sharp_as_its_pixels_allow(density: float) -> None:
    wave = 10 * max(density, 1.0)
    view, truth = shown(density, wave)
    kept, _ = np.polyfit(truth - 127.5, view - 127.5, 1)
    # A blur of variance v leaves exp(-v k^2 / 2) of a wave of number k (Fourier transform of a
    # Gaussian): here of both directions together. Averages of d pixels and straight lines between
    # them have d^2 / 12 - 1 / 12 + d^2 / 6; straight lines alone have 1 / 6 (moments of a box and a
    # triangle).
    # Lines are straight over up to a quarter more than what is averaged.
    most, least = (max(d**2 / 4 - 1 / 12, 1 / 6) for d in (density, density / 1.25))
    blurred, sharp = (np.exp(-v * (2 * np.pi / wave) ** 2) for v in (most, least))
    assert blurred - 0.01 < kept < sharp + 0.01


@pytest.mark.parametrize("density", [0.7, 1.1, 1.4, 2.2, 3.6])
def test_nothing_is_moved_by_a_fiftieth_of_a_pixel(density: float) -> None:
    wave = 16 * max(density, 1.0)
    view, truth = shown(density, wave)
    rows = truth.reshape(int(30 * VIEW_PX_PER_MM), -1)
    slope = np.asarray(np.gradient(rows, axis=1)).ravel()
    shift = (slope @ (view - truth)) / (slope @ slope)
    assert abs(shift) < 0.02


def test_what_lies_beyond_the_photo_or_the_horizon_is_not_seen() -> None:
    photo = np.full((300, 400, 3), 200, np.uint8)
    plain = np.diag([VIEW_PX_PER_MM, VIEW_PX_PER_MM, 1.0])
    view, seen = resample(
        photo, partial(apply_homography, plain), np.array([-5.0, 0.0]), np.array([30.0, 60.0])
    )
    assert seen[:, 30:].sum(axis=0).max() == 300
    assert not seen[:, :30].any()
    assert not view[~seen].any()
    assert (view[seen] == 200).all()
    # From y = 45 on the plane's points are behind the camera.
    steep = np.array([[6.0, 0, 0], [0, 6, 0], [0, -1 / 45.3, 1]])
    _, seen = resample(
        photo, partial(apply_homography, steep), np.array([0.0, 0.0]), np.array([30.0, 60.0])
    )
    assert seen[:40].any()
    near = int(45 * VIEW_PX_PER_MM)
    assert not seen[near - 2 * NODE_PX : near + 2 * NODE_PX].any()


def test_the_whole_of_a_photo_is_seen_at_its_own_scale() -> None:
    rng = np.random.default_rng(4)
    photo = rng.integers(0, 256, (90, 130, 3), np.uint8)
    high = np.array([130.0, 90.0]) / VIEW_PX_PER_MM
    view, seen = resample(photo, lambda places: places * VIEW_PX_PER_MM, np.zeros(2), high)
    assert seen.all()
    np.testing.assert_array_equal(view, photo)


@pytest.mark.parametrize(("height", "width"), [(1, 1), (8, 9), (64, 100), (201, 17)])
def test_between_nodes_all_is_straight(height: int, width: int) -> None:
    x, y = np.meshgrid(node_px(width), node_px(height))
    nodes = np.dstack([2 * x - y, 0.5 * y + 3]).astype(np.float32)
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    plane = np.dstack([2 * x - y, 0.5 * y + 3])
    np.testing.assert_allclose(stretched(nodes, 0, height, width), plane, atol=1e-3)
    if height > NODE_PX:
        rest = stretched(nodes, NODE_PX, height - NODE_PX, width)
        np.testing.assert_allclose(rest, plane[NODE_PX:], atol=1e-3)


def test_a_flat_warp_agrees_with_the_librarys_own() -> None:
    rng = np.random.default_rng(1)
    noise = rng.normal(128, 60, (400, 500, 3))
    photo = np.clip(cv2.GaussianBlur(noise, (0, 0), 2.0), 0, 255).astype(np.uint8)
    to_photo = np.array([[6.5, 0.4, 20.0], [-0.3, 6.2, 30.0], [1e-3, 5e-4, 1.0]])
    view, _ = resample(photo, partial(apply_homography, to_photo), LOW, HIGH)
    from_view = to_photo @ np.array(
        [[1 / VIEW_PX_PER_MM, 0, LOW[0]], [0, 1 / VIEW_PX_PER_MM, LOW[1]], [0, 0, 1]]
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    there = cv2.warpPerspective(photo, from_view, view.shape[1::-1], flags=flags)
    assert np.abs(view.astype(int) - there).max() <= 2
