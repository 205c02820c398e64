"""What the logbook knows, put into pages. Reads and words only; nothing is written here."""

from collections.abc import Mapping
from datetime import date, datetime
from math import isfinite
from urllib.parse import urlencode

import numpy as np

from polypvision.errors import PhotoUnreadable, PlateUnknown
from polypvision.events import CUT_METHODS, LOG_KINDS
from polypvision.healing import WoundCourse
from polypvision.plan import PlateState
from polypvision.plates.done import DoneTask
from polypvision.plates.pictures import WIDTHS_PX
from polypvision.plates.view import Listed, PlateView
from polypvision.reading import Points, Polyp
from polypvision.reports import chart_names, chart_words
from polypvision.reports.looks import LOOKS, MARKS, State, state_of
from polypvision.reports.page import plate_title
from polypvision.reports.remarks import expected_words
from polypvision.reports.sayings import (
    CAUTIONS,
    NOTHING,
    date_words,
    number,
    photo_row,
    tiles,
    with_error,
)
from polypvision.store.facts import PlateSummary
from polypvision.store.readings import StoredPhoto
from polypvision.today import MOST_LISTED, Task, day_words
from polypvision.track import Individual, PlateTracks, TrackedPhoto
from polypvision.web.pages import (
    PLATES_SHOWN,
    Chart,
    Choice,
    Crop,
    DrawnPolyp,
    ExpectedPage,
    LogPage,
    OverviewPage,
    PhotoChoice,
    PhotoSheet,
    Picture,
    PlateCard,
    PlateSheetPage,
    Shell,
    StripPage,
    TaskRow,
    TodayPage,
)
from polypvision.words import counted

_ATTENTION = 3
"""Things that the overview says of a plate; its page says the rest."""
KIND_WORDS: dict[str, str] = {
    "cut": "Cut",
    "dip": "Dip",
    "loss": "Loss",
    "sale": "Sale",
    "division": "Division seen",
    "note": "Note",
}
"""What can be written down. A dip is a line of its own kind only here: the log has it as a note."""


def plate_key(plate: str) -> str:
    """Return a plate's name as part of an address: itself where it is plain, else in hexadecimal.

    Examples
    --------
    >>> plate_key("0042"), plate_key("a/b"), plate_key("x-1")
    ('0042', 'x-612f62', 'x-782d31')
    """
    plain = plate.isascii() and plate.replace("-", "").replace("_", "").isalnum()
    return plate if plain and not plate.startswith("x-") else f"x-{plate.encode().hex()}"


def plate_of_key(key: str) -> str:
    """Return the plate's name: the inverse of `plate_key`.

    Raises
    ------
    PlateUnknown
        If it is no such part.
    """
    if not key.startswith("x-"):
        return key
    try:
        return bytes.fromhex(key[2:]).decode()
    except ValueError as error:
        raise PlateUnknown("There is no such plate.") from error


def plate_href(plate: str) -> str:
    """Return the address of a plate's page."""
    return f"/plates/{plate_key(plate)}"


def log_href(plate: str, kind: str = "", individual: str = "") -> str:
    """Return the address of the log, with what is known filled in."""
    given = {"plate": plate, "kind": kind, "individual": individual}
    return "/log?" + urlencode({key: value for key, value in given.items() if value})


def picture_of(photo: StoredPhoto) -> Picture | None:
    """Return where a photo's scaled pictures are; None if it could not be decoded."""
    if photo.size_px is None:
        return None
    width, height = photo.size_px
    base = f"/photos/{photo.sha256}/scaled"
    # The smallest that is wider than the photo holds all of it; larger ones would be the same.
    wide = [one for one in WIDTHS_PX if one < width]
    widths = [*wide, *WIDTHS_PX[len(wide) : len(wide) + 1]]
    return Picture(
        src=f"{base}/{widths[min(1, len(widths) - 1)]}.jpg",
        srcset=", ".join(f"{base}/{one}.jpg {min(one, width)}w" for one in widths),
        width=width,
        height=height,
    )


