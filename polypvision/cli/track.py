"""``polypvision track``: the polyps of one plate from date to date."""

from typing import Annotated

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


def track(
    plate: Annotated[str, typer.Argument(metavar="PLATE", help="Code or name of the plate.")],
    json: JsonOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Follow the polyps of a plate: who is who, who grew, divided, or was lost."""
    from polypvision.plates.log import plate_name
    from polypvision.plates.show import tracks_of
    from polypvision.track import to_record

    with opened(logbook) as book:
        tracks = tracks_of(book, plate_name(plate))
    write_json(json, to_record(tracks))
    if is_terminal(json):
        return
    show_table(
        (
            "polyp",
            "from",
            "first seen",
            "last seen",
            "photos",
            "mm then",
            "mm now",
            "wound mm2",
            "",
        ),
        [
            (
                one.name,
                " ".join(one.parents),
                f"{one.first.taken_at:%Y-%m-%d}",
                f"{one.last.taken_at:%Y-%m-%d}",
                str(len(one.observations)),
                number(one.first.polyp.diameter_mm),
                number(one.last.polyp.diameter_mm),
                number(one.last.polyp.wound_mm2),
                one.end or ("two mouths" if "two-mouths" in one.last.polyp.flags else ""),
            )
            for one in tracks.individuals
        ],
        numbers=("photos", "mm then", "mm now", "wound mm2"),
    )
    for event in tracks.events:
        typer.echo(
            f"{event.at:%Y-%m-%d}  {event.kind}: {', '.join(event.individuals)}  ({event.evidence})"
        )
    typer.echo(
        f"Plate {tracks.plate}: {len(tracks.individuals)} polyps on {len(tracks.photos)} photos."
    )
