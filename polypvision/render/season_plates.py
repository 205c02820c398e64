"""The three plates of the invented season: who lives on them, and what else lies there."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from typing import Any

from polypvision.card.layout import A5_MM, CardKind
from polypvision.events import LogEntry
from polypvision.render.life import Life
from polypvision.render.scene import (
    FurnitureSpec,
    Ground,
    Morph,
    SmallCard,
    Texture,
)

ZONE = timezone(timedelta(hours=10))


@dataclass(frozen=True, kw_only=True)
class SeasonPlate:
    """One plate of the season: what does not change from date to date.

    Attributes
    ----------
    start : datetime
        Of the first photo.
    days : tuple of int
        Days of the photos after the first.
    box_mm : tuple of 4 floats
        Left, top, right, bottom of what every photo shows.
    bubbles_mm : tuple of 2 floats
        Where gas bubbles gather.
    """

    code: int
    card: CardKind
    ground: Ground
    start: datetime
    days: tuple[int, ...]
    lives: tuple[Life, ...]
    furniture: tuple[FurnitureSpec, ...]
    cards: tuple[SmallCard, ...] = ()
    box_mm: tuple[float, float, float, float]
    bubbles_mm: tuple[float, float]

    @property
    def name(self) -> str:
        """The plate's code as printed."""
        return f"{self.code:04d}"


def _rows(text: str) -> list[dict[str, str]]:
    """A table typed as text: a head line, cells between blanks, - for the default."""
    head, *lines = [line.split() for line in text.strip().splitlines()]
    return [
        {name: cell for name, cell in zip(head, line, strict=True) if cell != "-"} for line in lines
    ]


def _numbers(row: dict[str, str], words: tuple[str, ...]) -> dict[str, Any]:
    return {
        name: cell if name in words else int(cell) if name == "seed" else float(cell)
        for name, cell in row.items()
    }


def _lives(morph: Morph, texture: Texture, donor: str, text: str) -> tuple[Life, ...]:
    return tuple(
        Life(morph=morph, texture=texture, donor=donor, **_numbers(row, ("name", "shape")))
        for row in _rows(text)
    )


def _things(text: str) -> tuple[FurnitureSpec, ...]:
    return tuple(FurnitureSpec(**_numbers(row, ("kind",))) for row in _rows(text))


_HALVES = """
name x_mm y_mm diameter_mm shape angle_deg growth_per_week wound_mm2 closed_day mouth_day seed
h1   47   53   26.5        half  180       0.015           84        15         9         171
h2   82   51   26.9        half  12        0.011           92        20         12        172
"""
_QUARTERS = """
name x_mm y_mm diameter_mm shape   angle_deg growth_per_week wound_mm2 closed_day mouth_day seed
q1   41   92   20.4        quarter 205       0.015           71        16         22        173
q2   72   88   21.3        quarter 300       0.015           78        19         16        174
q3   104  95   20.9        quarter 35        0.024           66        13         20        175
q4   58   121  19.8        quarter 110       0.010           74        24         30        176
"""
_WHOLE = """
name x_mm y_mm diameter_mm shape growth_per_week sold_day seed
c1   96   131  24.2        disc  0.015           41       177
c2   43   155  16.8        disc  0.027           -        178
c3   81   164  30.5        disc  0.009           -        179
"""
_GROWN = """
name x_mm y_mm  diameter_mm shape angle_deg growth_per_week second_mouth_day divides_day seed
g1   73   63    44.0        oval  8         0.006           10               42          243
g2   49   112   32.5        disc  0         0.008           -                -           237
g3   91   110   25.6        disc  0         0.012           -                -           238
g4   97   135.2 23.0        disc  0         0.013           -                -           239
"""
_MARGINS = """
name x_mm y_mm diameter_mm shape  angle_deg growth_per_week wound_mm2 closed_day mouth_day seed
m1   37   145  10.2        margin 95        0.030           17        11         24        231
m2   57   149  11.6        margin 250       0.026           21        14         25        232
m3   39   169  9.3         margin 10        0.028           15        13         30        233
m4   60   172  12.4        margin 310       0.025           24        17         22        234
m5   81   173  10.8        margin 170       0.031           19        12         26        235
"""
_VIOLET_HALVES = """
name x_mm y_mm diameter_mm shape angle_deg growth_per_week wound_mm2 closed_day mouth_day seed
h1   106  16   23.4        half  195       0.015           68        18         11        311
h2   141  17   23.0        half  340       0.019           74        14         13        312
"""
_VIOLET_WHOLE = """
name x_mm y_mm diameter_mm growth_per_week seed
g1   122  48   27.8        0.010           313
"""
_OPEN_QUARTER = """
name x_mm y_mm diameter_mm shape   angle_deg growth_per_week wound_mm2 seed
s1   14   77   18.2        quarter 225       -0.002          52        314
"""
_TWO_MARGINS = """
name x_mm y_mm diameter_mm shape  angle_deg growth_per_week wound_mm2 closed_day mouth_day seed
m1   39   72   10.6        margin 80        0.027           18        12         25        315
m2   59   74   9.4         margin 200       -0.045          17        45         -         316
"""
_BICOLOUR_WHOLE = """
name x_mm y_mm diameter_mm growth_per_week seed
g2   19   105  24.6        0.011           317
g3   50   103  19.4        0.018           318
"""


