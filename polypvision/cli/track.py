"""``polypvision track``: the polyps of one plate from date to date."""

from typing import TYPE_CHECKING, Annotated

import typer

from polypvision.cli.common import (
    JsonOption,
    LogbookOption,
    is_terminal,
    number,
    opened,
    show_table,
    write_json,
)
from polypvision.words import counted

if TYPE_CHECKING:
    from polypvision.healing import WoundCourse
    from polypvision.track import Individual


def track(
    plate: Annotated[str, typer.Argument(metavar="PLATE", help="Code or name of the plate.")],
    json: JsonOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Follow the polyps of a plate: who is who, who grew, healed, divided, or was lost."""
    from polypvision.plates.names import plate_name
    from polypvision.plates.show import course_record, courses_of
    from polypvision.track import fission_courses

    name = plate_name(plate)
    with opened(logbook) as book:
        tracks, courses = courses_of(book, name)
    write_json(json, course_record(tracks, courses))
    if is_terminal(json):
        return
    if tracks.individuals:
        show_table(
            ("polyp", "from", "first seen", "last seen", *_NUMBERS, ""),
            [_row(one, course) for one, course in zip(tracks.individuals, courses, strict=True)],
            numbers=_NUMBERS,
            words=("from",),
        )
    for event in tracks.events:
        typer.echo(
            f"{event.at:%Y-%m-%d}  {event.kind}: {', '.join(event.individuals)}  ({event.evidence})"
        )
    for course in fission_courses(tracks):
        if course.stage != "separated" and tracks.individual(course.name).end is None:
            typer.echo(f"{course.name}: {course.sentence}")
    for remark in tracks.remarks:
        typer.echo(remark)
    typer.echo(
        f"Plate {name}: {counted(len(tracks.individuals), 'polyp')} "
        f"on {counted(len(tracks.photos), 'photo')}."
    )


_NUMBERS = ("photos", "mm\nthen", "mm\nnow", "wound\nmm2", "closed\n%")


def _row(one: "Individual", course: "WoundCourse") -> tuple[str, ...]:
    state = "" if course.status == "no wound" else course.status
    return (
        one.name,
        " ".join(one.parents),
        f"{one.first.taken_at:%Y-%m-%d}",
        f"{one.last.taken_at:%Y-%m-%d}",
        str(len(one.observations)),
        number(one.first.polyp.diameter_mm),
        number(one.last.polyp.diameter_mm),
        number(one.last.polyp.wound_mm2),
        number(course.last.closure_percent, 0),
        one.end or ("two mouths" if "two-mouths" in one.last.polyp.flags else state),
    )
