"""What every page shows: a template uses all that its dataclass declares, and nothing else."""

from dataclasses import dataclass
from typing import ClassVar, Literal

from markupsafe import Markup

from polypvision import __version__
from polypvision.reports.retake import PhotoAnswer
from polypvision.reports.sayings import Advice, Happening, PolypRow, Tile

PLATES_SHOWN = 60
"""Plates on one page of the list."""
Here = Literal["photos", "plates", "today", "log", "cards", "desk", ""]


@dataclass(frozen=True, kw_only=True)
class Shell:
    """What surrounds every page: its title, which part it belongs to, whether this is the desk."""

    title: str
    here: Here = ""
    paired: bool = True
    version: str = __version__


@dataclass(frozen=True, kw_only=True)
class Page:
    """A page, or a part of one; ``template`` is the file that sets it out."""

    template: ClassVar[str]


@dataclass(frozen=True, kw_only=True)
class WholePage(Page):
    """A page with all that surrounds it."""

    shell: Shell


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A scaled photo: where it is, in which widths, and its size upright."""

    src: str
    srcset: str
    width: int
    height: int


@dataclass(frozen=True, kw_only=True)
class PlateCard:
    """A plate in the overview; with a ``later`` address only its heading, the rest is there."""

    href: str
    later: str
    title: str
    line: str
    span: str
    picture: Picture | None
    tiles: tuple[Tile, ...]
    attention: tuple[Advice, ...]
    n_more: int


@dataclass(frozen=True, kw_only=True)
class CardPart(Page):
    """One plate of the overview alone."""

    template: ClassVar[str] = "card.html"
    plate: PlateCard


@dataclass(frozen=True, kw_only=True)
class OverviewPage(WholePage):
    """A page of the list of plates.

    Attributes
    ----------
    plates : tuple of PlateCard
    words : str
        What was looked for.
    has_more : bool
        Whether the list has others than these.
    span : str
        Which these are, of how many.
    earlier, later : str
        Addresses of the pages before and after; empty at the ends.
    """

    template: ClassVar[str] = "overview.html"
    plates: tuple[PlateCard, ...]
    words: str
    has_more: bool
    span: str
    earlier: str
    later: str


@dataclass(frozen=True, kw_only=True)
class DrawnPolyp:
    """A polyp drawn over a photo, in the photo's own pixels.

    Attributes
    ----------
    label : int
        Its number on the photo.
    name : str
        Its name through time, or the number where it has none.
    href : str
        Its strip of pictures; empty without a name.
    state : str
        Of `reports.looks.LOOKS`, with hyphens.
    outline : str
        SVG path.
    wounds : tuple of str
        SVG paths.
    mouths : tuple of (x, y)
    mark : str
        Points of the state's mark, for SVG; empty for the ordinary.
    """

    label: int
    name: str
    href: str
    state: str
    outline: str
    wounds: tuple[str, ...]
    mouths: tuple[tuple[float, float], ...]
    mark: str
    x: float
    y: float
    words: str


@dataclass(frozen=True, kw_only=True)
class PhotoSheet:
    """A photo with what was read on it. ``unit`` is the height of its writing, photo pixels."""

    sha256: str
    words: str
    picture: Picture
    unit: float
    polyps: tuple[DrawnPolyp, ...]
    counts: str
    correct_href: str


@dataclass(frozen=True, kw_only=True)
class PhotoChoice:
    """A photo that can be chosen."""

    sha256: str
    words: str
    chosen: bool
    beside: bool


@dataclass(frozen=True, kw_only=True)
class Chart:
    """A chart that is loaded once it comes into view: where it is, by day and by night; what is
    read out instead; what stands below it."""

    light: str
    dark: str
    alt: str
    words: str


@dataclass(frozen=True, kw_only=True)
class PlateSheetPage(WholePage):
    """One plate through time."""

    template: ClassVar[str] = "plate.html"
    title: str
    line: str
    span: str
    href: str
    log_href: str
    tiles: tuple[Tile, ...]
    advice: tuple[Advice, ...]
    remarks: tuple[str, ...]
    choices: tuple[PhotoChoice, ...]
    earlier: str
    later: str
    sheets: tuple[PhotoSheet, ...]
    charts: tuple[Chart, ...]
    wound_words: str
    lineage: Chart | None
    lineage_words: tuple[str, ...]
    expected_href: str
    polyps: tuple[PolypRow, ...]
    gone: tuple[str, ...]
    happenings: tuple[Happening, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SheetPart(Page):
    """One photo of a plate alone, for the page that is open."""

    template: ClassVar[str] = "sheet.html"
    sheet: PhotoSheet


@dataclass(frozen=True, kw_only=True)
class ExpectedPage(WholePage):
    """What is expected on a plate, and when."""

    template: ClassVar[str] = "expected.html"
    plate_title: str
    plate_href: str
    chart_of_dates: Chart | None
    sentences: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Crop:
    """One polyp on one photo."""

    src: str
    date: str
    diameter: str
    mouths: str
    wound: str
    alt: str


@dataclass(frozen=True, kw_only=True)
class StripPage(WholePage):
    """One polyp through time."""

    template: ClassVar[str] = "strip.html"
    plate_title: str
    plate_href: str
    name: str
    words: str
    crops: tuple[Crop, ...]


@dataclass(frozen=True, kw_only=True)
class TakePage(WholePage):
    """Taking and sending photos."""

    template: ClassVar[str] = "take.html"
    max_bytes: int
    piece_bytes: int
    endings: str


@dataclass(frozen=True, kw_only=True)
class AnswerPart(Page):
    """What a photo told, for the page that sent it."""

    template: ClassVar[str] = "answer.html"
    sha256: str
    answer: PhotoAnswer
    remark: str
    plate_href: str
    today: str


@dataclass(frozen=True, kw_only=True)
class ScalePage(WholePage):
    """A scale given by two points on a photo without a card."""

    template: ClassVar[str] = "scale.html"
    sha256: str
    name: str
    picture: Picture
    plates: tuple[str, ...]
    needs_date: bool
    today: str


@dataclass(frozen=True, kw_only=True)
class CorrectPage(WholePage):
    """A photo on which its reading is put right.

    Attributes
    ----------
    widths : str
        Of the scaled pictures, pixels, blanks between.
    tile_px : int
        Side of its pieces at full sharpness.
    author : str
        Who corrects; empty: the page asks.
    """

    template: ClassVar[str] = "correct.html"
    sha256: str
    plate: str
    plate_href: str
    words: str
    picture: Picture
    widths: str
    tile_px: int
    author: str
    name_before: str
    name_most: int


@dataclass(frozen=True, kw_only=True)
class TaskRow:
    """One thing to do today, or that was done: then by whom and when."""

    key: str
    plate: str
    href: str
    who: str
    what: str
    why: str
    log_href: str
    done: str = ""


@dataclass(frozen=True, kw_only=True)
class TodayPage(WholePage):
    """What to do today."""

    template: ClassVar[str] = "today.html"
    day: str
    tasks: tuple[TaskRow, ...]
    done: tuple[TaskRow, ...]
    said: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Choice:
    """A value that a form offers."""

    value: str
    words: str
    chosen: bool = False


@dataclass(frozen=True, kw_only=True)
class LogPage(WholePage):
    """Writing down what photos cannot tell."""

    template: ClassVar[str] = "log.html"
    plates: tuple[Choice, ...]  # none where there are too many to choose from
    n_plates: int
    plate: str
    kinds: tuple[Choice, ...]
    kind: str
    individuals: tuple[Choice, ...]
    methods: tuple[Choice, ...]
    now: str
    cautions: tuple[str, ...]
    done: str
    entries: tuple[Happening, ...]


@dataclass(frozen=True, kw_only=True)
class CardsPage(WholePage):
    """Cards to print."""

    template: ClassVar[str] = "cards.html"
    kinds: tuple[Choice, ...]
    trouble: str
    max_cards: int


@dataclass(frozen=True, kw_only=True)
class DeviceRow:
    """A paired device."""

    number: int
    name: str
    since: str
    until: str


@dataclass(frozen=True, kw_only=True)
class DeskPage(WholePage):
    """What is done at the desk: pairing phones, backups."""

    template: ClassVar[str] = "desk.html"
    is_desk: bool
    on_network: bool
    link: str
    code_svg: Markup
    minutes: int
    devices: tuple[DeviceRow, ...]
    place: str


@dataclass(frozen=True, kw_only=True)
class MouthRow:
    """How people count the mouths of those to which the machine gives one number of them."""

    machine: str
    people: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class PeoplePage(WholePage):
    """How the machine compares with the people who corrected it."""

    template: ClassVar[str] = "people.html"
    tiles: tuple[Tile, ...]
    sentences: tuple[str, ...]
    chart_of_diameters: Chart | None
    classes: tuple[str, ...]
    mouths: tuple[MouthRow, ...]
    mouth_words: str


@dataclass(frozen=True, kw_only=True)
class PairPage(WholePage):
    """The page that a phone opens from the square code."""

    template: ClassVar[str] = "pair.html"


@dataclass(frozen=True, kw_only=True)
class TroublePage(WholePage):
    """Something could not be done."""

    template: ClassVar[str] = "trouble.html"
    heading: str
    words: str


PAGES: tuple[type[Page], ...] = (
    OverviewPage,
    CardPart,
    PlateSheetPage,
    SheetPart,
    ExpectedPage,
    StripPage,
    TakePage,
    AnswerPart,
    ScalePage,
    CorrectPage,
    TodayPage,
    LogPage,
    CardsPage,
    DeskPage,
    PeoplePage,
    PairPage,
    TroublePage,
)