def _first_plate() -> SeasonPlate:
    """Halves and quarters of two donors, all of which heal; one uncut disc is sold."""
    return SeasonPlate(
        code=17,
        card="a5",
        ground="grey-tile",
        # In the past: the logbook refuses photos from the future.
        start=datetime(2024, 3, 3, 15, 40, tzinfo=ZONE),
        days=(0, 5, 11, 18, 26, 35, 45, 56),
        lives=_lives("rust", "ridges", "A, 38 mm", _HALVES)
        + _lives("rust", "ridges", "B, 42 mm", _QUARTERS)
        + _lives("rust", "ridges", "", _WHOLE),
        furniture=_things(
            """
            kind   x_mm y_mm size_mm tint seed
            plug   105  96   28      0.3  1
            rubble 113  168  17      0.8  2
            glue   66   141  7       0.2  3
            algae  114  58   15      0.2  4
            snail  104  74   9       0.3  5
            """
        ),
        box_mm=(0.0, 0.0, *A5_MM),
        bubbles_mm=(118.0, 120.0),
    )


def _second_plate() -> SeasonPlate:
    """Foot-margin pieces beside grown polyps, one of which divides."""
    return SeasonPlate(
        code=23,
        card="a5",
        ground="white-tile",
        start=datetime(2024, 3, 4, 16, 5, tzinfo=ZONE),
        days=(0, 6, 13, 20, 28, 36, 46, 56),
        lives=_lives("green", "bubbles", "", _GROWN)
        + _lives("teal", "velvet", "C, 60 mm", _MARGINS),
        furniture=_things(
            """
            kind  x_mm y_mm size_mm tint seed
            tile  112  168  24      0.5  6
            glue  70   135  6       0.1  7
            glue  118  120  8       0.4  8
            snail 34   88   11      0.5  9
            """
        ),
        box_mm=(0.0, 0.0, *A5_MM),
        bubbles_mm=(31.0, 40.0),
    )


def _third_plate() -> SeasonPlate:
    """A mixture under two small cards: a wound that stalls, a piece that is lost."""
    failing = _lives("bicolour", "warts", "F, 45 mm", _TWO_MARGINS)
    stalled = _lives("blue", "warts", "E, 36 mm", _OPEN_QUARTER)
    return SeasonPlate(
        code=31,
        card="small",
        ground="mat",
        start=datetime(2024, 3, 5, 14, 20, tzinfo=ZONE),
        days=(0, 6, 12, 19, 27, 36, 45, 55),
        lives=_lives("purple", "ridges", "D, 33 mm", _VIOLET_HALVES)
        + _lives("purple", "ridges", "", _VIOLET_WHOLE)
        + (replace(stalled[0], stalled=True, mouth_day=None),)
        + (failing[0], replace(failing[1], mouth_day=None, failing=True, lost_day=24.0))
        + _lives("bicolour", "warts", "", _BICOLOUR_WHOLE),
        furniture=_things(
            """
            kind   x_mm y_mm size_mm tint seed
            rubble 149  49   16      0.9  10
            plug   20   104  30      0.2  11
            algae  66   112  12      0.1  12
            snail  100  59   8       0.2  13
            """
        ),
        cards=(SmallCard(), SmallCard(copy=1, x_mm=77.0, y_mm=66.5, angle_deg=1.5)),
        box_mm=(-7.0, -6.0, 168.0, 126.0),
        bubbles_mm=(5.0, 60.0),
    )


def season_plates() -> tuple[SeasonPlate, ...]:
    """Return the plates of the season."""
    return _first_plate(), _second_plate(), _third_plate()


def _cut(
    plate: str, at: datetime, method: Any, pieces: str, donor: str, note: str = ""
) -> LogEntry:
    """Return a cut with its pieces by the names that `track` gives them."""
    # Common practice, no source: a dip of about a minute after the cut.
    return LogEntry(
        plate=plate,
        at=at,
        kind="cut",
        method=method,
        individual=pieces,
        pieces=len(pieces.split()),
        donor=donor,
        dip="iodine dip, 1 minute",
        note=note,
    )


def season_log() -> tuple[LogEntry, ...]:
    """Return what the keeper wrote down through the season, in order."""

    def at(month: int, day: int, hour: int) -> datetime:
        return datetime(2024, month, day, hour, 30, tzinfo=ZONE)

    return (
        _cut("0017", at(3, 3, 10), "halves", "P01 P02", "A, 38 mm"),
        _cut("0017", at(3, 3, 11), "quarters", "P03 P04 P05 P06", "B, 42 mm"),
        _cut("0023", at(3, 4, 11), "margin", "P05 P06 P07 P08 P09", "C, 60 mm"),
        _cut("0031", at(3, 5, 8), "halves", "P01 P02", "D, 33 mm"),
        _cut(
            "0031",
            at(3, 5, 9),
            "quarters",
            "P04",
            "E, 36 mm",
            "the other three quarters went to another plate",
        ),
        _cut("0031", at(3, 5, 10), "margin", "P05 P06", "F, 45 mm"),
        LogEntry(
            plate="0031",
            at=at(3, 29, 8),
            kind="loss",
            pieces=1,
            note="the smaller of the two margin pieces came loose and was gone",
        ),
        LogEntry(
            plate="0031",
            at=at(4, 2, 9),
            kind="note",
            note="the quarter at the left edge is still open; flow turned down",
        ),
        LogEntry(
            plate="0017", at=at(4, 13, 14), kind="sale", pieces=1, note="the uncut disc of 24 mm"
        ),
        LogEntry(
            plate="0023",
            at=at(4, 15, 17),
            kind="division",
            note="the large one with two mouths has come apart",
        ),
    )
