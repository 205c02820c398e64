"""Which polyps are pieces of which logged cut."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from polypvision.events import LogEntry
from polypvision.healing import WoundCourse
from polypvision.track import Individual, PlateTracks

LONGEST_WAIT_DAYS = 60
"""A cut is not taken for the one that made a piece first seen longer after it: a raw wound closes
in one to three weeks (common practice, no source), so a date that far off is a slip of the pen."""


@dataclass(frozen=True, kw_only=True)
class CutPieces:
    """The pieces of the cuts of one plate.

    Attributes
    ----------
    cut_of : mapping of str to LogEntry
        The cut that made each piece, by the piece's name. Where several unnamed cuts of one day
        cannot be told apart, an entry that says only what they have in common.
    remarks : tuple of str
        What could not be told, and what to do, a sentence each.
    """

    cut_of: Mapping[str, LogEntry]
    remarks: tuple[str, ...]


def pieces_of_cuts(
    tracks: PlateTracks, log: Sequence[LogEntry], courses: Sequence[WoundCourse]
) -> CutPieces:
    """Return which polyps are pieces of which cut.

    A cut whose line names polyps made those that were first seen after it, and the daughters of
    those that were there before. A cut without names concerns the wounded that no other line
    names; two such cuts on one day are told apart by neither size nor place, so only what they
    have in common counts. A line with names completes one of the same day and way without.

    Parameters
    ----------
    tracks : PlateTracks
    log : sequence of LogEntry
    courses : sequence of WoundCourse
        Of the same tracks, in the same order.
    """
    cuts = sorted(
        (entry for entry in log if entry.kind == "cut"),
        key=lambda one: (one.at.replace(tzinfo=None), one.method or "", one.donor),
    )
    found: dict[str, LogEntry] = {}
    remarks: list[str] = []
    named = [entry for entry in cuts if entry.individuals]
    for entry in named:
        names, remark = _named_pieces(tracks, entry)
        # Of two cuts of one piece the later counts: its wound is the one that heals now.
        found |= dict.fromkeys(names, entry)
        remarks += remark
    completed = {(entry.at.date(), entry.method) for entry in named}
    unnamed = [
        entry
        for entry in cuts
        if not entry.individuals and (entry.at.date(), entry.method) not in completed
    ]
    for day in sorted({entry.at.date() for entry in unnamed}):
        same = [entry for entry in unnamed if entry.at.date() == day]
        names, remark = _unnamed_pieces(tracks, day, same, courses, set(found))
        found |= {name: _in_common(same) for name in names}
        remarks += remark
    return CutPieces(cut_of=found, remarks=tuple(remarks))


def _seen_before(individual: Individual, entry: LogEntry) -> bool:
    """Whether it was photographed before the cut; on one day the clocks decide."""
    return individual.first.taken_at.replace(tzinfo=None) < entry.at.replace(tzinfo=None)


def _named_pieces(tracks: PlateTracks, entry: LogEntry) -> tuple[list[str], list[str]]:
    known = {one.name: one for one in tracks.individuals}
    pieces: list[str] = []
    remarks: list[str] = []
    for name in entry.individuals:
        if name not in known:
            remarks.append(
                f"Plate {entry.plate}: the cut of {entry.at:%Y-%m-%d} names {name}, but no photo "
                "shows a polyp of that name. See polypvision track for the names."
            )
            continue
        one = known[name]
        if not _seen_before(one, entry):
            pieces.append(name)
            continue
        pieces += [
            child.name
            for child in tracks.individuals
            if name in child.parents and not _seen_before(child, entry)
        ]
        goes_on = one.last.taken_at.date() > entry.at.date()
        if goes_on and entry.method != "margin":
            pieces.append(name)  # The piece that kept the place kept the name.
    return pieces, remarks


def _unnamed_pieces(
    tracks: PlateTracks,
    day: date,
    entries: Sequence[LogEntry],
    courses: Sequence[WoundCourse],
    taken: set[str],
) -> tuple[list[str], list[str]]:
    plate = entries[0].plate
    photos = [photo.taken_at.date() for photo in tracks.photos]
    if not photos or day > photos[-1]:
        return [], [
            f"Plate {plate}: no photo since the cut of {day}. Its pieces count from the first "
            "photo that shows them."
        ]
    first_after = next(one for one in photos if one >= day)
    if (first_after - day).days > LONGEST_WAIT_DAYS:
        return [], [
            f"Plate {plate}: the cut of {day} lies {(first_after - day).days} days before the "
            "next photo, so its wounds cannot be followed. Is the date right?"
        ]
    wounded = [
        course.name
        for course in courses
        if course.status != "no wound"
        and course.name not in taken
        and course.cut_at is not None
        and course.cut_at.date() == day
    ]
    made = [entry.pieces for entry in entries]
    if None not in made and len(wounded) > sum(one or 0 for one in made):
        return [], [
            f"Plate {plate}: {len(wounded)} polyps had a wound after the cut of {day}, but "
            f"{sum(one or 0 for one in made)} pieces are logged, so it is not known which are the "
            f"pieces. {_naming(plate)}"
        ]
    common = _in_common(entries)
    differing = [
        word
        for word in ("method", "donor", "dip")
        if len({getattr(entry, word) for entry in entries}) > 1
    ]
    if differing and wounded:
        return wounded, [
            f"Plate {plate}: the cuts of {common.at:%Y-%m-%d} differ in {' and '.join(differing)} "
            f"and name no polyps, so their pieces are left out of that comparison. "
            f"{_naming(plate)}"
        ]
    return wounded, []


def _naming(plate: str) -> str:
    return (
        f"Name them: polypvision log cut {plate} --individual P01 --individual P02 ..., with the "
        "same date and method."
    )


def _in_common(entries: Sequence[LogEntry]) -> LogEntry:
    """Return one entry that says what all of them say."""
    first = entries[0]
    if len(entries) == 1:
        return first
    return replace(
        first,
        individual=None,
        pieces=None,
        method=first.method if len({one.method for one in entries}) == 1 else None,
        donor=first.donor if len({one.donor for one in entries}) == 1 else "",
        dip=first.dip if len({one.dip for one in entries}) == 1 else "",
        note="",
    )
