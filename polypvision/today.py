"""What the keeper should do today, and why: an ordered list from all plates."""

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, datetime, timedelta
from math import isfinite
from pathlib import PurePath
from typing import Any, Literal, get_args

from polypvision.events import SeenEvent
from polypvision.flags import FLAGS
from polypvision.plan import PlateState
from polypvision.reading import Refusal

TaskKind = Literal[
    "worsening",
    "stalled",
    "lost",
    "who is who",
    "joined",
    "retake",
    "divided",
    "will divide",
    "photo",
    "ready",
    "feed",
    "log",
]
TASK_KINDS: tuple[TaskKind, ...] = get_args(TaskKind)
"""The most urgent first."""

MOST_LISTED = 200
"""Things to do that are listed unless all are asked for: the most urgent."""
PHOTO_DAYS = (0, 3, 7, 14, 21, 28, 42, 56)
"""Days after a cut on which a plate is photographed: often while wounds close, then every second
week (common practice, no source)."""

_BAD_PHOTO = ("soft", "bright", "coarse")
"""Flags of a photo that a better one would mend."""


@dataclass(frozen=True, kw_only=True)
class TodaySettings:
    """What counts as due.

    Attributes
    ----------
    photo_days : tuple of int
        Days after a cut on which a photo is due.
    every_days : int
        After the last of them, and on plates without a cut, one is due so long after the last.
    retake_days : int
        A photo that could not be read is asked for again for so long.
    ask_days : int
        Who is who is asked for so long after the photo that raised the question; later nobody
        remembers.
    """

    photo_days: tuple[int, ...] = PHOTO_DAYS
    every_days: int = 28
    retake_days: int = 14
    ask_days: int = 28

    def __post_init__(self) -> None:
        days = self.photo_days
        if not days or min(days) < 0 or list(days) != sorted(set(days)):
            raise ValueError("photo_days must be different days from 0 on, in order")
        if self.every_days < 1:
            raise ValueError("every_days must be 1 or more")


@dataclass(frozen=True, kw_only=True)
class Task:
    """One thing to do.

    Attributes
    ----------
    kind : str
        One of `TASK_KINDS`.
    plate : str
        Empty where it is not known.
    who : tuple of str
        The polyps it concerns; empty if the whole plate.
    what : str
        What to do, a sentence.
    why : str
        The reason, a sentence.
    evidence : str
        What it rests on: figures, photos and dates.
    """

    kind: TaskKind
    plate: str
    who: tuple[str, ...] = ()
    what: str
    why: str
    evidence: str

    @property
    def key(self) -> str:
        """A short hash of the task with its reason and evidence: another as soon as those change,
        so that a task that was ticked off comes back when the reason comes again."""
        told = [self.kind, self.plate, list(self.who), self.what, self.why, self.evidence]
        return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:16]


@dataclass(frozen=True, kw_only=True)
class PlateDue:
    """What today's list needs to know of one plate, on whatever day: little against the plate.

    Attributes
    ----------
    plate : str
    tasks : tuple of Task
        What is to be done on any day.
    asked : tuple of (date, Task)
        Who is who, with the day of the photo that raised the question.
    cuts : tuple of date
        Days of cuts, in order.
    photographed : date or None
        Day of the last photo.
    folders : mapping of str to date
        Where its photos lie, and the day of the last one there.
    """

    plate: str
    tasks: tuple[Task, ...] = ()
    asked: tuple[tuple[date, Task], ...] = ()
    cuts: tuple[date, ...] = ()
    photographed: date | None = None
    folders: Mapping[str, date] = field(default_factory=dict)


def plate_due(state: PlateState) -> PlateDue:
    """Return what today's list needs to know of a plate."""
    makers: tuple[Callable[[PlateState], Iterable[Task]], ...] = (
        _wounds,
        _losses,
        _joined,
        _bad_photo,
        _divisions,
        _ready,
        _feed,
        _log,
    )
    photos = state.tracks.photos
    # In date order, so that the last of a folder stays.
    folders = {str(PurePath(one.reading.facts.photo).parent): one.taken_at.date() for one in photos}
    return PlateDue(
        plate=state.plate,
        tasks=tuple(task for make in makers for task in make(state)),
        asked=tuple(_who_is_who(state)),
        cuts=tuple(sorted({one.at.date() for one in state.log if one.kind == "cut"})),
        photographed=photos[-1].taken_at.date() if photos else None,
        folders=folders,
    )


