"""Water, height and lens against published tables, exact formulas, and rays traced otherwise."""

import math

import numpy as np
import pytest

from polypvision.calibrate.lens import Lens, exif_lens, stored_to_upright, upright_lens, usual_lens
from polypvision.calibrate.refraction import met_plane, seen_towards
from polypvision.calibrate.sight import to_photo, to_plate
from polypvision.calibrate.water import water_index
from polypvision.errors import SurroundingsDoubtful
from polypvision.files.pixels import turned
from polypvision.reading import Sight
from polypvision.render.camera import plate_to_photo
from polypvision.render.optics import Optics, camera_turn
from polypvision.render.scene import Camera

INDEX = 1.340238
"""Sea water of 35 per mille, 25 C, 550 nm, by Quan and Fry."""
DOWN = np.array([0.0, 0.0, 1.0])


class TestWaterIndex:
    @pytest.mark.parametrize(
        ("salinity", "temperature", "wavelength", "index"),
        [
            (35, 25, 589.3, 1.338858),
            (35, 25, 550, 1.340238),
            (35, 26, 550, 1.340119),
            (35, 20, 589.3, 1.339406),
            (0, 20, 589.3, 1.333004),
            (35, 0, 400, 1.351468),
            (35, 30, 700, 1.335322),
        ],
    )
    def test_values_of_the_equation(
        self, salinity: float, temperature: float, wavelength: float, index: float
    ) -> None:
        # Quan X, Fry ES 1995, Applied Optics 34(18):3477-3480; values by three other programs.
        assert water_index(salinity, temperature, wavelength) == pytest.approx(index, abs=6e-7)

    @pytest.mark.parametrize(
        ("temperature", "values"),
        [
            (10, (1.3307, 1.3337, 1.3371, 1.3435)),
            (20, (1.3300, 1.3330, 1.3364, 1.3427)),
            (30, (1.3290, 1.3319, 1.3353, 1.3417)),
        ],
    )
    def test_a_table_of_fresh_water_that_is_not_theirs(
        self, temperature: float, values: tuple[float, ...]
    ) -> None:
        # Handbook table of water relative to air at the lines of He and Na: 706.5, 589.3, 501.6
        # and 404.7 nm. Four decimals are printed: half of the last, and the fit's own 2e-5.
        for wavelength, value in zip((706.5, 589.3, 501.6, 404.7), values, strict=True):
            assert water_index(0, temperature, wavelength) == pytest.approx(value, abs=7.5e-5)

    @pytest.mark.parametrize(
        ("salinity", "temperature"), [(350, 25), (-1, 25), (35, 78), (math.nan, 25)]
    )
    def test_what_no_tank_has_is_said(self, salinity: float, temperature: float) -> None:
        with pytest.raises(SurroundingsDoubtful, match="Correct it"):
            water_index(salinity, temperature)


class TestSnell:
    @pytest.mark.parametrize(
        ("air", "water"), [(10, 7.4445), (20, 14.7851), (30, 21.9050), (45, 31.8433)]
    )
    def test_angles(self, air: float, water: float) -> None:
        # sin(air) = n sin(water): by hand, to four decimals of a degree.
        ray = np.array([[math.tan(math.radians(air)), 0.0, 1.0]])
        at_surface = met_plane(ray, DOWN, 100.0, INDEX, DOWN, 100.0)[0]
        deeper = met_plane(ray, DOWN, 100.0, INDEX, DOWN, 101.0)[0]
        slope = math.degrees(math.atan2(deeper[0] - at_surface[0], deeper[2] - at_surface[2]))
        assert slope == pytest.approx(water, abs=5e-5)

    def test_apparent_depth_of_100_mm(self) -> None:
        # Paraxial: 100 / n = 74.6136 mm.
        seen = seen_towards(np.array([[1e-3, 0.0, 1100.0]]), DOWN, 1000.0, INDEX)[0]
        assert 1e-3 / (seen[0] / seen[2]) - 1000 == pytest.approx(74.6136, abs=1e-3)

    def test_both_ways_agree_far_off_the_axis(self) -> None:
        rng = np.random.default_rng(3)
        points = np.column_stack([rng.uniform(-400, 400, (200, 2)), np.full(200, 450.0)])
        normal = np.array([0.2, -0.3, 1.0])
        normal /= np.linalg.norm(normal)
        seen = seen_towards(points, normal, 300.0, INDEX)
        wet = points @ normal > 300
        assert wet.any()
        back = met_plane(seen, normal, 300.0, INDEX, DOWN, 450.0)
        np.testing.assert_allclose(back, points, atol=1e-7)
        np.testing.assert_allclose(seen[~wet], points[~wet])


