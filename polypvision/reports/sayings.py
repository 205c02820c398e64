"""Results put into words and rounded figures for people; tables keep the full numbers."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from pathlib import PurePath

from polypvision.events import CUT_METHODS, LogEntry
from polypvision.flags import FLAGS
from polypvision.growth import LEAST_DATES, GrowthCourse
from polypvision.healing import WoundCourse
from polypvision.outcomes import DonorYield, group_words
from polypvision.reports.looks import LOOKS, State
from polypvision.track import Individual, PlateTracks, TrackedPhoto

NOTHING = "–"

CAUTIONS = (
    "Zoanthids, which may share a tray with mushrooms, can carry palytoxin: never boil, microwave "
    "or scrub them hot. If you feel ill after handling them, seek medical help and say so there.",
    "Wear cut-resistant gloves and eye protection for cutting; keep open cuts out of tank water.",
    "Unplug mains devices before hands or a phone go over the water; use a residual-current "
    "device.",
    "Dips: follow the label for dose and time.",
    "Never release animals or tank water. Ask your authority about permits before you ship.",
    "Sizes are read from photos, each with one standard uncertainty; flagged figures need a look.",
)


@dataclass(frozen=True, kw_only=True)
class Tile:
    """A number that matters, what it counts, and whether it asks for attention."""

    label: str
    value: str
    note: str
    alert: bool


@dataclass(frozen=True, kw_only=True)
class Advice:
    """Something flagged: what, whom it concerns, and what to do."""

    mark: str
    heading: str
    who: str
    text: str


@dataclass(frozen=True, kw_only=True)
class PolypRow:
    """One living polyp in figures, as on its latest photo."""

    name: str
    label: str
    parents: str
    mark: str
    status: str
    diameter: str
    area: str
    feret: str
    mouths: str
    two_mouths: str
    wound: str
    closure: str
    growth: str
    growth_note: str
    flags: str


@dataclass(frozen=True, kw_only=True)
class PhotoRow:
    """One photo: when, which, what was on it, and what was flagged."""

    date: str
    photo: str
    n_polyps: str
    n_two_mouths: str
    diameter: str
    flags: str


@dataclass(frozen=True, kw_only=True)
class Happening:
    """Something logged, or shown by the photos."""

    date: str
    what: str
    who: str
    text: str
    source: str


@dataclass(frozen=True, kw_only=True)
class DonorRow:
    """What one donor gave, in figures."""

    donor: str
    methods: str
    made: str
    followed: str
    there: str
    sold: str
    lost: str
    ready: str


def number(value: float, digits: int = 1) -> str:
    """Return a figure rounded; a dash where it is unknown."""
    return f"{value:.{digits}f}".replace("-", "−") if isfinite(value) else NOTHING


def with_error(value: float, error: float, digits: int = 1) -> str:
    """Return a figure with its standard uncertainty, where there is one."""
    if not isfinite(value) or not isfinite(error):
        return number(value, digits)
    return f"{number(value, digits)} ± {number(error, digits)}"


def date_words(when: datetime) -> str:
    """Return a date for people: 4 Mar 2031."""
    return f"{when.day} {when:%b %Y}"


def _count(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def lost_since_last(tracks: PlateTracks) -> tuple[str, ...]:
    """Return who was there on the photo before the latest and is not on it, sales left out."""
    if len(tracks.photos) < 2:
        return ()
    latest = tracks.photos[-1].taken_at
    return tuple(
        event.individuals[0]
        for event in tracks.events
        if event.kind == "lost"
        and event.at == latest
        and tracks.individual(event.individuals[0]).end == "lost"
    )


def tiles(tracks: PlateTracks, courses: Sequence[WoundCourse]) -> tuple[Tile, ...]:
    """Return the numbers that matter most."""
    living = {one.name for one in tracks.individuals if one.end is None}
    latest = tracks.photos[-1] if tracks.photos else None
    two = sum("two-mouths" in one.flags for one in latest.reading.polyps) if latest else 0
    there = [one for one in courses if one.name in living]
    wounded = sum(one.wounded for one in there)
    stuck = sum(one.status in ("stalled", "worsening") for one in there)
    lost = lost_since_last(tracks)
    return (
        Tile(
            label="living polyps",
            value=str(latest.reading.n_polyps if latest else 0),
            note="on the latest photo",
            alert=False,
        ),
        Tile(label="with two mouths", value=str(two), note="may divide", alert=False),
        Tile(label="open wounds", value=str(wounded), note="closing or not", alert=False),
        Tile(
            label="stalled or worsening", value=str(stuck), note="of these wounds", alert=stuck > 0
        ),
        Tile(
            label="lost since the photo before",
            value=str(len(lost)),
            note=" ".join(lost),
            alert=bool(lost),
        ),
    )


def advice(tracks: PlateTracks, courses: Sequence[WoundCourse]) -> tuple[Advice, ...]:
    """Return what was flagged and what to do, the most urgent first."""
    if not tracks.photos:
        return ()
    found: list[Advice] = []
    living = {one.name for one in tracks.individuals if one.end is None}
    for status, heading, text in (
        ("worsening", "Wound growing", "Look at it soon, and note what you see in the log."),
        ("stalled", "Wound not closing", "Look at its edge, and note what you see in the log."),
    ):
        for course in courses:
            if course.status == status and course.name in living:
                found.append(
                    Advice(
                        mark=status,
                        heading=heading,
                        who=course.name,
                        text=f"{as_sentence(course.reason)} {text}",
                    )
                )
    latest = tracks.photos[-1]
    for event in tracks.events:
        if event.kind == "lost" and event.individuals[0] in lost_since_last(tracks):
            found.append(
                Advice(
                    mark="lost",
                    heading="Not found",
                    who=event.individuals[0],
                    text=f"{as_sentence(event.evidence)} Look for it; if it is gone, log the loss.",
                )
            )
        if event.kind == "divided" and event.at == latest.taken_at:
            found.append(
                Advice(
                    mark="two mouths",
                    heading="Divided",
                    who=" ".join(event.individuals),
                    text=f"{as_sentence(event.evidence)} Log the division if you agree.",
                )
            )
    for flag, sentence in FLAGS.items():
        if flag in latest.reading.flags:
            found.append(Advice(mark="photo", heading="Latest photo", who="", text=sentence))
        who = [
            latest.names[polyp.label]
            for polyp in latest.reading.polyps
            if flag in polyp.flags and polyp.label in latest.names
        ]
        # An ordinary wound that is closing needs no advice of its own.
        if who and flag != "wound":
            mark = "two mouths" if flag == "two-mouths" else "polyp"
            heading = flag.replace("-", " ").capitalize()
            found.append(
                Advice(mark=mark, heading=heading, who=" ".join(sorted(who)), text=sentence)
            )
    return tuple(found)


def as_sentence(words: str) -> str:
    """Return words with a capital first and a stop last."""
    return f"{words[:1].upper()}{words[1:]}.".replace("mm2", "mm²")


def polyp_row(
    individual: Individual, course: WoundCourse, growth: GrowthCourse, state: State
) -> PolypRow:
    """Return the figures of one polyp on its latest photo."""
    seen = individual.last
    polyp = seen.polyp
    point = course.last
    rate = growth.rate
    has_wound = course.status != "no wound"
    return PolypRow(
        name=individual.name,
        label=str(seen.label),
        parents=" ".join(individual.parents),
        mark=state,
        status=LOOKS[state].word or ("closed" if course.status == "closed" else NOTHING),
        diameter=with_error(polyp.diameter_mm, polyp.diameter_mm_err),
        area=with_error(polyp.area_mm2, polyp.area_mm2_err, 0),
        feret=number(polyp.feret_max_mm),
        mouths=str(polyp.n_mouths),
        two_mouths=(
            f"{100 * polyp.two_mouths_probability:.0f} %"
            if isfinite(polyp.two_mouths_probability)
            else NOTHING
        ),
        wound=with_error(point.wound_mm2, point.wound_mm2_err) if has_wound else NOTHING,
        closure=(
            f"{with_error(point.closure_percent, point.closure_percent_err, 0)} %"
            if has_wound and isfinite(point.closure_percent)
            else NOTHING
        ),
        growth=(
            NOTHING
            if rate is None
            else f"{with_error(rate.percent_per_week, rate.percent_per_week_err)} %"
        ),
        growth_note=_growth_note(growth),
        flags=", ".join(flag.replace("-", " ") for flag in polyp.flags),
    )


def _growth_note(growth: GrowthCourse) -> str:
    """Return what a person must know beside a rate; empty if nothing."""
    rate = growth.rate
    if rate is None:
        return f"needs {LEAST_DATES} dates"
    notes = []
    if not rate.told:
        notes.append("not told from zero")
    if rate.odd is not None:
        notes.append("one photo does not fit")
    if growth.wounded:
        notes.append("was wounded")
    return ", ".join(notes)


def donor_row(one: DonorYield) -> DonorRow:
    """Return the yield of one donor in figures."""
    return DonorRow(
        donor=one.donor,
        methods=", ".join(group_words("method", method) for method in one.methods) or NOTHING,
        made=NOTHING if one.made is None else str(one.made),
        followed=str(one.followed),
        there=str(one.there),
        sold=str(one.sold),
        lost=str(one.lost),
        ready=str(one.ready),
    )


def gone_words(individual: Individual, tracks: PlateTracks) -> str:
    """Return what became of a polyp that is not there any more."""
    last = date_words(individual.last.taken_at)
    if individual.end == "divided":
        daughters = [one.name for one in tracks.individuals if individual.name in one.parents]
        return f"{individual.name} divided into {' and '.join(daughters)} after {last}."
    if individual.end == "sold":
        return f"{individual.name} was sold; last seen on {last}."
    if individual.end == "open":
        return (
            f"{individual.name} changed places with others; last known for sure on {last}. It is "
            "there under a new name, or gone."
        )
    return f"{individual.name} was lost; last seen on {last}."


def photo_row(photo: TrackedPhoto) -> PhotoRow:
    """Return one photo in figures."""
    polyps = photo.reading.polyps
    sizes = sorted(polyp.diameter_mm for polyp in polyps)
    middle = (sizes[(len(sizes) - 1) // 2] + sizes[len(sizes) // 2]) / 2 if sizes else float("nan")
    return PhotoRow(
        date=date_words(photo.taken_at),
        photo=PurePath(photo.reading.facts.photo).name,
        n_polyps=str(len(polyps)),
        n_two_mouths=str(sum("two-mouths" in polyp.flags for polyp in polyps)),
        diameter=number(middle),
        flags=", ".join(flag.replace("-", " ") for flag in photo.reading.flags),
    )


def _logged(entry: LogEntry) -> str:
    parts = []
    if entry.method is not None:
        parts.append(CUT_METHODS[entry.method])
    if entry.pieces is not None:
        parts.append(_count(entry.pieces, "piece", "pieces"))
    if entry.donor:
        parts.append(f"from {entry.donor}")
    if entry.dip:
        parts.append(f"dip: {entry.dip}")
    if entry.note:
        parts.append(entry.note)
    return "; ".join(parts)


def happenings(tracks: PlateTracks, log: Sequence[LogEntry]) -> tuple[Happening, ...]:
    """Return what was logged and what the photos showed, in date order."""
    dated = [
        (
            entry.at.replace(tzinfo=None),
            0,
            Happening(
                date=date_words(entry.at),
                what=entry.kind,
                who=entry.individual or "plate",
                text=_logged(entry),
                source="log",
            ),
        )
        for entry in log
    ]
    dated += [
        (
            event.at.replace(tzinfo=None),
            1,
            Happening(
                date=date_words(event.at),
                what=event.kind,
                who=" ".join(event.individuals),
                text=f"{event.evidence}; confidence {100 * event.confidence:.0f} %",
                source="photos",
            ),
        )
        for event in tracks.events
    ]
    return tuple(one for _, _, one in sorted(dated, key=lambda each: each[:2]))
