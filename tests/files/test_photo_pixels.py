"""Every kind of file a phone, camera or program may hand over, good and bad."""

import tracemalloc
from io import BytesIO
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from photo_makers import animated, corners_picture, encoded, exif, huge_png
from PIL import Image, ImageCms

from polypvision.errors import PhotoTooLarge, PhotoTooSmall, PhotoUnreadable
from polypvision.files.pixels import MAX_PHOTO_PX, decode, exif_tags, open_photo, turned

# CIPA DC-008 (Exif), tag Orientation, from memory; the arrays as Pillow's exif_transpose gives
# them for [[0, 1, 2], [3, 4, 5]].
ORIENTATIONS: dict[int, list[list[int]]] = {
    1: [[0, 1, 2], [3, 4, 5]],
    2: [[2, 1, 0], [5, 4, 3]],
    3: [[5, 4, 3], [2, 1, 0]],
    4: [[3, 4, 5], [0, 1, 2]],
    5: [[0, 3], [1, 4], [2, 5]],
    6: [[3, 0], [4, 1], [5, 2]],
    7: [[5, 2], [4, 1], [3, 0]],
    8: [[2, 5], [1, 4], [0, 3]],
}


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_orientation_table(orientation: int) -> None:
    stored = np.arange(6, dtype=np.uint8).reshape(2, 3)
    assert turned(stored, orientation).tolist() == ORIENTATIONS[orientation]


@pytest.mark.parametrize("orientation", [0, 9, -1, 77])
def test_an_orientation_outside_the_table_means_upright(orientation: int) -> None:
    stored = np.arange(6, dtype=np.uint8).reshape(2, 3)
    assert turned(stored, orientation).tolist() == stored.tolist()


def _close(found: NDArray[np.uint8], expected: NDArray[np.uint8], tolerance: int = 12) -> bool:
    return (
        found.shape == expected.shape
        # Away from the coloured corners' edges, which compression smears.
        and int(np.abs(found[4::8, 4::8].astype(int) - expected[4::8, 4::8]).max()) <= tolerance
    )


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_every_format_comes_upright(form: str, orientation: int) -> None:
    rgb = corners_picture()
    stored = np.ascontiguousarray(turned(rgb, {6: 8, 8: 6}.get(orientation, orientation)))
    more = {"quality": 95} if form in ("JPEG", "WEBP", "HEIF") else {}
    data = encoded(stored, form, exif=exif(orientation=orientation), **more)
    found = decode(data, "photo")
    assert found.dtype == np.uint8
    assert _close(found, rgb, tolerance=30)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "HEIF", "TIFF"])
def test_every_format_tells_its_date(form: str) -> None:
    made = exif("2024:03:30 12:00:00", "+01:00")
    tags = exif_tags(encoded(corners_picture(), form, exif=made))
    assert tags[0x9003] == "2024:03:30 12:00:00"
    assert tags[0x9011] == "+01:00"


def test_heic_round_trip() -> None:
    data = encoded(corners_picture(), "HEIF", quality=90, exif=exif("2024:03:30 12:00:00"))
    assert data[4:12] == b"ftypheic"  # ISO/IEC 23008-12, brand heic (from memory)
    assert _close(decode(data, "photo.heic"), corners_picture(), tolerance=30)


def test_cmyk_jpeg_shows_its_colours() -> None:
    data = encoded(Image.fromarray(corners_picture()).convert("CMYK"), "JPEG", quality=95)
    assert Image.open(BytesIO(data)).mode == "CMYK"
    assert _close(decode(data, "photo"), corners_picture(), tolerance=20)


def test_16_bit_grey_keeps_its_range() -> None:
    ramp = np.linspace(0, 65535, 128 * 100).reshape(100, 128).astype(np.uint16)
    found = decode(encoded(ramp, "PNG"), "photo")
    assert found.shape == (100, 128, 3)
    assert (found[0, 0, 0], found[-1, -1, 0]) == (0, 255)
    assert int(np.abs(found[..., 0].astype(int) - (ramp >> 8)).max()) == 0


def test_16_bit_colour_keeps_its_range() -> None:
    import cv2

    high = corners_picture().astype(np.uint16) * 257
    for suffix in (".png", ".tif"):
        done, data = cv2.imencode(suffix, np.ascontiguousarray(high[..., ::-1]))
        assert done
        assert _close(decode(data.tobytes(), "photo"), corners_picture(), tolerance=1)


def test_transparency_lies_on_white() -> None:
    rgba = np.dstack([corners_picture(), np.full((96, 120), 255, np.uint8)])
    rgba[40:60, 40:60, 3] = 0
    found = decode(encoded(rgba, "PNG"), "photo")
    assert found[50, 50].tolist() == [255, 255, 255]
    assert found[5, 5].tolist() == [250, 10, 10]