def straight_down(height_mm: float, depth_mm: float, away_mm: float) -> Sight:
    """A camera above the card's plane that looks straight down; focal length 1000 px."""
    return Sight(
        focal_px=1000.0,
        centre_px=(0.0, 0.0),
        distortion_focal_px=1000.0,
        rotation=(0.0, 0.0, 0.0),
        translation_mm=(0.0, 0.0, away_mm),
        disc_height_mm=height_mm,
        boundary="surface" if depth_mm else "none",
        boundary_mm=height_mm + depth_mm,
        index=INDEX,
    )


def read_on_the_card(sight: Sight, length_mm: float) -> float:
    """What a length in the discs' plane measures if it is taken to lie at the card's height."""
    ends = np.array([[0.0, 0.0], [length_mm, 0.0]])
    seen = to_photo(sight, ends, sight.disc_height_mm)
    card = to_photo(sight, ends, 0.0)
    return float((seen[1] - seen[0])[0] / (card[1] - card[0])[0]) * length_mm


class TestHeightAndWater:
    @pytest.mark.parametrize(
        ("height", "depth", "above_surface", "error"),
        [
            # Card floating on the surface, 300 mm under the lens; polyps 100 mm below it.
            (-100.0, 100.0, 300.0, -0.19917),
            # Card in the polyps' own plane: no first-order error.
            (0.0, 100.0, 300.0, 0.0),
            # Card lower than the polyps, both wet.
            (20.0, 100.0, 300.0, 0.03983),
            (10.0, 50.0, 400.0, 0.01706),
        ],
    )
    def test_what_water_does_to_polyps_read_on_a_card_elsewhere(
        self, height: float, depth: float, above_surface: float, error: float
    ) -> None:
        # px/mm goes with 1 / (Ha + w / n), Ha from lens to surface, w depth: paraxial, exact.
        sight = straight_down(height, depth, above_surface + height + depth)
        assert read_on_the_card(sight, 0.01) / 0.01 - 1 == pytest.approx(error, abs=6e-6)

    @pytest.mark.parametrize(("height", "distance"), [(5, 400), (10, 400), (15, 300), (20, 600)])
    def test_a_card_above_the_polyps_in_air(self, height: float, distance: float) -> None:
        # Exact by similar triangles: -h/Z, so -1.25, -2.5, -5, -3.33 percent.
        sight = straight_down(-height, 0.0, distance - height)
        assert read_on_the_card(sight, 50.0) / 50.0 - 1 == pytest.approx(-height / distance)

    @pytest.mark.parametrize(
        ("radius", "percent"), [(25, 0.020), (50, 0.078), (100, 0.310), (150, 0.686)]
    )
    def test_a_flat_surface_bends_the_scale_off_the_axis(
        self, radius: float, percent: float
    ) -> None:
        # Exact ray solution, Ha 300, w 100, in excess of the paraxial image radius.
        sight = straight_down(0.0, 100.0, 400.0)
        image = to_photo(sight, np.array([[radius, 0.0]]), 0.0)[0, 0]
        paraxial = 1000.0 * radius / (300 + 100 / INDEX)
        assert 100 * (image / paraxial - 1) == pytest.approx(percent, abs=6e-4)

    def test_a_pane_before_the_lens_enlarges(self) -> None:
        # Thin flat port at p = 20 mm, object at u = 420 mm: u / (p + (u - p) / n) = 1.3189 times.
        sight = Sight(
            focal_px=1000.0,
            centre_px=(0.0, 0.0),
            distortion_focal_px=1000.0,
            rotation=(0.0, 0.0, 0.0),
            translation_mm=(0.0, 0.0, 420.0),
            boundary="port",
            boundary_mm=20.0,
            index=INDEX,
        )
        image = to_photo(sight, np.array([[1e-2, 0.0]]), 0.0)[0, 0]
        assert image / (1000 * 1e-2 / 420) == pytest.approx(1.3189, abs=5e-5)


def sight_like(camera: Camera, optics: Optics, height_mm: float) -> Sight:
    """The sight of a rendered camera: the same numbers, other code."""
    turn = camera_turn(camera)
    target = np.array([camera.target_x_mm, camera.target_y_mm, 0.0])
    place = np.array([0.0, 0.0, camera.distance_mm]) - turn @ target
    from cv2 import Rodrigues

    vector = np.ravel(Rodrigues(turn)[0])
    surface = optics.surface_mm is not None
    boundary_mm = optics.surface_mm if surface else optics.port_mm
    return Sight(
        focal_px=camera.focal_px,
        centre_px=((camera.width_px - 1) / 2, (camera.height_px - 1) / 2),
        distortion=(camera.k1, camera.k2, 0.0, 0.0, 0.0),
        distortion_focal_px=camera.focal_px,
        rotation=(float(vector[0]), float(vector[1]), float(vector[2])),
        translation_mm=(float(place[0]), float(place[1]), float(place[2])),
        disc_height_mm=height_mm,
        boundary="surface" if surface else ("port" if optics.port_mm else "none"),
        boundary_mm=boundary_mm or 0.0,
        index=optics.index,
    )