def overview(found: Listed, *, words: str = "", start: int = 0) -> OverviewPage:
    """Return a page of the list of plates, those on it that need attention first.

    Parameters
    ----------
    found : Listed
    words : str
        What was looked for.
    start : int
        How many plates stand before this page.
    """
    cards = [card(one) if isinstance(one, PlateView) else _heading(one) for one in found.plates]
    cards.sort(key=lambda one: not one.attention)
    end = start + len(cards)

    def href(first: int) -> str:
        return "/plates?" + urlencode({"page": first // PLATES_SHOWN + 1, "find": words})

    return OverviewPage(
        shell=Shell(title="Plates", here="plates"),
        plates=tuple(cards),
        words=words,
        has_more=found.n_found > len(cards),
        span=f"{start + 1:,} to {end:,} of {found.n_found:,}" if cards else "",
        earlier=href(start - PLATES_SHOWN) if start else "",
        later=href(end) if cards and end < found.n_found else "",
    )


def _heading(summary: PlateSummary) -> PlateCard:
    """Return a plate that is still being worked out."""
    href, n = plate_href(summary.facts.plate), summary.n_photos
    return PlateCard(
        href=href,
        later=f"{href}/card",
        title=plate_title(summary.facts.plate),
        line=summary.facts.line,
        span=counted(n, "photo"),
        picture=None,
        tiles=(),
        attention=(),
        n_more=0,
    )


def card(view: PlateView) -> PlateCard:
    """Return a plate of the overview."""
    urgent = [one for one in view.page.advice if one.mark in ("worsening", "stalled", "lost")]
    urgent += [one for one in view.page.advice if one.heading == "Divided"]
    latest = view.tracks.photos[-1].sha256 if view.tracks.photos else None
    return PlateCard(
        href=plate_href(view.facts.plate),
        later="",
        title=view.page.title,
        line=view.facts.line,
        span=view.page.span,
        picture=picture_of(view.photos[latest]) if latest else None,
        tiles=tiles(view.tracks, list(view.courses.values()))[:3],
        attention=tuple(urgent[:_ATTENTION]),
        n_more=max(0, len(urgent) - _ATTENTION),
    )


def _path(points: Points) -> str:
    if not len(points):
        return ""
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z"


def _unit_px(polyps: tuple[Polyp, ...], side: int) -> float:
    """Height of the writing over a photo: from the discs, but neither hidden nor shouting."""
    sizes = [float(np.ptp(one.outline_px[:, 1])) for one in polyps if len(one.outline_px)]
    wanted = 0.3 * float(np.median(sizes)) if sizes else 0.0
    return float(np.clip(wanted, 0.018 * side, 0.03 * side))


def photo_sheet(view: PlateView, photo: TrackedPhoto) -> PhotoSheet:
    """Return a photo of a plate with what was read on it.

    Raises
    ------
    PhotoUnreadable
        If its size was never known.
    """
    picture = picture_of(view.photos[photo.sha256])
    if picture is None:
        raise PhotoUnreadable("This photo could not be opened when it was read.")
    polyps = photo.reading.polyps
    unit = _unit_px(polyps, max(picture.width, picture.height))
    row = photo_row(photo)
    return PhotoSheet(
        sha256=photo.sha256,
        words=date_words(photo.taken_at),
        picture=picture,
        unit=round(unit, 1),
        polyps=tuple(_drawn(view, photo, one, unit) for one in polyps),
        counts=f"{counted(photo.reading.n_polyps, 'polyp')}, {row.n_two_mouths} with two mouths"
        + (f"; {row.flags}" if row.flags else ""),
        correct_href=f"/photos/{photo.sha256}/correct",
    )


def _state_then(polyp: Polyp, name: str, view: PlateView, *, latest: bool) -> State:
    if latest and name:
        return state_of(view.tracks.individual(name), view.courses)
    if "two-mouths" in polyp.flags:
        return "two mouths"
    return "open wound" if "wound" in polyp.flags else "calm"


def _drawn(view: PlateView, photo: TrackedPhoto, polyp: Polyp, unit: float) -> DrawnPolyp:
    name = photo.names.get(polyp.label, "")
    state = _state_then(polyp, name, view, latest=photo is view.tracks.photos[-1])
    low = float(polyp.outline_px[:, 1].max()) if len(polyp.outline_px) else polyp.y_px
    deep = low - polyp.y_px
    said = [
        f"{name or f'no. {polyp.label}'}",
        f"{with_error(polyp.diameter_mm, polyp.diameter_mm_err)} mm",
        counted(polyp.n_mouths, "mouth"),
        LOOKS[state].word,
    ]
    y = low - 0.7 * unit if deep > 1.6 * unit else low + 0.9 * unit
    mark = MARKS.get(state, [])
    half = 0.36 * unit
    mark_x = polyp.x_px - 0.38 * unit * len(name or str(polyp.label)) - half
    return DrawnPolyp(
        label=polyp.label,
        name=name or str(polyp.label),
        href=f"{plate_href(view.facts.plate)}/polyps/{name}" if name else "",
        state=state.replace(" ", "-"),
        outline=_path(polyp.outline_px),
        wounds=tuple(_path(one) for one in polyp.wound_outlines_px),
        mouths=tuple((round(one.x_px, 1), round(one.y_px, 1)) for one in polyp.mouths),
        mark=" ".join(f"{mark_x + half * dx:.1f},{y - half + half * dy:.1f}" for dx, dy in mark),
        x=round(polyp.x_px, 1),
        y=round(y, 1),
        words=", ".join(one for one in said if one),
    )


def tracked_photo(tracks: PlateTracks, sha256: str | None) -> TrackedPhoto | None:
    """Return the photo of that hash among the plate's; the latest if none is asked for.

    Raises
    ------
    PhotoUnreadable
        If the plate has no such photo.
    """
    if not sha256:
        return tracks.photos[-1] if tracks.photos else None
    for photo in tracks.photos:
        if photo.sha256 == sha256:
            return photo
    raise PhotoUnreadable("This plate has no such photo.")


def plate_sheet(view: PlateView, sha256: str | None, beside: str | None) -> PlateSheetPage:
    """Return the page of a plate, with one photo or two chosen.

    Raises
    ------
    PhotoUnreadable
        If the plate has no such photo.
    """
    photos, href = view.tracks.photos, plate_href(view.facts.plate)
    chosen = tracked_photo(view.tracks, sha256)
    other = tracked_photo(view.tracks, beside) if beside else None
    shown = [one for one in (other, chosen) if one is not None]
    at = photos.index(chosen) if chosen else 0

    def stepped(step: int) -> str:
        if not 0 <= at + step < len(photos):
            return ""
        keep = {"photo": photos[at + step].sha256} | ({"beside": beside} if beside else {})
        return f"{href}?{urlencode(keep)}#photo"

    page = view.page
    said = {"growth": (page.growth_words, *page.growth_notes), "wounds": (page.wound_words,)}
    return PlateSheetPage(
        shell=Shell(title=page.title, here="plates"),
        title=page.title,
        line=page.line,
        span=page.span,
        href=href,
        log_href=log_href(view.facts.plate),
        tiles=page.tiles,
        advice=page.advice,
        remarks=view.tracks.remarks,
        choices=tuple(
            PhotoChoice(
                sha256=one.sha256,
                words=date_words(one.taken_at),
                chosen=one is chosen,
                beside=one is other,
            )
            for one in photos
        ),
        earlier=stepped(-1),
        later=stepped(1),
        sheets=tuple(photo_sheet(view, one) for one in shown),
        charts=tuple(
            _chart(view, name, " ".join((*said.get(name, ()), how)))
            for name, how in _CAPTIONS.items()
            if name in chart_names(view.state)
        ),
        wound_words=page.wound_words,
        lineage=_chart(view, "lineage", _LINEAGE_WORDS) if photos else None,
        lineage_words=page.division_words,
        expected_href=f"{href}/expected" if photos else "",
        polyps=page.polyps,
        gone=page.gone,
        happenings=page.happenings,
        cautions=page.cautions,
    )


_CAPTIONS = {
    "growth": "Bars are one standard uncertainty, at the discs open against usual 95 %; hatched: "
    "the whole plate was contracted. A cross ends who was lost or sold, a dotted line joins a "
    "polyp that divided to its daughters.",
    "wounds": "Counted from the first photo after the cut; grey: closed. Below 0 a wound is larger "
    "than on its first photo, as fresh ones often are.",
    "healing": "Dots: as read, with one standard uncertainty. Line and band: the closing that the "
    "areas speak for, and its 95 % limits. Black bar at the foot: between which photos it closed, "
    "or with a diamond when it is expected to, with 95 % probability.",
    "stages": "Each bar goes from the last photo without the stage, or the cut, to the first photo "
    "with it: on which day in between, nobody saw.",
}
"""How to read the charts of growth and wounds, in their order on the page."""
_LINEAGE_WORDS = (
    "A dot is a sighting, a double line two mouths, a dotted line leads from a polyp to its "
    "daughters; a hollow bar is when halves are expected to come apart, with 95 % probability."
)
_DATES_WORDS = (
    "Triangle: wound closed; diamond: halves apart; square: the size reached. A bar that ends in "
    "an arrow goes on, or has no end that can be given."
)
INKS = {"": "#1c2126", "-dark": "#f1e6d6"}
"""Text colours of the pages by day and by night, as in the style sheet."""


def _chart(view: PlateView, name: str, words: str, alt: str = "") -> Chart:
    # The state that it shows is part of its address, so that a browser can keep it.
    base, at = f"{plate_href(view.facts.plate)}/charts/{name}", f"?at={view.stamp[:STAMP_SHOWN]}"
    return Chart(
        light=f"{base}.svg{at}",
        dark=f"{base}-dark.svg{at}",
        alt=alt or chart_words(view.state, name, view.page.title),
        words=words,
    )


STAMP_SHOWN = 12


def expected(view: PlateView, foretold: PlateState) -> ExpectedPage:
    """Return the page of what is to come on a plate."""
    alt = chart_words(foretold, "dates", view.page.title)
    return ExpectedPage(
        shell=Shell(title=f"To come, {view.page.title}", here="plates"),
        plate_title=view.page.title,
        plate_href=plate_href(view.facts.plate),
        chart_of_dates=_chart(view, "dates", _DATES_WORDS, alt) if view.tracks.photos else None,
        sentences=expected_words(foretold),
    )


def strip(view: PlateView, name: str) -> StripPage:
    """Return the page of one polyp through time.

    Raises
    ------
    PhotoUnreadable
        If the plate has no polyp of that name.
    """
    individual = individual_of(view.tracks, name)
    href = plate_href(view.facts.plate)
    parents = " and ".join(individual.parents)
    words = f"From {parents}. " if parents else ""
    words += f"Seen on {len(individual.observations)} of "
    words += f"{counted(len(view.tracks.photos), 'photo')}."
    return StripPage(
        shell=Shell(title=f"{name}, {view.page.title}", here="plates"),
        plate_title=view.page.title,
        plate_href=href,
        name=name,
        words=words,
        crops=_crops(individual, view.courses, f"{href}/polyps/{name}"),
    )


def individual_of(tracks: PlateTracks, name: str) -> Individual:
    """Return an individual; PhotoUnreadable if there is none of that name."""
    try:
        return tracks.individual(name)
    except KeyError:
        raise PhotoUnreadable("This plate has no such polyp.") from None


def _crops(
    individual: Individual, courses: Mapping[str, WoundCourse], base: str
) -> tuple[Crop, ...]:
    found = []
    for seen, point in zip(individual.observations, courses[individual.name].points, strict=True):
        polyp, day = seen.polyp, date_words(seen.taken_at)
        wound = NOTHING
        if "wound" in polyp.flags:
            wound = f"{number(polyp.wound_mm2)} mm²"
            if isfinite(point.closure_percent):
                wound += f", {number(point.closure_percent, 0)} % closed"
        found.append(
            Crop(
                src=f"{base}/{seen.sha256}.jpg",
                date=day,
                diameter=f"{with_error(polyp.diameter_mm, polyp.diameter_mm_err)} mm",
                mouths=str(polyp.n_mouths),
                wound=wound,
                alt=f"{individual.name} on {day}",
            )
        )
    return tuple(found)


def today_page(
    due: tuple[Task, ...],
    done: tuple[DoneTask, ...],
    on: date,
    later: int,
    *,
    said: str = "",
    waiting: int = 0,
) -> TodayPage:
    """Return today's list.

    ``said`` tells what was just ticked off, ``waiting`` how many plates are not worked out yet.
    """
    remarks = []
    if later:
        photos = "photo is" if later == 1 else "photos are"
        remarks.append(
            f"{later} {photos} dated after today and left out; is a camera's clock wrong?"
        )
    if waiting:
        plates = "plate is" if waiting == 1 else "plates are"
        remarks.append(f"{waiting:,} {plates} still being worked out. Look again in a while.")
    if len(due) > MOST_LISTED:
        remarks.append(
            f"These are the {MOST_LISTED} most urgent of {len(due):,} things to do; "
            "polypvision today --all lists them all."
        )
    return TodayPage(
        shell=Shell(title="Today", here="today"),
        day=day_words(on),
        tasks=tuple(_task_row(task) for task in due[:MOST_LISTED]),
        done=tuple(
            _task_row(one.task, f"{one.author}, {one.at.astimezone():%d %b, %H:%M}")
            for one in done[:MOST_LISTED]
        ),
        said=said,
        remarks=tuple(remarks),
    )


def _task_row(task: Task, done: str = "") -> TaskRow:
    return TaskRow(
        key=task.key,
        plate=f"Plate {task.plate}" if task.plate else "",
        href=plate_href(task.plate) if task.plate else "",
        who=" ".join(task.who),
        what=task.what,
        why=task.why,
        log_href=_task_log_href(task),
        done=done,
    )


def _task_log_href(task: Task) -> str:
    kinds = {"lost": "loss", "divided": "division", "ready": "sale"}
    if not task.plate or task.kind in ("photo", "retake"):
        return ""
    who = task.who[0] if task.who else ""
    return log_href(task.plate, kinds.get(task.kind, "note"), who)


def log_page(
    names: list[str],
    view: PlateView | None,
    *,
    kind: str,
    individual: str,
    now: datetime,
    done: str = "",
) -> LogPage:
    """Return the page to write something down; for one plate once it is chosen."""
    plate = view.facts.plate if view else ""
    living = [one.name for one in view.tracks.individuals if one.end is None] if view else []
    kind = kind if kind in KIND_WORDS else LOG_KINDS[0]
    lines = [one for one in view.page.happenings if one.source == "log"] if view else []
    return LogPage(
        shell=Shell(title="Write it down", here="log"),
        plates=tuple(
            Choice(value=one, words=f"Plate {one}", chosen=one == plate)
            for one in (names if len(names) <= PLATES_SHOWN else ())
        ),
        n_plates=len(names),
        plate=plate,
        kinds=tuple(
            Choice(
                value=(f"/log?{urlencode({'plate': plate, 'kind': one})}"),
                words=words,
                chosen=one == kind,
            )
            for one, words in KIND_WORDS.items()
        ),
        kind=kind,
        individuals=tuple(
            Choice(value=one, words=one, chosen=one in individual.split()) for one in living
        ),
        methods=tuple(Choice(value=one, words=words) for one, words in CUT_METHODS.items()),
        now=f"{now:%Y-%m-%dT%H:%M}",
        cautions=CAUTIONS[:5],
        done=done,
        entries=tuple(lines),
    )
