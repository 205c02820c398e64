"""Pictures that are no ordinary plate, through the whole reading at a given scale.

What the reader makes of a hard picture changes with its weights, so limits here are wide: nothing
fails, nothing is invented, and what cannot be known is said.
"""

import time

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from plain_plates import PX_PER_MM, plain_plate, polyp, read

from polypvision.errors import PhotoOverexposed, ScaleDoubtful
from polypvision.evaluate.heldout import FAMILIES, SEED
from polypvision.reading import PlateReading, to_record
from polypvision.render.scene import FurnitureSpec

TRUE = 1 / PX_PER_MM
PLACES = [(22, 24, 26), (62, 22, 18), (101, 25, 30), (25, 68, 21), (66, 62, 32), (106, 70, 24)]


@pytest.fixture(scope="module")
def plate() -> NDArray[np.uint8]:
    """Six polyps on a mat."""
    return plain_plate(130, 92, [polyp(k, *place) for k, place in enumerate(PLACES, 1)])


@pytest.fixture(scope="module")
def reading(plate: NDArray[np.uint8]) -> PlateReading:
    return read(plate)


def test_the_plate_itself_is_read(reading: PlateReading) -> None:
    assert reading.n_polyps == len(PLACES)
    assert "scale-doubtful" not in reading.flags
    for x, y, diameter in PLACES:
        near = min(reading.polyps, key=lambda p: np.hypot(p.x_mm - x, p.y_mm - y))
        assert near.diameter_mm == pytest.approx(diameter, rel=0.1)


@pytest.mark.parametrize("ground", ["mat", "grey-tile"])
def test_no_polyp(ground: str) -> None:
    empty = read(plain_plate(110, 80, ground=ground))  # type: ignore[arg-type]
    assert empty.polyps == ()
    assert to_record(empty)["n_polyps"] == 0