def due_record(due: PlateDue) -> dict[str, Any]:
    """Return it as plain JSON values."""
    return {
        "tasks": [asdict(task) for task in due.tasks],
        "asked": [[day.isoformat(), asdict(task)] for day, task in due.asked],
        "cuts": [day.isoformat() for day in due.cuts],
        "photographed": due.photographed and due.photographed.isoformat(),
        "folders": {folder: day.isoformat() for folder, day in due.folders.items()},
    }


def due_from_record(plate: str, record: Mapping[str, Any]) -> PlateDue:
    """Return what `due_record` was made of."""

    def task(values: Mapping[str, Any]) -> Task:
        return Task(**{**values, "who": tuple(values["who"])})

    day = date.fromisoformat
    return PlateDue(
        plate=plate,
        tasks=tuple(task(one) for one in record["tasks"]),
        asked=tuple((day(when), task(one)) for when, one in record["asked"]),
        cuts=tuple(day(one) for one in record["cuts"]),
        photographed=day(record["photographed"]) if record["photographed"] else None,
        folders={folder: day(one) for folder, one in record["folders"].items()},
    )


def things_to_do(
    plates: Sequence[PlateState],
    on: date,
    *,
    refused: Sequence[Refusal] = (),
    settings: TodaySettings | None = None,
) -> tuple[Task, ...]:
    """Return what to do on a day, the most urgent first; the same every time it is asked.

    Parameters
    ----------
    plates : sequence of PlateState
        As they were known on that day: no photo and no line of the log from later.
    on : date
    refused : sequence of Refusal
        Photos that could not be read.
    settings : TodaySettings, optional

    Returns
    -------
    tuple of Task
        By kind in the order of `TASK_KINDS`, then by plate and polyp.
    """
    return all_due([plate_due(state) for state in plates], on, refused=refused, settings=settings)


def all_due(
    plates: Sequence[PlateDue],
    on: date,
    *,
    refused: Sequence[Refusal] = (),
    settings: TodaySettings | None = None,
) -> tuple[Task, ...]:
    """Return what `things_to_do` does, from what was found out of each plate before."""
    settings = settings or TodaySettings()
    found = [task for plate in plates for task in plate.tasks]
    found += [task for plate in plates for task in _photo_due(plate, on, settings)]
    found += [
        task
        for plate in plates
        for day, task in plate.asked
        if (on - day).days <= settings.ask_days
    ]
    found += _retakes(plates, refused, on, settings)
    order = {kind: n for n, kind in enumerate(TASK_KINDS)}
    return tuple(sorted(found, key=lambda one: (order[one.kind], one.plate, one.who, one.what)))


def day_words(when: date | datetime) -> str:
    """Return a date for people: 4 Mar 2031."""
    return f"{when.day} {when:%b %Y}"


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].removesuffix('.')}.".replace("mm2", "mm²")


def _wounds(state: PlateState) -> Iterable[Task]:
    for name in state.living:
        course = state.course(name)
        if course.status not in ("stalled", "worsening"):
            continue
        point = course.last
        error = f" ± {point.wound_mm2_err:.1f}" if isfinite(point.wound_mm2_err) else ""
        closed = (
            f", {point.closure_percent:.0f} % closed since the first photo of it"
            if isfinite(point.closure_percent)
            else ""
        )
        grows = course.status == "worsening"
        yield Task(
            kind="worsening" if grows else "stalled",
            plate=state.plate,
            who=(name,),
            what=f"Look at the wound of {name}: it {'grows' if grows else 'does not close'}.",
            why=_sentence(course.reason),
            evidence=f"{point.wound_mm2:.1f}{error} mm² on {day_words(point.taken_at)}{closed}",
        )


def _logged_loss(state: PlateState, event: SeenEvent) -> bool:
    """Whether the keeper has noted a loss or sale that may be this one."""
    since = (event.after or event.at).date()
    return any(
        entry.kind in ("loss", "sale")
        and (not entry.individuals or event.individuals[0] in entry.individuals)
        and since <= entry.at.date() <= event.at.date()
        for entry in state.log
    )


def _losses(state: PlateState) -> Iterable[Task]:
    if not state.tracks.photos:
        return
    latest = state.tracks.photos[-1].taken_at
    missing = [
        event
        for event in state.tracks.events
        if event.kind == "lost" and event.at == latest and not _logged_loss(state, event)
    ]
    if missing:
        who = tuple(event.individuals[0] for event in missing)
        yield Task(
            kind="lost",
            plate=state.plate,
            who=who,
            what=f"Look for {_names(who)}; if gone, write the loss down.",
            why=f"There on the photo before, not on that of {day_words(latest)}.",
            evidence="; ".join(
                f"{event.individuals[0]} {event.evidence} ({100 * event.confidence:.0f} % sure)"
                for event in missing
            ),
        )