def test_palette_with_transparency_and_grey_with_alpha() -> None:
    palette = Image.fromarray(corners_picture()).convert("P", palette=Image.Palette.ADAPTIVE)
    key = palette.getpixel((60, 50))
    assert isinstance(key, int)
    found = decode(encoded(palette, "PNG", transparency=key), "photo")
    assert found[50, 60].tolist() == [255, 255, 255]
    grey = np.dstack([np.full((96, 96), 40, np.uint8), np.full((96, 96), 255, np.uint8)])
    assert decode(encoded(grey, "PNG"), "photo")[50, 50].tolist() == [40, 40, 40]


@pytest.mark.parametrize("mode", ["1", "L", "P"])
def test_pictures_of_few_colours(mode: str) -> None:
    found = decode(encoded(Image.new(mode, (100, 90)), "PNG"), "photo")
    assert found.shape == (90, 100, 3)


def _profile(gamma_of_red: float) -> bytes:
    """An sRGB profile under another name, the curve of red replaced by a power."""
    made = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    count = int.from_bytes(made[128:132], "big")
    tags = {
        made[at : at + 4]: int.from_bytes(made[at + 4 : at + 8], "big")
        for at in range(132, 132 + 12 * count, 12)
    }
    changed = bytearray(made.replace("sRGB".encode("utf-16-be"), "mine".encode("utf-16-be")))
    # ICC.1:2010 (from memory): a parametric curve of type 0 is y = x ** g, g as s15Fixed16.
    curve = b"para" + bytes(8) + round(gamma_of_red * 65536).to_bytes(4, "big")
    changed[tags[b"rTRC"] : tags[b"rTRC"] + len(curve)] = curve
    return bytes(changed)


def test_a_colour_profile_is_followed() -> None:
    grey = np.full((96, 96, 3), 128, np.uint8)
    same = decode(encoded(grey, "PNG", icc_profile=_profile(2.2)), "photo")
    darker = decode(encoded(grey, "PNG", icc_profile=_profile(3.0)), "photo")
    assert same[50, 50].tolist() == pytest.approx([128, 128, 128], abs=3)
    # (128/255)^3 of linear light is code 97 in sRGB (IEC 61966-2-1).
    assert int(darker[50, 50, 0]) == pytest.approx(97, abs=4)


def test_a_broken_colour_profile_is_ignored() -> None:
    data = encoded(corners_picture(), "PNG", icc_profile=b"no profile at all" * 20)
    assert np.array_equal(decode(data, "photo"), corners_picture())