@pytest.mark.parametrize("seed", range(12))
def test_traced_rays_and_solved_sights_agree(seed: int) -> None:
    # The renderer traces rays in vectors; calibration solves tangents. Only the physics is shared.
    rng = np.random.default_rng([seed, 41])
    camera = Camera(
        width_px=1600,
        height_px=1200,
        focal_px=rng.uniform(1300, 2600),
        distance_mm=rng.uniform(350, 600),
        target_x_mm=60.0,
        target_y_mm=30.0,
        tilt_deg=rng.uniform(0, 40),
        tilt_towards_deg=rng.uniform(0, 360),
        roll_deg=rng.uniform(0, 360),
        k1=rng.uniform(-0.1, 0.1),
        k2=rng.uniform(-0.02, 0.02),
    )
    height = rng.uniform(-20, 25)
    depth = rng.uniform(10, 150)
    kinds = [
        Optics(camera=camera, index=1.34),
        Optics(camera=camera, surface_mm=height + depth, index=1.34),
        Optics(camera=camera, port_mm=rng.uniform(10, 60), index=1.34),
    ]
    places = rng.uniform([-20, -30], [150, 100], (60, 2))
    for optics in kinds:
        sight = sight_like(camera, optics, height)
        near = to_photo(sight, places, height)
        traced = optics.photo_places(places, height, near + rng.normal(0, 20, near.shape))
        np.testing.assert_allclose(near, traced, atol=2e-5)
        np.testing.assert_allclose(to_plate(sight, traced, height), places, atol=2e-5)
    # Without anything between, it is the homography of the pinhole.
    bare = Camera(**{**vars(camera), "k1": 0.0, "k2": 0.0})
    pinhole = sight_like(bare, Optics(camera=bare), 0.0)
    moved = np.column_stack([places, np.ones(len(places))]) @ plate_to_photo(bare).T
    np.testing.assert_allclose(
        to_photo(pinhole, places, 0.0), moved[:, :2] / moved[:, 2:], atol=1e-7
    )


class TestLens:
    def test_focal_length_by_its_35_mm_equivalent(self) -> None:
        # The frame of 35 mm film is 36 x 24 mm, diagonal 43.27: a 43.27 mm lens has the field of
        # the picture's own diagonal, 2 atan(1/2) = 53.13 degrees.
        lens = exif_lens(4000, 3000, 43.2666)
        assert lens.focal_px == pytest.approx(5000, abs=0.1)
        field = math.degrees(2 * math.atan(lens.corner_px / lens.focal_px))
        assert field == pytest.approx(53.1301, abs=1e-3)

    @pytest.mark.parametrize("orientation", range(1, 9))
    def test_a_lens_turns_with_the_photo(self, orientation: int) -> None:
        # Pixels are turned by other code; places of three pixels must follow.
        stored = np.arange(5 * 7).reshape(5, 7).astype(np.uint8)
        upright = turned(stored, orientation)
        matrix, shift = stored_to_upright(orientation, (7, 5))
        for x, y in ((0, 0), (6, 1), (3, 4)):
            column, row = (matrix @ np.array([x, y]) + shift).astype(int)
            assert upright[row, column] == stored[y, x]

    @pytest.mark.parametrize("orientation", range(1, 9))
    def test_its_distortion_turns_too(self, orientation: int) -> None:
        from dataclasses import replace

        from polypvision.calibrate.lens import distorted

        base: Lens = usual_lens(700, 500)
        lens = replace(base, centre_px=(340.0, 260.0), distortion=(-0.1, 0.02, 0.004, -0.003, 0.0))
        points = np.array([[10.0, 20.0], [600.0, 30.0], [350.0, 480.0]])
        matrix, shift = stored_to_upright(orientation, (700, 500))
        there = upright_lens(lens, orientation, (700, 500))
        first = distorted(points, lens.centre_px, lens.distortion, 600.0) @ matrix.T + shift
        second = distorted(points @ matrix.T + shift, there.centre_px, there.distortion, 600.0)
        np.testing.assert_allclose(first, second, atol=1e-9)
