"""The camera's pose from a card, its priors, and what cannot be."""

from dataclasses import replace

import numpy as np
import pytest

from polypvision.calibrate.lens import Lens, exif_lens, usual_lens
from polypvision.calibrate.look import look_at
from polypvision.calibrate.plane import CardCorners
from polypvision.calibrate.sight import card_distance_mm, to_photo
from polypvision.calibrate.surroundings import Surroundings
from polypvision.card.layout import card_layout
from polypvision.errors import SurroundingsDoubtful
from polypvision.reading import (
    PhotoFacts,
    PlateReading,
    Points,
    Scale,
    Sight,
    from_record,
    to_record,
)

CARD = np.concatenate([box.corners_xy for box in card_layout("small").markers])
TRUE_FOCAL = 1800.0


def sight(tilt_deg: float, said: Surroundings, away_mm: float = 400.0) -> Sight:
    tilt = np.radians(tilt_deg)
    # A turn about x by the tilt; the card's middle, 43, 27, straight ahead.
    return Sight(
        focal_px=TRUE_FOCAL,
        centre_px=(999.5, 749.5),
        distortion_focal_px=TRUE_FOCAL,
        rotation=(float(tilt), 0.0, 0.0),
        translation_mm=(-43.0, float(-27 * np.cos(tilt)), float(away_mm - 27 * np.sin(tilt))),
        **said.sight_values,
    )


def corners(seen: Sight, noise_px: float = 0.0) -> list[CardCorners]:
    rng = np.random.default_rng(1)
    photo: Points = to_photo(seen, CARD, 0.0) + rng.normal(0, noise_px, CARD.shape)
    return [CardCorners(card_mm=CARD, photo_px=photo)]


def roughly(error: float = 0.35) -> Lens:
    return replace(usual_lens(2000, 1500), focal_px=1.1 * TRUE_FOCAL, focal_err=error)


def test_a_tilted_card_tells_the_focal_length_and_a_flat_one_does_not() -> None:
    said = Surroundings(disc_height_mm=10.0)
    tilted = look_at(corners(sight(40.0, said), 0.05), roughly(), said).pose
    flat = look_at(corners(sight(0.0, said), 0.05), roughly(), said).pose
    assert tilted is not None
    assert flat is not None
    spread = np.sqrt(tilted.covariance[6, 6]), np.sqrt(flat.covariance[6, 6])
    assert spread[0] < 0.03
    assert tilted.sight.focal_px == pytest.approx(TRUE_FOCAL, rel=3 * spread[0])
    # Straight on, what was known before is all there is.
    assert spread[1] == pytest.approx(0.35, rel=0.15)


@pytest.mark.parametrize(
    "said",
    [
        Surroundings(disc_height_mm=20.0),
        Surroundings(disc_height_mm=5.0, water_depth_mm=120.0),
        Surroundings(disc_height_mm=-80.0, water_depth_mm=80.0),
        Surroundings(disc_height_mm=0.0, port_mm=40.0),
    ],
)
def test_the_camera_that_saw_the_card_is_found(said: Surroundings) -> None:
    seen = sight(25.0, said)
    lens = replace(usual_lens(2000, 1500), focal_px=TRUE_FOCAL, focal_err=1e-4, source="profile")
    look = look_at(corners(seen), replace(lens, centre_err_px=1e-3), said)
    assert look.pose is not None
    assert card_distance_mm(look.pose.sight) == pytest.approx(card_distance_mm(seen), abs=0.02)
    places = np.array([[150.0, 20.0], [20.0, 90.0]])
    np.testing.assert_allclose(
        look.to_plate(to_photo(seen, places, said.disc_height_mm)), places, atol=0.01
    )
    # The nearest homography is right to a few pixels where it is only nearly one.
    matrix = look.homography(np.array([0.0, 0.0]), np.array([160.0, 90.0]))
    near = np.column_stack([places, np.ones(2)]) @ matrix.T
    np.testing.assert_allclose(
        near[:, :2] / near[:, 2:], to_photo(seen, places, said.disc_height_mm), atol=3.0
    )


def test_two_cards_place_the_camera_together() -> None:
    said = Surroundings(disc_height_mm=10.0)
    seen = sight(30.0, said)
    turn = np.array([[0.0, -1.0, 190.0], [1.0, 0.0, -10.0], [0.0, 0.0, 1.0]])
    there = np.column_stack([CARD, np.ones(len(CARD))]) @ turn.T
    both = [*corners(seen), CardCorners(card_mm=CARD, photo_px=to_photo(seen, there[:, :2], 0.0))]
    look = look_at(both, roughly(0.04), said)
    np.testing.assert_allclose(look.card_poses[1], turn, atol=0.05)
    low, high = np.array([150.0, 0.0]), np.array([260.0, 90.0])
    one = look_at(corners(seen, 0.1), roughly(0.04), said).scale_inputs(low, high, 0.0)
    two = look_at(
        [*corners(seen, 0.1), CardCorners(card_mm=CARD, photo_px=both[1].photo_px)],
        roughly(0.04),
        said,
    ).scale_inputs(low, high, 0.0)
    # What the flag advises: a second card beside far polyps makes their scale surer.
    assert two[1].change.max() < 0.7 * one[1].change.max()


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (Surroundings(disc_height_mm=450.0), "at the camera or behind"),
        (Surroundings(disc_height_mm=430.0), "at the camera or behind"),
        (Surroundings(water_depth_mm=500.0), "reach up to the camera"),
    ],
)
def test_a_camera_below_the_discs_or_under_water_is_refused(said: Surroundings, words: str) -> None:
    dry = sight(10.0, Surroundings())
    with pytest.raises(SurroundingsDoubtful, match=words):
        look_at(corners(dry), roughly(0.04), said)


@pytest.mark.parametrize(
    "wrong",
    [
        {"disc_height_mm": float("nan")},
        {"disc_height_mm": 5000.0},
        {"water_depth_mm": -3.0},
        {"water_depth_mm": 10.0, "port_mm": 10.0},
        {"disc_height_err_mm": -1.0},
    ],
)
def test_lengths_that_cannot_be_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(SurroundingsDoubtful):
        Surroundings(**wrong)


def test_a_focal_length_that_the_card_denies_is_left_out() -> None:
    said = Surroundings(disc_height_mm=10.0)
    seen = corners(sight(40.0, said), 0.05)
    # Exif says twice what it is: the picture was cropped or zoomed and nothing says so.
    wrong = replace(exif_lens(2000, 1500, 33.0), focal_px=2 * TRUE_FOCAL)
    look = look_at(seen, wrong, said)
    assert look.focal_denied
    assert look.pose is not None
    assert look.pose.sight.focal_px == pytest.approx(TRUE_FOCAL, rel=0.1)
    right = replace(wrong, focal_px=1.03 * TRUE_FOCAL)
    assert not look_at(seen, right, said).focal_denied


def test_plain_photos_need_no_camera() -> None:
    look = look_at(corners(sight(20.0, Surroundings())), roughly(), Surroundings())
    assert look.pose is None
    assert look.sight is None


def test_a_sight_comes_back_from_its_record() -> None:
    reading = PlateReading(
        facts=PhotoFacts(photo="a", sha256=""),
        plate="0001",
        scale=Scale(mm_per_px=0.1, mm_per_px_err=0.001, source="card"),
        sight=sight(20.0, Surroundings(disc_height_mm=4.0, water_depth_mm=30.0)),
    )
    again = from_record(to_record(reading))
    assert isinstance(again, PlateReading)
    assert again.sight == reading.sight