NOISE = np.random.default_rng(1).integers(0, 255, (200, 200, 3)).astype(np.uint8)
GOOD_JPEG = encoded(NOISE, "JPEG", quality=95)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty (0 bytes)"),
        (b"This is my shopping list.\n" * 20, "is text, not a photo"),
        (GOOD_JPEG[: len(GOOD_JPEG) // 2], "cut short or damaged"),
        (GOOD_JPEG[:40], "damaged"),
        (b"\0\1\2\3" * 300, "damaged or no photo"),
        (encoded(Image.new("RGB", (96, 96)), "GIF"), "a GIF"),
        (animated("GIF"), "a GIF"),
        (animated("PNG"), "moving picture of 2 frames"),
        (animated("WEBP"), "moving picture of 2 frames"),
        (b"%PDF-1.7\n" + b"\0" * 100, "a PDF document"),
        (encoded(np.zeros((96, 96), np.int32), "TIFF"), "32-bit grey values"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_cannot_be_read_says_why_and_what_to_do(data: bytes, words: str) -> None:
    with pytest.raises(PhotoUnreadable) as caught:
        decode(data, "my plate.jpg")
    message = str(caught.value)
    assert message.startswith("my plate.jpg ")
    assert words in message
    assert "Save" in message or "Copy it again" in message


@pytest.mark.parametrize("form", ["PNG", "TIFF", "WEBP", "HEIF"])
@pytest.mark.parametrize("share", [0.1, 0.6, 0.9])
def test_cut_short_files_of_every_format(form: str, share: float) -> None:
    data = encoded(NOISE, form)
    with pytest.raises(PhotoUnreadable):
        decode(data[: int(len(data) * share)], "photo")


def test_a_file_that_claims_100_megapixels_is_refused_before_decoding() -> None:
    data = huge_png(10_000, 10_000)
    assert len(data) < 1000
    tracemalloc.start()
    with pytest.raises(PhotoTooLarge, match="100 megapixels"):
        decode(data, "bomb.png")
    assert tracemalloc.get_traced_memory()[1] < 5_000_000
    tracemalloc.stop()


@pytest.mark.parametrize("side", [30_000, 2_000_000_000])
def test_still_larger_claims(side: int) -> None:
    with pytest.raises((PhotoTooLarge, PhotoUnreadable)):
        decode(huge_png(side, side), "bomb.png")


def test_the_limit_lets_todays_large_phones_through() -> None:
    assert MAX_PHOTO_PX > 8064 * 6048  # 48 megapixels


@pytest.mark.parametrize("size", [(1, 1), (63, 500), (500, 63)])
def test_too_small(size: tuple[int, int]) -> None:
    with pytest.raises(PhotoTooSmall, match="too few to show a polyp"):
        decode(encoded(Image.new("RGB", size), "PNG"), "dot.png")


def test_damaged_exif_costs_neither_pixels_nor_direction() -> None:
    broken = b"Exif\0\0II*\0\x08\0\0\0" + b"\xff" * 60
    data = encoded(corners_picture(), "JPEG", quality=95, exif=broken)
    assert exif_tags(data) == {}
    assert _close(decode(data, "photo"), corners_picture())


def _smooth(width: int, height: int) -> NDArray[np.uint8]:
    """Three waves of different lengths: no two corners alike, nothing sharper than a few pixels."""
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    waves = (np.sin(x / 40), np.cos(y / 55), np.sin((x + 2 * y) / 70))
    return np.asarray(np.stack([127 + 100 * wave for wave in waves], axis=2), np.uint8)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_jpeg_is_reduced_while_it_is_decoded(orientation: int) -> None:
    data = encoded(_smooth(3840, 256), "JPEG", quality=95, exif=exif(orientation=orientation))
    photo = open_photo(data, "photo.jpg")
    whole = decode(data, "photo.jpg")
    assert photo.size_px == (whole.shape[1], whole.shape[0])
    picture = photo.survey()
    assert picture.reduction == 2
    assert picture.size_px == photo.size_px
    height, width = picture.rgb.shape[:2]
    # Each pixel is about the mean of its square, also in a photo that lies on its side.
    means = whole.reshape(height, 2, width, 2, 3).mean(axis=(1, 3))
    assert float(np.abs(means - picture.rgb).max()) < 6
    np.testing.assert_array_equal(photo.whole().rgb, whole)


@pytest.mark.parametrize(
    "kind",
    [
        {"subsampling": 0},
        {"subsampling": 1},
        {"subsampling": 2},
        {"subsampling": 2, "progressive": True},
        {"subsampling": 2, "restart_marker_rows": 2},
        {"keep_rgb": True},
    ],
    ids=str,
)
@pytest.mark.parametrize("width", [3840, 7680])
def test_a_reduced_jpeg_has_the_values_that_pillow_gives(kind: dict[str, Any], width: int) -> None:
    # Pillow's draft mode, with noise, so that every coefficient counts.
    noise = np.random.default_rng(width).integers(-40, 40, (64, width, 3))
    rgb = np.clip(_smooth(width, 64) + noise, 0, 255).astype(np.uint8)
    data = encoded(rgb, "JPEG", quality=93, **kind)
    picture = open_photo(data, "photo.jpg").survey()
    with Image.open(BytesIO(data)) as library:
        library.draft(None, (width // picture.reduction, 64 // picture.reduction))
        expected = np.asarray(library.convert("RGB"))
    assert picture.reduction == width // 1920
    assert picture.rgb.shape == expected.shape
    assert int(np.abs(picture.rgb.astype(int) - expected).max()) <= 2


def test_a_jpeg_that_no_reduction_divides_is_decoded_whole() -> None:
    data = encoded(_smooth(3841, 257), "JPEG", quality=90)
    picture = open_photo(data, "photo.jpg").survey()
    assert picture.reduction == 1
    np.testing.assert_array_equal(picture.rgb, decode(data, "photo.jpg"))


def test_a_cmyk_jpeg_is_reduced_too() -> None:
    data = encoded(Image.fromarray(_smooth(3840, 256)).convert("CMYK"), "JPEG", quality=95)
    picture = open_photo(data, "photo.jpg").survey()
    assert picture.reduction == 2
    assert float(np.abs(picture.rgb.astype(int) - decode(data, "photo")[::2, ::2]).max()) < 20


def test_a_photo_of_another_format_comes_whole() -> None:
    rgb = _smooth(3840, 64)
    picture = open_photo(encoded(rgb, "PNG"), "photo.png").survey()
    assert picture.reduction == 1
    np.testing.assert_array_equal(picture.rgb, rgb)


def test_a_jpeg_cut_short_is_told_when_it_is_decoded() -> None:
    data = encoded(_smooth(3840, 256), "JPEG", quality=95)
    photo = open_photo(data[: len(data) // 2], "photo.jpg")
    with pytest.raises(PhotoUnreadable, match="cut short or damaged"):
        photo.survey()


def test_a_jpeg_with_a_colour_profile_is_reduced_through_it() -> None:
    data = encoded(_smooth(3840, 256), "JPEG", quality=95, icc_profile=_profile(3.0))
    picture = open_photo(data, "photo.jpg").survey()
    assert picture.reduction == 2
    whole = decode(data, "photo.jpg")[::2, ::2]
    assert float(np.abs(picture.rgb.astype(int) - whole).max()) < 20
