import numpy as np
import pytest
from numpy.typing import NDArray
from time_builders import make_polyp

from polypvision.calibrate.photo import view_at_scale
from polypvision.measure.shape import polygon_area, polygon_centroid
from polypvision.measure.wound_outlines import wound_outlines

MM_PER_PX = 0.1
MIDDLE_MM = (30.0, 25.0)
DISC_MM, WOUND_MM = 20.0, 5.0


def photo_with_wounds(*places_mm: tuple[float, float]) -> NDArray[np.uint8]:
    """A brown disc on grey, with round pale spots of raw tissue."""
    rows, columns = np.mgrid[:500, :600] * MM_PER_PX
    rgb = np.full((500, 600, 3), 120, np.uint8)
    rgb[np.hypot(columns - MIDDLE_MM[0], rows - MIDDLE_MM[1]) < DISC_MM / 2] = (120, 60, 30)
    for x, y in places_mm:
        rgb[np.hypot(columns - x, rows - y) < WOUND_MM / 2] = (240, 232, 215)
    return rgb


def test_a_wound_is_outlined_where_it_lies_in_the_photo() -> None:
    # Inside the disc, reaching to 0.3 mm from its rim.
    place = (MIDDLE_MM[0] + DISC_MM / 2 - WOUND_MM / 2 - 0.3, MIDDLE_MM[1])
    polyp = make_polyp(3, *MIDDLE_MM, DISC_MM, wound_mm2=19.0)
    view = view_at_scale(photo_with_wounds(place), MM_PER_PX)
    [outline] = wound_outlines(view, [polyp])[3]
    centre = polygon_centroid(outline) * MM_PER_PX
    assert centre == pytest.approx(np.array(place), abs=0.1)
    true_mm2 = np.pi / 4 * WOUND_MM**2
    assert polygon_area(outline) * MM_PER_PX**2 == pytest.approx(true_mm2, rel=0.1)


def test_two_wounds_are_two_outlines() -> None:
    shift = DISC_MM / 2 - WOUND_MM / 2 - 0.3
    places = [(MIDDLE_MM[0] - shift, MIDDLE_MM[1]), (MIDDLE_MM[0] + shift, MIDDLE_MM[1])]
    polyp = make_polyp(1, *MIDDLE_MM, DISC_MM, wound_mm2=38.0)
    view = view_at_scale(photo_with_wounds(*places), MM_PER_PX)
    outlines = wound_outlines(view, [polyp])[1]
    found = sorted(float(outline[:, 0].mean()) * MM_PER_PX for outline in outlines)
    assert found == pytest.approx([x for x, _ in places], abs=0.2)


def test_polyps_without_a_wound_or_out_of_the_picture_have_no_outline() -> None:
    view = view_at_scale(photo_with_wounds(), MM_PER_PX)
    sound = make_polyp(1, *MIDDLE_MM, DISC_MM)
    outside = make_polyp(2, 500.0, 500.0, DISC_MM, wound_mm2=5.0)
    healed = make_polyp(3, *MIDDLE_MM, DISC_MM, wound_mm2=5.0)
    assert wound_outlines(view, [sound, outside, healed]) == {}
