from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypvision.files.dates import (
    DATE_TIME_ORIGINAL,
    OFFSET_TIME_ORIGINAL,
    date_doubt,
    date_in_exif,
    date_in_name,
    parse_date,
    photo_date,
)

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def exif(date: object, offset: object = "") -> dict[int, object]:
    return {DATE_TIME_ORIGINAL: date, OFFSET_TIME_ORIGINAL: offset}


def test_tag_numbers_are_those_of_exif() -> None:
    # CIPA DC-008 (Exif 2.31), from memory, as also in Pillow's own table.
    from PIL import ExifTags

    assert ExifTags.Base.DateTimeOriginal == DATE_TIME_ORIGINAL
    assert ExifTags.Base.OffsetTimeOriginal == OFFSET_TIME_ORIGINAL


def test_elapsed_time_over_the_change_to_summer_time_is_true_time() -> None:
    # Clocks went forward in the night to 31 March 2024 in Central Europe: the day had 23 hours.
    before = date_in_exif(exif("2024:03:30 12:00:00", "+01:00"))
    after = date_in_exif(exif("2024:03:31 12:00:00", "+02:00"))
    assert before is not None
    assert after is not None
    assert after - before == timedelta(hours=23)


def test_a_leap_day_counts() -> None:
    first, last = date_in_name("2024-02-28.jpg"), date_in_name("2024-03-01.jpg")
    assert first is not None
    assert last is not None
    assert last - first == timedelta(days=2)


def test_without_offset_the_time_stays_local() -> None:
    found = date_in_exif(exif("2024:03:30 12:00:00"))
    assert found == datetime(2024, 3, 30, 12)


@pytest.mark.parametrize(
    ("offset", "hours"),
    [("+10:00", 10), ("-03:30", -3.5), ("+0530", 5.5), (b"+01:00\0", 1)],
)
def test_offsets(offset: object, hours: float) -> None:
    found = date_in_exif(exif("2024:03:30 12:00:00", offset))
    assert found is not None
    assert found.utcoffset() == timedelta(hours=hours)


@pytest.mark.parametrize("offset", ["", "local", "+25:00", "+01:75", "   :  ", 1])
def test_a_malformed_offset_is_left_out(offset: object) -> None:
    assert date_in_exif(exif("2024:03:30 12:00:00", offset)) == datetime(2024, 3, 30, 12)


@pytest.mark.parametrize(
    "text",
    ["", "0000:00:00 00:00:00", "    :  :     :  :  ", "yesterday", "2024:13:30 12:00:00",
     "2024:02:30 12:00:00", "2024:03:30 25:00:00", "2024:03:30", b"\xff\xff", 20240330, None],
)  # fmt: skip
def test_a_malformed_date_is_no_date(text: object) -> None:
    assert date_in_exif(exif(text)) is None


@given(st.text(max_size=30), st.text(max_size=8))
def test_no_text_in_a_date_tag_breaks_anything(date: str, offset: str) -> None:
    date_in_exif(exif(date, offset))
    date_in_name(date)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("IMG_20240330_174501.jpg", "2024-03-30T17:45:01"),
        ("PXL_20240330_174501123.jpg", "2024-03-30T17:45:01"),
        ("20240330174501.jpg", "2024-03-30T17:45:01"),
        ("2024-03-30 17.45.01.jpg", "2024-03-30T17:45:01"),
        ("2024-03-30T17-45-01.jpg", "2024-03-30T17:45:01"),
        ("Photo 2024-03-30 at 17.45.01.png", "2024-03-30T17:45:01"),
        ("plate 7_2024-03-30_17-45.jpg", "2024-03-30T17:45:00"),
        ("plate_0042_2024-03-30.jpg", "2024-03-30T12:00:00"),
        ("2024_03_30 tank.jpg", "2024-03-30T12:00:00"),
        ("IMG-20240330-WA0012.jpg", "2024-03-30T12:00:00"),
        ("plåt 42 – 2024.03.30.jpg", "2024-03-30T12:00:00"),
        ("20241399 20240330.jpg", "2024-03-30T12:00:00"),
        ("2024-03-30_99-99.jpg", "2024-03-30T12:00:00"),
    ],
)
def test_dates_in_names(name: str, expected: str) -> None:
    found = date_in_name(name)
    assert found is not None
    assert found.isoformat() == expected


@pytest.mark.parametrize(
    "name",
    ["IMG_0042.jpg", "plate 7.jpg", "2024.jpg", "30-03-2024.jpg", "120240330.jpg",
     "20240230.jpg", "2024-03.jpg", "2024-0330.jpg", "DSC20240330999.jpg"],
)  # fmt: skip
def test_names_without_a_date(name: str) -> None:
    assert date_in_name(name) is None


def test_the_photo_is_believed_before_its_name_and_its_name_before_the_person() -> None:
    given_date = datetime(2024, 1, 1)
    name = "2024-02-02.jpg"
    tags = exif("2024:03:03 10:00:00")
    for tags_, name_, source in (
        (tags, name, "exif"),
        ({}, name, "name"),
        ({}, "a.jpg", "given"),
    ):
        found = photo_date(exif=tags_, name=name_, given=given_date, now=NOW)
        assert found is not None
        assert found.source == source
    assert photo_date(exif={}, name="a.jpg", now=NOW) is None


def test_a_date_that_cannot_be_right_gives_way_to_one_that_can() -> None:
    tags = exif("2080:01:01 00:00:00")
    found = photo_date(exif=tags, name="a.jpg", given=datetime(2024, 1, 1), now=NOW)
    assert found is not None
    assert (found.source, found.doubt) == ("given", None)
    alone = photo_date(exif=tags, name="a.jpg", now=NOW)
    assert alone is not None
    assert alone.at == datetime(2080, 1, 1)
    assert alone.doubt is not None
    assert "future" in alone.doubt


def test_doubt_begins_a_day_ahead_and_before_digital_cameras() -> None:
    assert date_doubt(NOW + timedelta(hours=23), NOW) is None
    assert date_doubt(NOW + timedelta(hours=25), NOW) is not None
    assert date_doubt(datetime(1989, 12, 31), NOW) is not None
    assert date_doubt(datetime(1990, 1, 1), NOW) is None
    local = NOW.astimezone().replace(tzinfo=None)
    assert date_doubt(local + timedelta(hours=23), NOW) is None
    assert date_doubt(local + timedelta(hours=25), NOW) is not None


def test_dates_as_people_write_them() -> None:
    assert parse_date("2024-03-30") == datetime(2024, 3, 30, 12)
    assert parse_date("2024-03-30T08:15") == datetime(2024, 3, 30, 8, 15)
    assert parse_date("2024-03-30 08:15+10:00").utcoffset() == timedelta(hours=10)
    with pytest.raises(ValueError, match="YYYY-MM-DD"):
        parse_date("30.3.2024")