def test_only_plugs() -> None:
    plugs = [
        FurnitureSpec(kind="plug", x_mm=18 + 27 * (k % 4), y_mm=20 + 30 * (k // 4), size_mm=19,
                      tint=0.2, seed=k)
        for k in range(12)
    ]  # fmt: skip
    assert read(plain_plate(118, 100, things=plugs)).n_polyps <= 1


def test_three_hundred_polyps_in_reasonable_time(plate: NDArray[np.uint8]) -> None:
    # Twelve painted, the tile laid 5 by 5 times.
    sizes = np.linspace(8, 11, 12)
    dozen = [
        polyp(k, 6.25 + 12.5 * (k % 4), 6.25 + 12.5 * (k // 4), float(size))
        for k, size in enumerate(sizes)
    ]
    picture = np.tile(plain_plate(50, 37.5, dozen), (5, 5, 1))
    start = time.process_time()
    read(plate)
    usual = time.process_time() - start
    start = time.process_time()
    found = read(picture)
    took = time.process_time() - start
    assert found.n_polyps == pytest.approx(300, abs=30)
    assert len({p.label for p in found.polyps}) == found.n_polyps
    # Four times the area, fifty times the polyps: the time follows these, not their square.
    assert took < 20 * usual


def test_one_polyp_that_fills_the_picture() -> None:
    found = read(plain_plate(46, 40, [polyp(1, 23, 20, 58)]))
    assert found.n_polyps <= 3
    assert all("touches-edge" in p.flags for p in found.polyps if p.diameter_mm > 20)


def test_polyps_cut_by_the_edge(plate: NDArray[np.uint8]) -> None:
    # The cut runs through the middle of the two polyps of the left column.
    cut = np.ascontiguousarray(plate[:, round(24 * PX_PER_MM) :])
    found = read(cut)
    at_edge = [p for p in found.polyps if "touches-edge" in p.flags]
    assert len(at_edge) >= 1
    assert all(p.x_mm < 8 for p in at_edge)
    assert found.n_polyps == pytest.approx(6, abs=1)


@pytest.mark.parametrize(("cut_mm", "n_polyps"), [(20, 6), (28, 4)])
def test_of_polyps_cut_by_the_edge_those_count_whose_middle_is_in(
    plate: NDArray[np.uint8], cut_mm: float, n_polyps: int
) -> None:
    # The left column's middles are at 22 and 25 mm.
    found = read(np.ascontiguousarray(plate[:, round(cut_mm * PX_PER_MM) :]))
    assert found.n_polyps == n_polyps
    assert ("cut-off" in found.flags) == (n_polyps < 6)


@pytest.mark.parametrize("code", [0, 8])
def test_black(code: int) -> None:
    assert read(np.full((400, 500, 3), code, np.uint8)).polyps == ()


def test_white_is_refused_with_a_remedy() -> None:
    with pytest.raises(PhotoOverexposed, match="lower the exposure"):
        read(np.full((400, 500, 3), 255, np.uint8))


@pytest.mark.parametrize("turns", [1, 2])
def test_upside_down_and_on_its_side(
    plate: NDArray[np.uint8], reading: PlateReading, turns: int
) -> None:
    turned = read(np.ascontiguousarray(np.rot90(plate, turns)))
    assert turned.n_polyps == reading.n_polyps
    sizes, own = (sorted(p.diameter_mm for p in r.polyps) for r in (turned, reading))
    assert sizes == pytest.approx(own, rel=0.05)


class TestScaleWrongByTen:
    """Said in words, not read as dust or giants; a scale that is right is left alone."""

    def test_ten_times_too_small(self, plate: NDArray[np.uint8]) -> None:
        with pytest.raises(ScaleDoubtful) as said:
            read(plate, TRUE / 10)
        words = str(said.value)
        assert "At 0.0167 mm per pixel" in words
        assert "at 0.167 mm per pixel" in words
        assert "Measure again" in words
        assert said.value.kind == "doubtful-scale"

    def test_ten_times_too_large_shows_more_than_a_rack(self, plate: NDArray[np.uint8]) -> None:
        with pytest.raises(ScaleDoubtful, match=r"1\.3 m wide.*at 0\.167 mm per pixel \d+ polyps"):
            read(plate, TRUE * 10)

    def test_ten_times_too_large_in_a_small_field(self, plate: NDArray[np.uint8]) -> None:
        # One polyp in 32 mm, 24 pixels to the mm: a field of 320 mm would not be odd by itself.
        rows, columns = (
            slice(round(a * PX_PER_MM), round(b * PX_PER_MM)) for a, b in ((6, 38), (46, 78))
        )
        part = plate[rows, columns]
        fine = cv2.resize(part, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
        with pytest.raises(ScaleDoubtful, match=r"at 0\.0417 mm per pixel one polyp"):
            read(np.asarray(fine, np.uint8), TRUE / 4 * 10)

    @pytest.mark.parametrize("factor", [0.8, 1.25])
    def test_a_guess_wrong_by_a_quarter_is_read(
        self, plate: NDArray[np.uint8], factor: float
    ) -> None:
        found = read(plate, TRUE * factor)
        assert found.n_polyps == pytest.approx(6, abs=1)
        assert "scale-doubtful" not in found.flags

    def test_finer_pixels_at_their_own_scale_are_no_doubt(self, plate: NDArray[np.uint8]) -> None:
        fine = cv2.resize(plate, None, fx=2.5, fy=2.5, interpolation=cv2.INTER_CUBIC)
        assert read(np.asarray(fine, np.uint8), TRUE / 2.5).n_polyps == len(PLACES)

    @pytest.mark.parametrize("number", [5, 6, 7])
    def test_a_textured_picture_without_polyps_is_not_refused(self, number: int) -> None:
        # In these, coarse netting, wood and tubes look like polyps at a tenth of the scale.
        family = list(FAMILIES)[number]
        picture = FAMILIES[family](np.random.default_rng([SEED, 999, number]), 0)
        assert picture.mm_per_px is not None
        read(picture.rgb, picture.mm_per_px)

    def test_an_empty_picture_is_empty_at_any_scale(self) -> None:
        picture = plain_plate(100, 80)
        assert read(picture, TRUE / 10).polyps == ()
        assert read(picture, TRUE).polyps == ()
