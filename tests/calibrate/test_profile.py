"""Which lens a photo has, by its Exif: the same phone, another one, zoomed, cropped, turned."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from board_shots import as_jpeg

from polypvision.calibrate.profile import LensProfile, PhotoCamera, choose_lens
from polypvision.errors import LensError
from polypvision.files.lenses import photo_camera, profile_path, read_profiles, write_profile

PROFILE = LensProfile(
    make="Example",
    model="Q1",
    focal_mm=5.0,
    focal_35mm=33.0,
    width_px=1200,
    height_px=900,
    focal_px=1150.0,
    focal_err=0.002,
    centre_px=(601.0, 448.0),
    centre_err_px=1.0,
    distortion=(-0.06, 0.01, 0.001, -0.002, 0.0),
    bend_err=0.0005,
    n_photos=12,
    rms_px=0.2,
    coverage=1.0,
)
CAMERA = PhotoCamera(
    make="EXAMPLE", model="Q1 ", focal_mm=5.0, focal_35mm=33.0, stored_px=(1200, 900)
)


def test_the_same_lens_takes_its_profile() -> None:
    choice = choose_lens([PROFILE], CAMERA)
    assert choice.flags == ()
    assert choice.lens is not None
    assert choice.lens.source == "profile"
    assert choice.lens.focal_px == 1150.0
    assert choice.lens.centre_px == pytest.approx((601.0, 448.0))


def test_a_photo_made_smaller_takes_it_in_its_own_pixels() -> None:
    choice = choose_lens([PROFILE], replace(CAMERA, stored_px=(600, 450), exif_px=(600, 450)))
    assert choice.lens is not None
    assert choice.lens.focal_px == pytest.approx(575.0)
    # Pixel centres are integers: the picture's middle is half a pixel off its half width.
    assert choice.lens.centre_px == pytest.approx((300.25, 223.75))


def test_an_upright_photo_takes_it_turned() -> None:
    choice = choose_lens([PROFILE], replace(CAMERA, orientation=6))
    assert choice.lens is not None
    # Turned a quarter clockwise: x = height - 1 - y, y = x.
    assert choice.lens.centre_px == pytest.approx((899 - 448, 601))


@pytest.mark.parametrize(
    "other",
    [
        {"model": "Q2"},
        {"make": "Another"},
        {"focal_mm": 2.2},  # the same phone's wide lens
        {"make": "", "model": ""},
    ],
)
def test_a_profile_of_another_lens_is_said_and_not_used(other: dict[str, object]) -> None:
    choice = choose_lens([PROFILE], replace(CAMERA, **other))  # type: ignore[arg-type]
    assert choice.flags == ("other-lens",)
    assert choice.lens is not None
    assert choice.lens.source == "exif"
    # 33 mm of 43.27 mm of diagonal, 1500 px.
    assert choice.lens.focal_px == pytest.approx(1144, abs=1)


@pytest.mark.parametrize("zoomed", [{"zoom": 2.0}, {"focal_35mm": 66.0}])
def test_a_zoomed_photo_is_said(zoomed: dict[str, object]) -> None:
    choice = choose_lens([PROFILE], replace(CAMERA, **zoomed))  # type: ignore[arg-type]
    assert choice.flags == ("zoomed",)
    assert choice.lens is not None
    assert choice.lens.source != "profile"
    assert choice.lens.focal_err >= 0.15


@pytest.mark.parametrize(
    "cropped",
    [
        {"stored_px": (900, 900), "exif_px": (1200, 900)},  # cut after it was taken
        {"stored_px": (900, 900)},  # and its Exif brought up to date
        {"stored_px": (1200, 675)},
    ],
)
def test_a_cropped_photo_is_said(cropped: dict[str, object]) -> None:
    choice = choose_lens([PROFILE], replace(CAMERA, **cropped))  # type: ignore[arg-type]
    assert choice.flags == ("cropped",)
    assert choice.lens is not None
    assert choice.lens.source == "usual"
    assert choice.lens.focal_err >= 0.5


def test_without_profiles_only_a_reading_that_needs_the_lens_speaks_of_it() -> None:
    zoomed = replace(CAMERA, zoom=2.0)
    assert choose_lens([], zoomed).flags == ()
    assert choose_lens([], zoomed, needed=True).flags == ("zoomed",)
    assert choose_lens([], PhotoCamera(stored_px=(1200, 900)), needed=True).lens is None


def test_what_a_file_says_of_its_camera() -> None:
    rgb = np.zeros((90, 120, 3), np.uint8)
    camera = photo_camera(as_jpeg(rgb, zoom=1.5, exif_px=(240, 180), orientation=8), "made.jpg")
    assert (camera.make, camera.model) == ("Example", "Q1")
    assert (camera.focal_mm, camera.focal_35mm, camera.zoom) == (5.0, 33.0, 1.5)
    assert (camera.stored_px, camera.exif_px) == ((120, 90), (240, 180))
    assert (camera.orientation, camera.upright_px) == (8, (90, 120))
    assert not camera.cropped


def test_profiles_come_back_from_their_folder(tmp_path: Path) -> None:
    path = write_profile(tmp_path / "calibration", PROFILE)
    assert path.name == "lens-example-q1-5-mm.json"
    assert read_profiles(tmp_path / "calibration") == (PROFILE,)
    assert read_profiles(tmp_path / "nowhere") == ()
    better = replace(PROFILE, n_photos=20)
    assert write_profile(tmp_path / "calibration", better) == path
    assert read_profiles(tmp_path / "calibration") == (better,)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"kind": "polypvision lens profile"}', '"x"'])
def test_a_file_that_is_no_profile_is_named(tmp_path: Path, text: str) -> None:
    profile_path(tmp_path, PROFILE).write_text(text, encoding="utf-8")
    with pytest.raises(LensError, match=r"lens-example-q1-5-mm.json is no lens profile"):
        read_profiles(tmp_path)
