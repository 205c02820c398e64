"""What is expected, what divides, and what a person must know first, in sentences."""

from collections import Counter
from datetime import date
from math import inf

from polypvision.plan import PlateState
from polypvision.reports.sayings import as_sentence, date_words
from polypvision.track import PlateTracks


def later_words(later: int, on: date) -> str:
    """Return what to do about photos dated later than the day asked for; empty without any."""
    if not later:
        return ""
    photos, are = ("1 photo", "is") if later == 1 else (f"{later} photos", "are")
    return (
        f"{photos} dated after {on.day} {on:%b %Y} {are} left out. If a date is wrong, read the "
        "photo again with --date."
    )


def expected_words(state: PlateState) -> tuple[str, ...]:
    """Return what is expected of living polyps and when, or why no date can be given, soonest
    first."""
    tracks = state.tracks
    if not tracks.photos:
        return ()
    start = tracks.photos[0].taken_at
    found: list[tuple[float, str]] = []
    for what, forecasts in (
        ("the wound of {} will be closed", state.closures),
        ("{} will have " + f"{state.size_mm:g} mm", state.sizes),
    ):
        for name, when in forecasts.items():
            if tracks.individual(name).end is not None or when.happened:
                continue
            if when.probability[0] >= 0.975:
                continue
            low, middle, high = when.dates(start)
            what_for = what.format(name)
            if middle is None:
                why = when.reason.removeprefix("no date can be given").lstrip(": ")
                found.append((inf, f"When {what_for} cannot be said: {why or when.reason}."))
                continue
            until = f"between {date_words(low or start)} and "
            until += date_words(high) if high is not None else "a date nobody can give"
            found.append(
                (when.day or 0.0, as_sentence(f"{what_for} about {date_words(middle)}, {until}"))
            )
    return tuple(words.replace("mm2", "mm²") for _, words in sorted(found))


def division_words(state: PlateState) -> tuple[str, ...]:
    """Return how far each is in dividing, a sentence each; those that came apart last."""
    later = sorted(state.fissions, key=lambda one: one.stage == "separated")
    return tuple(f"{one.name}: {one.sentence[:1].lower()}{one.sentence[1:]}" for one in later)


def growth_words(state: PlateState) -> tuple[str, ...]:
    """Return on which photos the whole plate was contracted, and who is smaller than before."""
    said = [one.sentence for one in state.growth.expansions if one.contracted]
    said += [f"{one.name}: {one.change}" for one in state.growth.individuals if one.change]
    return tuple(as_sentence(words.removesuffix(".")) for words in said)


def remark_words(state: PlateState) -> tuple[str, ...]:
    """Return what a person must know before reading on: photos set aside, pieces that changed
    places, identities left open, and lines of the log that do not fit the photos."""
    tracks = state.tracks
    said = [*tracks.remarks, *state.remarks]
    said += [
        f"Pieces changed places by {date_words(event.at)} ({' '.join(event.individuals)}): "
        f"{event.evidence}"
        for event in tracks.events
        if event.kind == "rearranged"
    ]
    open_names = [one.name for one in tracks.individuals if one.end == "open"]
    if open_names:
        said.append(
            f"Who {' and '.join(open_names)} {'is' if len(open_names) == 1 else 'are'} now is left "
            "open; name it in the log when you know"
        )
    said += _days_of_two(tracks)
    if tracks.photos:
        last = tracks.photos[-1].taken_at
        for entry in state.log:
            if entry.kind == "cut" and entry.at.date() > last.date():
                said.append(
                    f"The cut of {date_words(entry.at)} was logged for a day after the latest "
                    f"photo, {date_words(last)}, so no photo shows it yet; if the date is wrong, "
                    "correct the log"
                )
    return tuple(dict.fromkeys(as_sentence(words.removesuffix(".")) for words in said))


def _days_of_two(tracks: PlateTracks) -> list[str]:
    days = Counter(photo.taken_at.date() for photo in tracks.photos)
    return [
        f"{count} photos are of one day, {day.day} {day:%b %Y}; all are used, but they make "
        "one date only"
        for day, count in sorted(days.items())
        if count > 1
    ]
