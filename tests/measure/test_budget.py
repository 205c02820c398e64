"""Budgets against the GUM's own example, and against draws by chance (JCGM 101)."""

from dataclasses import replace

import numpy as np
import pytest
from map_makers import blank_view, perfect_maps

from polypvision.calibrate.lens import Lens, exif_lens, usual_lens
from polypvision.calibrate.look import Look, look_at
from polypvision.calibrate.plane import CardCorners
from polypvision.calibrate.scale_inputs import NODES
from polypvision.calibrate.sight import to_photo
from polypvision.calibrate.surroundings import Surroundings
from polypvision.calibrate.view import ScaleInput
from polypvision.card.layout import card_layout
from polypvision.measure.budget import SOURCES, Budget, Component, budget_table, explained
from polypvision.measure.polyps import measure_polyps
from polypvision.mouths.find import find_mouths
from polypvision.reading import Polyp, Sight
from polypvision.segment.discs import segment_polyps


class TestEndGauge:
    """JCGM 100:2008, annex H.1: calibration of an end gauge of 50 mm. Digits from memory.

    Length of the standard 25 nm (18 degrees of freedom); difference of the two 9.7 nm, itself from
    5.8 nm (24), 3.9 nm (5) and 6.7 nm (8); difference of the expansion coefficients 0.58e-6 / C
    (50) at 50 mm and 0.1 C; difference of the temperatures 0.029 C (2) at 50 mm and 11.5e-6 / C.
    """

    LENGTH_NM = 50e6

    def difference(self) -> Budget:
        return Budget(
            components=(
                Component(name="repeated", u=5.8, sensitivity=1.0, degrees_of_freedom=24),
                Component(name="random", u=3.9, sensitivity=1.0, degrees_of_freedom=5),
                Component(name="systematic", u=6.7, sensitivity=1.0, degrees_of_freedom=8),
            )
        )

    def gauge(self) -> Budget:
        d = self.difference()
        return Budget(
            components=(
                Component(name="standard", u=25.0, sensitivity=1.0, degrees_of_freedom=18),
                Component(
                    name="difference",
                    u=d.standard_uncertainty,
                    sensitivity=1.0,
                    degrees_of_freedom=d.effective_degrees_of_freedom,
                ),
                Component(
                    name="expansion",
                    u=0.58e-6,
                    sensitivity=-self.LENGTH_NM * 0.1,
                    degrees_of_freedom=50,
                ),
                Component(
                    name="temperature",
                    u=0.029,
                    sensitivity=-self.LENGTH_NM * 11.5e-6,
                    degrees_of_freedom=2,
                ),
            )
        )

    def test_difference_of_the_gauges(self) -> None:
        assert self.difference().standard_uncertainty == pytest.approx(9.7, abs=0.05)
        assert self.difference().effective_degrees_of_freedom == pytest.approx(25.6, abs=0.2)

    def test_contributions(self) -> None:
        parts = [abs(one.contribution) for one in self.gauge().components]
        assert parts == pytest.approx([25, 9.7, 2.9, 16.6], abs=0.09)

    def test_combined_and_expanded(self) -> None:
        # u_c = 32 nm; 16.7 degrees of freedom, taken as 16; t of 99 % is 2.92; U = 93 nm.
        gauge = self.gauge()
        assert gauge.standard_uncertainty == pytest.approx(32, abs=0.5)
        assert gauge.effective_degrees_of_freedom == pytest.approx(16.7, abs=0.15)
        assert gauge.expanded(0.99) == pytest.approx(93, abs=0.6)

    def test_shares_are_of_the_variance(self) -> None:
        shares = self.gauge().shares()
        assert sum(shares.values()) == pytest.approx(1)
        assert shares["standard"] == pytest.approx(25**2 / 1003, abs=0.002)


CARD = np.concatenate([box.corners_xy for box in card_layout("small").markers])
NOISE_PX = 0.12
PLACE = np.array([[170.0, 40.0]])
"""A polyp 85 mm beyond the card's end."""


def camera(tilt: float, surroundings: Surroundings, lens: Lens) -> Sight:
    from cv2 import Rodrigues

    turn = np.asarray(Rodrigues(np.array([0.3, 1.0, 0.0]) / np.hypot(0.3, 1) * np.radians(tilt))[0])
    place = np.array([0.0, 0.0, 420.0]) - turn @ np.array([100.0, 30.0, 0.0])
    vector = np.ravel(Rodrigues(turn)[0])
    return Sight(
        focal_px=lens.focal_px,
        centre_px=lens.centre_px,
        distortion=lens.distortion,
        distortion_focal_px=lens.focal_px,
        rotation=(float(vector[0]), float(vector[1]), float(vector[2])),
        translation_mm=(float(place[0]), float(place[1]), float(place[2])),
        **surroundings.sight_values,
    )


def look(sight: Sight, lens: Lens, said: Surroundings, rng: np.random.Generator) -> Look:
    """The card as this camera sees it, corners off by chance, read with what was said."""
    seen = to_photo(sight, CARD, 0.0) + rng.normal(0, NOISE_PX, CARD.shape)
    return look_at([CardCorners(card_mm=CARD, photo_px=seen)], lens, said)


def true_lens(source: str) -> Lens:
    if source == "profile":
        base = replace(usual_lens(2000, 1500), focal_px=1900.0, source="profile", name="made")
        return replace(base, focal_err=0.003, centre_err_px=2.0, bend_err=0.0005)
    return exif_lens(2000, 1500, 33.0)


