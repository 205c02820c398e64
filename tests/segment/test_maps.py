"""The reader network run on views."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from map_makers import blank_view
from numpy.typing import NDArray
from scipy.special import expit

from polypvision.segment import maps
from polypvision.segment.levels import neutral_levels
from polypvision.segment.maps import (
    CLOSEUP_READER,
    PLATE_READER,
    levels_of,
    read_maps,
    reader_of,
)


@pytest.fixture
def _as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """Close-ups looked at as the view is, neither enlarged nor mirrored, and once more."""
    reader = replace(CLOSEUP_READER, looks=((1.0,), (0.5,)), mouth_sizes=(), mirrored=False)
    monkeypatch.setattr(maps, "CLOSEUP_READER", reader)


def test_maps_have_the_view_s_size_and_are_the_same_twice() -> None:
    view = blank_view(31, 23)
    first, second = read_maps(view), read_maps(view)
    for name in ("tissue", "wound", "mouth", "centre"):
        one = getattr(first, name)
        assert one.shape == view.valid.shape
        assert one.dtype == np.float32
        assert one.tobytes() == getattr(second, name).tobytes()
        assert 0 <= one.min() <= one.max() <= 1
    assert first.to_centre_px.shape == (*view.valid.shape, 2)


def test_a_processor_without_the_newer_instructions_says_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    view = blank_view(60, 70)
    noise = np.random.default_rng(4).integers(0, 256, view.rgb.shape, dtype=np.uint8)
    view = replace(view, rgb=noise)
    view = replace(view, scale=replace(view.scale, source="card"))
    assert reader_of(view) == PLATE_READER
    here = read_maps(view)
    monkeypatch.setattr(maps, "_adds_in_32_bits", lambda: False)
    maps._network.cache_clear()
    there = read_maps(view)
    maps._network.cache_clear()
    for name in ("tissue", "wound", "mouth", "centre", "to_centre_px"):
        np.testing.assert_allclose(getattr(there, name), getattr(here, name), atol=1e-6)


def test_nothing_is_seen_on_plain_grey() -> None:
    assert read_maps(blank_view(60, 40)).tissue.mean() < 0.2


def test_the_reader_refuses_another_scale() -> None:
    with pytest.raises(ValueError, match="px/mm"):
        read_maps(replace(blank_view(20, 20), px_per_mm=4.0))


def test_a_large_view_read_in_tiles_agrees_with_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    # The network replaced by one that only looks at a pixel: tiles must join without a seam.
    def look(rgb: NDArray[np.uint8], reader: maps.Reader) -> NDArray[np.float32]:
        return np.asarray(np.repeat(rgb[None, :, :, 0], 6, axis=0) / 255, np.float32)

    rng = np.random.default_rng(4)
    view = blank_view(110, 70)
    view = replace(view, rgb=rng.integers(0, 255, view.rgb.shape, dtype=np.uint8))
    monkeypatch.setattr(maps, "_run", look)
    whole = read_maps(view)
    monkeypatch.setattr(maps, "_MOST_TILE_PX", 300 * 256)
    monkeypatch.setattr(maps, "_OVERLAP_PX", 64)
    tiled = read_maps(view)
    np.testing.assert_array_equal(tiled.tissue, whole.tissue)
    np.testing.assert_array_equal(tiled.to_centre_px, whole.to_centre_px)


@pytest.mark.parametrize(("down", "along"), [(1, -1), (-1, 1), (-1, -1)])
def test_a_mirror_image_without_a_card_is_read_as_the_view_is(down: int, along: int) -> None:
    # Sides that are no multiples of the stride; enlarged pixels are rounded to whole ones.
    view = blank_view(20, 30)
    noise = np.random.default_rng(9).integers(0, 256, (15, 10, 3), dtype=np.uint8)
    rgb = np.asarray(cv2.resize(noise, view.rgb.shape[1::-1]), np.uint8)
    seen = read_maps(replace(view, rgb=rgb))
    mirror = read_maps(replace(view, rgb=np.ascontiguousarray(rgb[::down, ::along])))
    assert np.ptp(seen.tissue) > 0.01
    for name in ("tissue", "wound", "mouth", "centre"):
        there = getattr(mirror, name)[::down, ::along]
        np.testing.assert_allclose(there, getattr(seen, name), atol=1e-3)
    ways = mirror.to_centre_px[::down, ::along] * [along, down]
    np.testing.assert_allclose(ways, seen.to_centre_px, atol=0.3)


@pytest.mark.parametrize("near", [(1.0,), (1.35,), (1.35, 1.0)])
def test_a_view_without_a_card_is_looked_at_enlarged_and_at_half_its_size(
    near: tuple[float, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    # The network replaced by one that points 10 mm to the right, in pixels of what it is shown.
    def look(rgb: NDArray[np.uint8], reader: maps.Reader) -> NDArray[np.float32]:
        there = rgb[..., 0] / 255 * 8 - 4.0
        zero, right = np.zeros_like(there), np.ones_like(there)
        return np.stack([there, zero, zero, there, right, zero]).astype(np.float32)

    reader = replace(CLOSEUP_READER, looks=(near, (0.5,)), mirrored=False)
    monkeypatch.setattr(maps, "CLOSEUP_READER", reader)
    monkeypatch.setattr(maps, "_run", look)
    view = blank_view(40, 30)
    rgb = np.zeros_like(view.rgb)
    rgb[60:120, 80:200] = 255
    view = replace(view, rgb=rgb)
    seen = read_maps(view)
    wide = seen.other
    assert wide is not None
    assert seen.looks == (seen, wide)
    itself, turned = seen.each_first
    assert itself is seen
    assert turned.tissue is wide.tissue
    assert turned.other is not None
    assert turned.other.centre is seen.centre
    assert turned.levels.looks == seen.levels.looks[::-1]
    ways = np.broadcast_to([np.mean([60.0 / times for times in near]), 0.0], (180, 240, 2))
    np.testing.assert_allclose(seen.to_centre_px, ways, rtol=1e-5)
    np.testing.assert_allclose(wide.to_centre_px, [[[120.0, 0.0]] * 240] * 180)
    # What is seen lies where it lies, to half a pixel of the smaller picture.
    inner, outer = np.zeros((180, 240), np.bool_), np.ones((180, 240), np.bool_)
    inner[62:118, 82:198], outer[58:122, 78:202] = True, False
    for opinion in (seen, wide):
        assert opinion.tissue[inner].min() > 0.9
        assert opinion.tissue[outer].max() < 0.1

    card = replace(view, scale=replace(view.scale, source="card"))
    assert read_maps(card).other is None


@pytest.mark.parametrize("near", [(1.0,), (1.35, 1.0)])
def test_mouths_are_the_mean_over_more_sizes(
    near: tuple[float, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    # The network replaced by one whose every answer is how large a picture it is shown.
    def look(rgb: NDArray[np.uint8], reader: maps.Reader) -> NDArray[np.float32]:
        return np.full((6, *rgb.shape[:2]), rgb.shape[1] / 240, np.float32)

    more = (0.75, 0.5)
    reader = replace(CLOSEUP_READER, looks=(near, (0.5,)), mouth_sizes=more, mirrored=False)
    monkeypatch.setattr(maps, "CLOSEUP_READER", reader)
    monkeypatch.setattr(maps, "_maps_of_all", look)
    seen = read_maps(blank_view(40, 30), levels=neutral_levels(looks=2))
    for said, sizes in ((seen.mouth, (*near, *more)), (seen.tissue, near)):
        np.testing.assert_allclose(said, 1 / (1 + np.exp(-np.mean(sizes))), rtol=1e-5)


@pytest.mark.parametrize("most_px", [maps._MOST_TILE_PX, maps._MOST_CODED_TILE_PX])
@pytest.mark.parametrize("size", [(966, 624), (30, 4800), (1221, 1544), (4800, 3600)])
def test_tiles_of_any_view_are_small_and_their_believed_parts_cover_it(
    size: tuple[int, int], most_px: int
) -> None:
    cuts = [maps._cut(side, n) for side, n in zip(size, maps._tiling(*size, most_px), strict=True)]
    assert cuts[0][0] * cuts[1][0] <= most_px
    for side, (tile, parts) in zip(size, cuts, strict=True):
        assert tile % 32 == 0
        assert [first for _, first, _ in parts] == [0, *(end for *_, end in parts[:-1])]
        assert parts[-1][2] == side
        for start, first, end in parts:
            assert start % 32 == 0
            assert start <= first < end <= start + tile
            # Inside the view, what is believed keeps away from the tile's edge.
            assert first == 0 or first - start >= maps._OVERLAP_PX // 2
            assert end == side or start + tile - end >= maps._OVERLAP_PX // 2


@pytest.mark.usefixtures("_as_it_is")
def test_probabilities_are_the_logistic_function_s(monkeypatch: pytest.MonkeyPatch) -> None:
    # scipy.special.expit, moved so that the even level becomes one half; nothing overflows.
    logits = np.array([-1e4, -90.0, -3.0, 0.0, 0.5, 40.0, 1e4], np.float32)

    def look(rgb: NDArray[np.uint8], reader: maps.Reader) -> NDArray[np.float32]:
        return np.broadcast_to(np.resize(logits, rgb.shape[1]), (6, *rgb.shape[:2])).copy()

    monkeypatch.setattr(maps, "_run", look)
    view = blank_view(10, 10)
    valid = view.valid.copy()
    valid[:7] = False
    levels = replace(levels_of(CLOSEUP_READER), even=(0.3, 0.3, 0.3))
    found = read_maps(replace(view, valid=valid), levels=levels).tissue
    assert not found[:7].any()
    expected = expit(np.resize(logits, found.shape[1]).astype(np.float64) - np.log(0.3 / 0.7))
    np.testing.assert_allclose(found[7:], np.broadcast_to(expected, found[7:].shape), atol=2e-7)