def _names(who: Sequence[str]) -> str:
    return who[0] if len(who) == 1 else f"{', '.join(who[:-1])} and {who[-1]}"


def _who_is_who(state: PlateState) -> Iterable[tuple[date, Task]]:
    for event in state.tracks.events:
        if event.kind != "rearranged" or not event.individuals:
            continue
        before, now = _before_and_now(state, event)
        what = f"Look whether {_names(event.individuals)} changed places."
        if now:
            what = f"Say who {_names(now)} {'is' if len(now) == 1 else 'are'}"
            what += f": perhaps {_names(before)} of before." if before else "."
        task = Task(
            kind="who is who",
            plate=state.plate,
            who=event.individuals,
            what=what,
            why=_sentence(event.evidence),
            evidence=(
                f"Photo of {day_words(event.at)}, {100 * event.confidence:.0f} % sure; write it "
                f"down with: {_how_to_say(state.plate, event, before, now)}"
            ),
        )
        yield event.at.date(), task


def _before_and_now(state: PlateState, event: SeenEvent) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return whom an event is about that ended before it, and who began with it."""
    who = [one for one in state.tracks.individuals if one.name in event.individuals]
    now = tuple(one.name for one in who if one.first.taken_at == event.at)
    before = tuple(one.name for one in who if one.last.taken_at < event.at)
    return before, now


def _how_to_say(plate: str, event: SeenEvent, before: Sequence[str], now: Sequence[str]) -> str:
    """Return the command that settles who is who, for an example."""
    command = f"polypvision log same {plate}"
    if before and now:
        return f"{command} {now[0]}={before[0]}"
    on = f"--date {event.at:%Y-%m-%d}"
    if len(event.individuals) == 2:
        one, other = event.individuals
        return (
            f"{command} {one}={other} {other}={one} {on} if they did, "
            f"{one}={one} {other}={other} if not"
        )
    return f"{command} NOW=BEFORE {on}, for each of them"


def _joined(state: PlateState) -> Iterable[Task]:
    if not state.tracks.photos:
        return
    latest = state.tracks.photos[-1].taken_at
    for event in state.tracks.events:
        if event.kind == "joined" and event.at == latest:
            yield Task(
                kind="joined",
                plate=state.plate,
                who=event.individuals,
                what=f"Look at {_names(event.individuals)}: they were read as one.",
                why=_sentence(event.evidence),
                evidence=(
                    f"Photo of {day_words(latest)}, {100 * event.confidence:.0f} % sure; if both "
                    "are there, part them with a split: polypvision correct --help"
                ),
            )


def _bad_photo(state: PlateState) -> Iterable[Task]:
    if not state.tracks.photos:
        return
    latest = state.tracks.photos[-1]
    bad = [flag for flag in _BAD_PHOTO if flag in latest.reading.flags]
    if bad:
        yield Task(
            kind="retake",
            plate=state.plate,
            what="Take its latest photo again.",
            why=" ".join(FLAGS[flag] for flag in bad),
            evidence=_photo_words(latest.reading.facts.photo, latest.taken_at),
        )


def _photo_words(photo: str, taken_at: datetime | None) -> str:
    name = PurePath(photo).name
    return name if taken_at is None else f"{name}, {day_words(taken_at)}"


def _retakes(
    plates: Sequence[PlateDue],
    refused: Sequence[Refusal],
    on: date,
    settings: TodaySettings,
) -> list[Task]:
    seen = {due.plate: due.photographed for due in plates}
    folders: dict[str, date] = {}
    for due in plates:
        for folder, taken in due.folders.items():
            folders[folder] = max(taken, folders.get(folder, taken))
    tasks = []
    for one in refused:
        day = one.facts.taken_at.date() if one.facts.taken_at else None
        if day is not None and not 0 <= (on - day).days <= settings.retake_days:
            continue
        folder = str(PurePath(one.facts.photo).parent)
        last = seen.get(one.plate) if one.plate else folders.get(folder)
        if day is None or last is None or last < day:
            tasks.append(
                Task(
                    kind="retake",
                    plate=one.plate or "",
                    what=f"Take {PurePath(one.facts.photo).name} again.",
                    why=one.message,
                    evidence=_photo_words(one.facts.photo, one.facts.taken_at),
                )
            )
    return tasks


def _divisions(state: PlateState) -> Iterable[Task]:
    tracks = state.tracks
    if not tracks.photos:
        return
    latest = tracks.photos[-1]
    for event in tracks.events:
        if event.kind == "divided" and event.at == latest.taken_at:
            parent, *daughters = event.individuals
            yield Task(
                kind="divided",
                plate=state.plate,
                who=event.individuals,
                what=f"Give {_names(daughters)} room: {parent} has divided.",
                why=_sentence(event.evidence),
                evidence=(f"Seen on {day_words(event.at)}, {100 * event.confidence:.0f} % sure"),
            )
    for name in state.living:
        polyp = tracks.individual(name).last.polyp
        if "two-mouths" in polyp.flags:
            yield _will_divide(state, name)


def _will_divide(state: PlateState, name: str) -> Task:
    seen = state.tracks.individual(name).observations
    since = next(one for one in seen if "two-mouths" in one.polyp.flags)
    # Chen CLA et al. 1995, Zoological Studies 34(1):29-40, by way of a handbook: about two months.
    why = "It has two mouths: such a division takes about two months in all."
    if name in state.partings:
        why = _sentence(state.partings[name])
    return Task(
        kind="will divide",
        plate=state.plate,
        who=(name,),
        what=f"Leave {name} whole and keep room beside it: it will divide.",
        why=why,
        evidence=(
            f"Two mouths {100 * seen[-1].polyp.two_mouths_probability:.0f} % sure on "
            f"{day_words(seen[-1].taken_at)}, first seen on {day_words(since.taken_at)}; "
            f"{seen[-1].polyp.diameter_mm:.0f} mm"
        ),
    )


def _photo_due(due_of: PlateDue, on: date, settings: TodaySettings) -> Iterable[Task]:
    cuts = [day for day in due_of.cuts if day <= on]
    last = due_of.photographed
    seen = f"last photo on {day_words(last)}" if last else "no photo yet"

    def task(why: str) -> Task:
        return Task(
            kind="photo",
            plate=due_of.plate,
            what="Take a photo with the card.",
            why=why,
            evidence=seen[:1].upper() + seen[1:],
        )

    for cut in reversed(cuts):
        due = [day for day in settings.photo_days if cut + timedelta(days=day) <= on]
        if not due:
            continue
        day = due[-1]
        # A day or two early is as good, the less often photos are due.
        enough = cut + timedelta(days=day - min(3, day // 7))
        if last is None or last < enough:
            yield task(f"Day {day} after the cut of {day_words(cut)} is due.")
            return
        if day < settings.photo_days[-1]:
            return
    if last is None or (on - last).days >= settings.every_days:
        # In whole turns, so that one ticked off comes back when as much time has passed again.
        turns = 1 if last is None else (on - last).days // settings.every_days
        days = f"more than {turns * settings.every_days - 1} days since the last"
        yield task(f"It is {days}." if last else "It has no photo yet.")


def _ready(state: PlateState) -> Iterable[Task]:
    ready = tuple(
        name
        for name in state.living
        if state.ready(name) and "two-mouths" not in state.tracks.individual(name).last.polyp.flags
    )
    if not ready:
        return
    tracks = state.tracks
    sightings = {name: tracks.individual(name).observations for name in ready}
    new = [name for name in ready if len(sightings[name]) > 1 and not state.ready(name, seen=-2)]
    plural = "is" if len(ready) == 1 else "are"
    yield Task(
        kind="ready",
        plate=state.plate,
        who=ready,
        what=f"{_names(ready)} {plural} ready.",
        why=f"No open wound, a mouth, and at least {state.size_mm:g} mm.",
        evidence=(
            f"On {day_words(tracks.photos[-1].taken_at)}: "
            + ", ".join(f"{name} {sightings[name][-1].polyp.diameter_mm:.1f} mm" for name in ready)
            + (f"; new since the photo before: {', '.join(new)}" if new else "")
        ),
    )


def _feed(state: PlateState) -> Iterable[Task]:
    if not state.tracks.photos:
        return
    latest = state.tracks.photos[-1]
    cut = {piece.name: piece for piece in state.pieces}
    who = []
    for one in state.progress:
        mouth = one.of("mouth formed")
        if one.name in cut and one.name in state.living and mouth.by_day == latest.day:
            who.append(one.name)
    if who:
        yield Task(
            kind="feed",
            plate=state.plate,
            who=tuple(who),
            what=f"{_names(who)} can be fed: {'a mouth has' if len(who) == 1 else 'mouths have'} "
            "formed.",
            why="A piece without a mouth cannot eat; the latest photo is the first to show theirs.",
            evidence=f"First seen on {day_words(latest.taken_at)}",
        )


def _log(state: PlateState) -> Iterable[Task]:
    for remark in state.remarks:
        yield Task(
            kind="log",
            plate=state.plate,
            what="Complete the log.",
            why=remark,
            evidence="Lines of the log against the polyps on the photos",
        )
