"""When a photo was taken: from its EXIF data, else its file name, else the person's word.

Tags and their text form follow Exif (CIPA DC-008; the offset tags came with version 2.31), from
memory: DateTimeOriginal "YYYY:MM:DD HH:MM:SS" is local time, OffsetTimeOriginal "+HH:MM" says
how far from UTC. Without an offset the time stays local; it is not guessed.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, timezone
from typing import Literal

DATE_TIME_ORIGINAL = 0x9003
OFFSET_TIME_ORIGINAL = 0x9011

DateSource = Literal["exif", "name", "given"]

_FIRST_YEAR = 1990
"""Before this no digital camera took photos for sale; such a date is a clock that was never set."""

_EXIF_DATE = re.compile(r"(\d{4})[:/-](\d\d)[:/-](\d\d)[ T](\d\d):(\d\d):(\d\d)")
_OFFSET = re.compile(r"([+-])(\d\d):?(\d\d)")
_NAME_DATE = re.compile(
    r"""(?<!\d)
    (?P<year>(?:19|20)\d\d) (?P<sep>[-_.\ ]?) (?P<month>\d\d) (?P=sep) (?P<day>\d\d)
    (?: [-_.\ T]* (?:at\ )?
        (?: (?P<hms>\d{6}) (?:\d{3})?                       # 120000, or with milliseconds
          | (?P<hour>\d\d) [-_.:h] (?P<minute>\d\d) (?: [-_.:m] (?P<second>\d\d))? ) )?
    (?!\d)""",
    re.VERBOSE,
)
_NOON = 12
"""A name with a day and no time means noon: at most half a day wrong."""


@dataclass(frozen=True, kw_only=True)
class PhotoDate:
    """A photo's date and where it came from; ``doubt`` says why it cannot be right."""

    at: datetime
    source: DateSource
    doubt: str | None = None


def _when(*parts: int | str, zone: timezone | None = None) -> datetime | None:
    numbers = [int(part) for part in parts]
    try:
        return datetime(numbers[0], *numbers[1:], tzinfo=zone)  # type: ignore[misc,arg-type]
    except ValueError:
        return None


def _text(value: object) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", "replace")
    return str(value).replace("\0", " ").strip()


def _zone(value: object) -> timezone | None:
    match = _OFFSET.fullmatch(_text(value))
    if match is None or int(match[2]) > 14 or int(match[3]) > 59:
        return None
    offset = timedelta(hours=int(match[2]), minutes=int(match[3]))
    return timezone(-offset if match[1] == "-" else offset)


def date_in_exif(tags: Mapping[int, object]) -> datetime | None:
    """Return DateTimeOriginal with its offset where there is one; None if absent or malformed.

    Parameters
    ----------
    tags : mapping of int to object
        The Exif sub-directory: tag number to value.

    Examples
    --------
    >>> date_in_exif({0x9003: "2024:03:30 12:00:00", 0x9011: "+01:00"}).isoformat()
    '2024-03-30T12:00:00+01:00'
    >>> date_in_exif({0x9003: "0000:00:00 00:00:00"}) is None
    True
    """
    match = _EXIF_DATE.fullmatch(_text(tags.get(DATE_TIME_ORIGINAL, "")))
    if match is None:
        return None
    return _when(*match.groups(), zone=_zone(tags.get(OFFSET_TIME_ORIGINAL, "")))


def date_in_name(name: str) -> datetime | None:
    """Return the first date in a file name, year first; noon if the name has no time.

    Examples
    --------
    >>> date_in_name("IMG_20240330_174501.jpg").isoformat()
    '2024-03-30T17:45:01'
    >>> date_in_name("plate 7, 2024-03-30.jpg").isoformat()
    '2024-03-30T12:00:00'
    """
    for match in _NAME_DATE.finditer(name):
        day = (match["year"], match["month"], match["day"])
        if match["hms"]:
            clock = (match["hms"][:2], match["hms"][2:4], match["hms"][4:])
        elif match["hour"]:
            clock = (match["hour"], match["minute"], match["second"] or "0")
        else:
            clock = (str(_NOON), "0", "0")
        found = _when(*day, *clock) or _when(*day, _NOON)
        if found is not None:
            return found
    return None


def date_doubt(at: datetime, now: datetime) -> str | None:
    """Return why a date cannot be right, or None.

    Parameters
    ----------
    at : datetime
        With or without offset.
    now : datetime
        With offset. A day is allowed, for cameras set to another part of the world.
    """
    if at.year < _FIRST_YEAR:
        return f"before {_FIRST_YEAR}: the camera's clock was probably never set"
    latest = now + timedelta(days=1)
    ahead = at > latest if at.tzinfo else at > latest.astimezone().replace(tzinfo=None)
    return "in the future: the camera's clock is wrong, or this computer's" if ahead else None


def photo_date(
    *,
    exif: Mapping[int, object],
    name: str,
    given: datetime | None = None,
    now: datetime | None = None,
) -> PhotoDate | None:
    """Return when a photo was taken: the first date that can be right, of EXIF, name and given.

    If none can be right, the first there is, with its doubt; None if there is none.

    Parameters
    ----------
    exif : mapping of int to object
        The Exif sub-directory; empty if the photo has none.
    name : str
        File name.
    given : datetime or None
        What the person says.
    now : datetime or None
        With offset; the clock if None.
    """
    clock = now or datetime.now(UTC)
    sources: tuple[tuple[DateSource, datetime | None], ...] = (
        ("exif", date_in_exif(exif)),
        ("name", date_in_name(name)),
        ("given", given),
    )
    dates = [
        PhotoDate(at=at, source=source, doubt=date_doubt(at, clock)) for source, at in sources if at
    ]
    sure = [date for date in dates if date.doubt is None]
    return next(iter(sure or dates), None)


def parse_date(text: str) -> datetime:
    """Return a date as a person or a table writes it; a day without a time means noon.

    Raises
    ------
    ValueError
        With words for the person.

    Examples
    --------
    >>> parse_date("2024-03-30").isoformat()
    '2024-03-30T12:00:00'
    """
    words = text.strip()
    try:
        at = datetime.fromisoformat(words)
    except ValueError:
        raise ValueError(
            f"{text!r} is no date. Write it as YYYY-MM-DD or YYYY-MM-DDTHH:MM, with an offset "
            "such as +10:00 if you like."
        ) from None
    return at if ":" in words or "T" in words else datetime.combine(at, time(_NOON))
