"""Gates of quality on bare cards, and edge widths against their closed form."""

import cv2
import numpy as np
import pytest
from card_shots import card_photo
from numpy.typing import NDArray

from polypvision.calibrate.gates import light_flags, plane_flags, sharpness_flags
from polypvision.calibrate.markers import find_markers, sharpest_edge_px
from polypvision.calibrate.photo import view_from_card
from polypvision.errors import CardTooSmall, PhotoBlurred, PhotoDark, PhotoOverexposed


def width_px(photo: NDArray[np.uint8]) -> float:
    return float(np.nanmedian([one.edge_width_px for one in find_markers(photo)]))


@pytest.mark.parametrize("noise", [0.0, 0.04])
@pytest.mark.parametrize("sigma", [1.5, 2.0])
def test_edge_width_by_blur(sigma: float, noise: float) -> None:
    photo, _ = card_photo("small", blur_px=sigma, noise=noise, roll=12, px_per_mm=12)
    # 10-90 % width of a step blurred by a Gaussian: 2 x 1.28155 sigma, by the quantiles of the
    # normal distribution. A pixel averages over its square and is interpolated between: variances
    # of 1/12 and about 1/6 more each way.
    expected = 2.5631 * np.sqrt(sigma**2 + 1 / 12 + 1 / 6)
    assert width_px(photo) == pytest.approx(expected, rel=0.06)


def test_noise_does_not_pass_for_sharpness() -> None:
    # The variance of the Laplacian grows by 20 times that of white noise (kernel 0 1 0 / 1 -4 1 /
    # 0 1 0: the sum of its squares), so a noisy soft photo beats a clean sharper one.
    clean, _ = card_photo("small", blur_px=1.5, noise=0.0, px_per_mm=12)
    noisy, _ = card_photo("small", blur_px=2.2, noise=0.08, px_per_mm=12)
    by_laplacian = [cv2.Laplacian(one[..., 1], cv2.CV_64F).var() for one in (clean, noisy)]
    assert by_laplacian[1] > by_laplacian[0]
    assert width_px(noisy) > 1.2 * width_px(clean)


def test_a_shaken_photo_is_soft_though_half_its_edges_are_sharp() -> None:
    photo, _ = card_photo("small", px_per_mm=10)
    smear = np.full((1, 13), 1 / 13)
    shaken = np.asarray(cv2.filter2D(photo, -1, smear), np.uint8)
    assert "soft" not in view_from_card(photo).flags
    assert "soft" in view_from_card(shaken).flags
    assert sharpest_edge_px(shaken) > 1.5 * sharpest_edge_px(photo)


def test_what_is_too_blurred_too_small_or_too_dark_to_read_is_told_so() -> None:
    photo, _ = card_photo("small", px_per_mm=8)
    blurred = np.asarray(cv2.GaussianBlur(photo, (0, 0), 9.0), np.uint8)
    with pytest.raises(PhotoBlurred, match="hold still"):
        view_from_card(blurred)
    small, _ = card_photo("small", px_per_mm=1.2, blur_px=0.5, noise=0.002, picture=(1200, 900))
    with pytest.raises(CardTooSmall, match="go closer"):
        view_from_card(small)
    with pytest.raises(PhotoDark, match="light"):
        view_from_card(np.asarray(photo // 40, np.uint8))


def test_light_by_level() -> None:
    for level, flag in ((0.03, "dim"), (0.3, None), (2.5, "bright")):
        photo, _ = card_photo("small", light=(level, level, level), noise=0.001)
        flags = {"dim", "bright"} & set(view_from_card(photo).flags)
        assert flags == ({flag} if flag else set()), level
    washed, _ = card_photo("small", light=(9.0, 9.0, 9.0))
    with pytest.raises(PhotoOverexposed, match="exposure"):
        view_from_card(washed)


def test_a_card_that_is_bent_or_seen_through_ripples() -> None:
    photo, _ = card_photo("small", px_per_mm=10)
    rows, columns = np.indices(photo.shape[:2], np.float32)
    wave = (4.0 * np.sin(columns / 60) * np.cos(rows / 45)).astype(np.float32)
    rippled = cv2.remap(photo, columns + wave, rows - wave, cv2.INTER_LINEAR)
    assert "bent-card" in view_from_card(np.asarray(rippled, np.uint8)).flags
    assert "bent-card" not in view_from_card(photo).flags


def test_flags_by_figures() -> None:
    assert sharpness_flags(float("nan")) == set()
    assert sharpness_flags(0.8) == {"soft"}
    with pytest.raises(PhotoBlurred):
        sharpness_flags(2.0)
    assert plane_flags(0.2, 0.1, 10.0) == set()
    assert plane_flags(2.0, 0.1, 40.0) == {"bent-card", "tilted"}
    # 4000 px over a 300 mm tray are 13.3 px/mm, 1200 px are 4: five are asked for.
    assert plane_flags(0.1, 300 / 4000, 0.0) == set()
    assert plane_flags(0.1, 300 / 1200, 0.0) == {"coarse"}
    nowhere = np.zeros((4, 4), bool)
    assert light_flags(None, nowhere, ~nowhere) == {"no-colour-reference"}