@pytest.mark.parametrize(
    ("source", "tilt", "said"),
    [
        ("exif", 25.0, Surroundings()),
        ("exif", 20.0, Surroundings(disc_height_mm=15.0)),
        ("profile", 35.0, Surroundings(disc_height_mm=10.0, water_depth_mm=80.0)),
        ("profile", 5.0, Surroundings(disc_height_mm=-60.0, water_depth_mm=40.0)),
        ("profile", 10.0, Surroundings(disc_height_mm=8.0, port_mm=30.0)),
    ],
    ids=["flat", "height", "water", "card above the water", "pane"],
)
def test_scale_budget_is_what_draws_by_chance_give(
    source: str, tilt: float, said: Surroundings
) -> None:
    # JCGM 101: every input drawn from its distribution, the whole reading done again, and the
    # spread of the result compared. 150 draws know a standard deviation to 6 %.
    rng = np.random.default_rng(11)
    lens = true_lens(source)
    start = camera(tilt, said, lens)
    middle = look(start, lens, said, np.random.default_rng(5))
    reach = np.array([30.0, 30.0])
    inputs = middle.scale_inputs(PLACE[0] - reach, PLACE[0] + reach, 0.0)
    stated = np.sqrt(sum(one.change[NODES // 2, NODES // 2] ** 2 for one in inputs))
    corner = PLACE + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    found = []
    for _ in range(150):
        slip = rng.normal(size=6)
        bend = lens.bend_err * (lens.focal_px / lens.corner_px) ** 2
        world = replace(
            said,
            disc_height_mm=said.disc_height_mm + slip[0] * said.disc_height_err_mm,
            water_depth_mm=None
            if said.water_depth_mm is None
            else said.water_depth_mm + slip[1] * said.water_depth_err_mm,
            port_mm=None if said.port_mm is None else said.port_mm + slip[2] * said.port_err_mm,
            index=said.index + slip[3] * said.index_err,
        )
        real = replace(
            start,
            focal_px=start.focal_px * np.exp(slip[4] * lens.focal_err),
            centre_px=tuple(np.array(start.centre_px) + rng.normal(0, lens.centre_err_px, 2)),
            distortion=(slip[5] * bend, 0.0, 0.0, 0.0, 0.0),
            **world.sight_values,
        )
        read = look(real, lens, said, rng)
        foot, right, down = read.to_plate(to_photo(real, corner, world.disc_height_mm))
        (ax, ay), (bx, by) = right - foot, down - foot
        found.append(np.log(abs(ax * by - ay * bx)) / 2)
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(stated, rel=0.2)
    # Corrected as said, nothing is left but chance: within three standard errors of none.
    assert abs(np.mean(found)) < 3 * stated / np.sqrt(len(found)) + 1e-4


def test_a_small_card_is_worse_far_away() -> None:
    said, lens = Surroundings(), true_lens("exif")
    seen = look(camera(30.0, said, lens), lens, said, np.random.default_rng(2))
    inputs = seen.scale_inputs(np.array([0.0, -20.0]), np.array([280.0, 80.0]), 0.0)
    [markers] = [one.change for one in inputs if one.name == "markers"]
    along = markers[NODES // 2]
    beyond_the_card = along[3:]
    assert (np.diff(beyond_the_card) > 0).all()
    assert along[-1] > 4 * along[1]


def _read(**changes: object) -> Polyp:
    view = replace(blank_view(50, 50), **changes)  # type: ignore[arg-type]
    maps = perfect_maps(view, [(25.0, 25.0, 20.0)], wounds=[(36.0, 25.0, 8.0)])
    polyp_map = segment_polyps(view, maps)
    [polyp] = measure_polyps(view, maps, polyp_map, find_mouths(view, maps, polyp_map))
    return polyp


def _input(name: str, change: float) -> ScaleInput:
    return ScaleInput(name=name, u=1.0, unit="%", change=np.full((3, 3), change))


def test_a_polyp_s_budget_adds_up_to_its_uncertainties() -> None:
    inputs = (_input("print-scale", 0.005), _input("disc-height", -0.004))
    polyp = _read(scale_inputs=inputs)
    diameter = explained(polyp.budget, "diameter_mm")
    wound = explained(polyp.budget, "wound_mm2")
    assert polyp.diameter_mm_err == pytest.approx(diameter.standard_uncertainty)
    assert polyp.wound_mm2_err == pytest.approx(wound.standard_uncertainty)
    lines = {line.name: line for line in polyp.budget}
    assert list(lines) == sorted(lines, key=list(SOURCES).index)
    # A length enters an area twice.
    assert lines["print-scale"].diameter_mm == pytest.approx(0.005 * polyp.diameter_mm)
    assert lines["print-scale"].wound_mm2 == pytest.approx(0.01 * polyp.wound_mm2)
    assert lines["disc-height"].diameter_mm == pytest.approx(-0.004 * polyp.diameter_mm)
    # An outline that runs u farther out everywhere makes a disc 2 u wider.
    assert lines["outline"].diameter_mm == pytest.approx(2 * lines["outline"].u, rel=0.01)
    # Area is pi d^2 / 4, so its relative uncertainty is twice the diameter's.
    assert polyp.area_mm2_err / polyp.area_mm2 == pytest.approx(
        2 * polyp.diameter_mm_err / polyp.diameter_mm, rel=1e-6
    )


def test_the_table_says_every_source_and_the_sum() -> None:
    heads, rows = budget_table(_read(scale_inputs=(_input("print-scale", 0.005),)))
    assert len(rows) == 5
    assert all(len(row) == len(heads) for row in rows)
    assert rows[0][0] == SOURCES["print-scale"]
    assert rows[-1][0] == "all together"


def test_too_small_a_card_is_said_of_the_polyps_that_it_touches() -> None:
    assert "card-far" in _read(scale_inputs=(_input("markers", 0.012),)).flags
    assert "card-far" not in _read(scale_inputs=(_input("markers", 0.008),)).flags
