from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from plate_series import photo, readings
from time_builders import PX_PER_MM, make_polyp, make_reading

from polypvision.reports import draw_overlay, jpeg


def _changed(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> NDArray[np.bool_]:
    changed: NDArray[np.bool_] = np.abs(before.astype(int) - after).max(axis=2) > 30
    return changed


def test_outlines_and_mouths_are_drawn_where_they_were_read() -> None:
    reading = make_reading(0, [make_polyp(1, 60, 50, 40.0)])
    rgb = photo(reading)
    changed = _changed(rgb, draw_overlay(rgb, reading))
    polyp = reading.polyps[0]
    for x, y in np.rint(polyp.outline_px).astype(int):
        assert changed[y, x]
    mouth = polyp.mouths[0]
    near = changed[
        int(mouth.y_px) - 8 : int(mouth.y_px) + 9, int(mouth.x_px) - 8 : int(mouth.x_px) + 9
    ]
    assert near.any()
    # The upper half of the disc between rim and mouth is left alone.
    assert not changed[int(polyp.y_px - 14 * PX_PER_MM), int(polyp.x_px)]
    assert not changed[5, 5]


def test_a_reduced_photo_keeps_the_lines_in_place() -> None:
    reading = make_reading(0, [make_polyp(1, 60, 50, 40.0)])
    rgb = photo(reading)
    small = draw_overlay(rgb, reading, max_side_px=435)
    assert max(small.shape) == 435
    factor = 435 / max(rgb.shape)
    plain = draw_overlay(rgb, replace(reading, polyps=()), max_side_px=435)
    changed = _changed(plain, small)
    for x, y in np.rint((reading.polyps[0].outline_px + 0.5) * factor - 0.5).astype(int):
        assert changed[y, x]


def test_the_photo_handed_in_is_not_touched_and_the_drawing_repeats() -> None:
    (reading,) = readings([0])
    rgb = photo(reading)
    kept = rgb.copy()
    first = draw_overlay(rgb, reading, max_side_px=5000)
    np.testing.assert_array_equal(rgb, kept)
    np.testing.assert_array_equal(draw_overlay(rgb, reading, max_side_px=5000), first)


def test_lines_show_on_white_and_on_black() -> None:
    reading = make_reading(0, [make_polyp(1, 60, 50, 40.0)])
    for grey in (0, 128, 255):
        rgb = np.full((690, 870, 3), grey, dtype=np.uint8)
        drawn = draw_overlay(rgb, reading)
        x, y = np.rint(reading.polyps[0].outline_px[0]).astype(int)
        patch = drawn[y - 4 : y + 5, x - 4 : x + 5].astype(int)
        assert np.abs(patch - grey).max() > 100


def test_every_state_has_a_look_of_its_own() -> None:
    reading = make_reading(0, [make_polyp(1, 60, 50, 40.0)])
    grey = np.full((690, 870, 3), 90, dtype=np.uint8)
    states = ("calm", "two mouths", "open wound", "stalled", "worsening")
    drawings = [draw_overlay(grey, reading, states={1: state}) for state in states]  # type: ignore[dict-item]
    for n, one in enumerate(drawings):
        for other in drawings[n + 1 :]:
            # In luminance too, so that it does not hang on colour alone.
            difference = np.abs(one.mean(axis=2) - other.mean(axis=2))
            assert (difference > 20).sum() > 40


def test_flags_give_the_state_where_none_is_told() -> None:
    reading = make_reading(0, [make_polyp(1, 60, 50, 40.0, flags=("wound", "two-mouths"))])
    grey = np.full((690, 870, 3), 90, dtype=np.uint8)
    np.testing.assert_array_equal(
        draw_overlay(grey, reading), draw_overlay(grey, reading, states={1: "two mouths"})
    )


def test_wound_outlines_are_drawn() -> None:
    reading = make_reading(0, [make_polyp(1, 60, 50, 40.0)])
    grey = np.full((690, 870, 3), 90, dtype=np.uint8)
    square = np.array([[350.0, 200], [380, 200], [380, 230], [350, 230]])
    drawn = draw_overlay(grey, reading, wounds_px={1: [square]})
    changed = _changed(draw_overlay(grey, reading), drawn)
    assert changed[200, 365]
    assert changed[215, 350]


def test_nothing_read_leaves_the_photo_but_for_the_bar() -> None:
    reading = make_reading(0, [])
    rgb = photo(reading)
    changed = _changed(rgb, draw_overlay(rgb, reading))
    assert not changed[: rgb.shape[0] // 2].any()
    assert changed.any()


def test_polyps_at_the_edge_and_without_an_outline_are_borne() -> None:
    outside = make_polyp(1, -3, 113, 20.0)
    bare = replace(make_polyp(2, 60, 50), outline_px=np.zeros((0, 2)), outline_mm=np.zeros((0, 2)))
    reading = make_reading(0, [outside, bare])
    rgb = photo(make_reading(0, []))
    assert draw_overlay(rgb, reading).shape == rgb.shape


def test_other_arrays_are_refused() -> None:
    reading = make_reading(0, [])
    for bad in (np.zeros((4, 4), np.uint8), np.zeros((4, 4, 3), np.float64)):
        with pytest.raises(ValueError, match="uint8"):
            draw_overlay(bad, reading)  # type: ignore[arg-type]


def test_jpeg_has_no_metadata_and_keeps_within_its_size() -> None:
    rng = np.random.default_rng(2)
    noisy = rng.integers(0, 256, (900, 1200, 3), dtype=np.uint8)
    data = jpeg(noisy, max_bytes=120_000)
    assert len(data) <= 120_000
    image = Image.open(BytesIO(data))
    assert image.format == "JPEG"
    assert not image.getexif()
    assert jpeg(noisy, max_bytes=120_000) == data
