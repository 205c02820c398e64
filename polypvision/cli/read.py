"""``polypvision read``: photos become counts, sizes, mouths and wounds."""

from collections import Counter
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Annotated

import typer

from polypvision.cli.common import (
    JsonOption,
    LogbookOption,
    check_above_zero,
    date_option,
    is_terminal,
    number,
    opened,
    progress_bar,
    show_table,
    write_json,
)
from polypvision.cli.report import write_pages
from polypvision.words import counted

if TYPE_CHECKING:
    from polypvision.plates.read import PhotoOutcome


def read(
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO", help="Photos, or folders of photos.")
    ],
    json: JsonOption = None,
    record: Annotated[
        bool | None,
        typer.Option(
            "--record/--no-record",
            show_default="no, unless --logbook or --report is given",
            help="Keep the readings in the logbook.",
        ),
    ] = None,
    report: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Record, then write the pages of these plates to DIR."),
    ] = None,
    mm_per_px: Annotated[
        float | None,
        typer.Option(
            metavar="X", callback=check_above_zero, help="Scale of photos that have no card."
        ),
    ] = None,
    plate: Annotated[
        str | None, typer.Option(metavar="NAME", help="The plate, where no card tells it.")
    ] = None,
    bar_mm: Annotated[
        float | None,
        typer.Option(
            metavar="X",
            callback=check_above_zero,
            help="Length of the card's printed bar, measured with callipers.",
        ),
    ] = None,
    normal_mouths: Annotated[
        int | None,
        typer.Option(min=1, help="Mouths that a polyp of this line has when it is not dividing."),
    ] = None,
    disc_height_mm: Annotated[
        float | None,
        typer.Option(
            metavar="X",
            help="How far the oral discs stand above the card; negative if the card is higher.",
        ),
    ] = None,
    disc_height_err_mm: Annotated[
        float | None, typer.Option(metavar="X", min=0, help="Its standard uncertainty.")
    ] = None,
    water_depth_mm: Annotated[
        float | None,
        typer.Option(
            metavar="X",
            min=0,
            help="Water above the discs, seen from the air through its surface or a pane parallel "
            "to the plate. A card higher than the surface is dry.",
        ),
    ] = None,
    water_depth_err_mm: Annotated[
        float | None, typer.Option(metavar="X", min=0, help="Its standard uncertainty.")
    ] = None,
    port_mm: Annotated[
        float | None,
        typer.Option(
            metavar="X",
            callback=check_above_zero,
            help="From the lens to a pane before it, square to the line of sight, with card and "
            "polyps in the water behind it.",
        ),
    ] = None,
    salinity: Annotated[
        float | None,
        typer.Option(metavar="X", help="Of the water, per mille.", show_default="35"),
    ] = None,
    temperature_c: Annotated[
        float | None,
        typer.Option(metavar="X", help="Of the water, degrees Celsius.", show_default="25"),
    ] = None,
    profiles: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Lens profiles that polypvision lens wrote.",
            show_default="calibration, beside the logbook",
        ),
    ] = None,
    explain: Annotated[
        int | None,
        typer.Option(
            metavar="LABEL", min=1, help="Show where this polyp's uncertainty comes from."
        ),
    ] = None,
    date: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="For photos with no date in them or in their name."),
    ] = None,
    trust_dates: Annotated[
        bool, typer.Option("--trust-dates", help="Record dates in the future, too.")
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="Read photos once more that are recorded already.")
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Read photos: how many polyps, how large, how many mouths, how much wound.

    With --record the readings are kept; reading the same folder twice changes nothing, and a
    reading that was stopped is completed by the same command. Photos are never changed.

    Exit status: 0 all read; 1 some photo could not be read (the others are); 2 bad usage.
    """
    if record is False and report is not None:
        raise typer.BadParameter("--report needs the photos recorded; leave --no-record out.")
    recording = record if record is not None else logbook is not None or report is not None

    from polypvision.files.outputs import check_writable, make_folder
    from polypvision.plates.names import plate_name
    from polypvision.plates.read import ReadWishes, read_photos
    from polypvision.reading import to_record

    wishes = ReadWishes(
        mm_per_px=mm_per_px,
        bar_mm=bar_mm,
        plate=None if plate is None else plate_name(plate),
        normal_mouths=normal_mouths,
        disc_height_mm=disc_height_mm,
        disc_height_err_mm=disc_height_err_mm,
        water_depth_mm=water_depth_mm,
        water_depth_err_mm=water_depth_err_mm,
        port_mm=port_mm,
        salinity=salinity,
        temperature_c=temperature_c,
        profiles=profiles,
        date=date_option(date),
        trust_dates=trust_dates,
        again=again,
    )
    # Places to write are tried first: hours of reading must not end in a mistyped folder.
    if json is not None and not is_terminal(json):
        check_writable(json)
    if report is not None:
        make_folder(report)
    with ExitStack() as stack:
        book = stack.enter_context(opened(logbook, create=True)) if recording else None
        with progress_bar("Reading") as progress:
            outcomes = read_photos(photos, wishes, logbook=book, progress=progress)
        if not outcomes:
            raise typer.BadParameter(
                f"no photo found in {', '.join(map(str, photos))}.", param_hint="PHOTO..."
            )
        write_json(json, [to_record(outcome.outcome) for outcome in outcomes])
        _show(outcomes, recording=recording, to_stderr=is_terminal(json))
        if explain is not None:
            _explain(outcomes, explain, to_stderr=is_terminal(json))
        if report is not None and book is not None:
            left_out = ("refused", "forgotten")
            seen = {one.outcome.plate for one in outcomes if one.status not in left_out}
            write_pages(book, sorted(filter(None, seen)), report, to_stderr=is_terminal(json))
    if any(outcome.status == "refused" for outcome in outcomes):
        raise typer.Exit(1)


def _show(outcomes: "Sequence[PhotoOutcome]", *, recording: bool, to_stderr: bool) -> None:
    from polypvision.flags import FLAGS
    from polypvision.reading import PlateReading, Refusal

    readings = [one.outcome for one in outcomes if isinstance(one.outcome, PlateReading)]
    seen = {flag for reading in readings for flag in reading.flags}
    # What is true of every photo is said once, below.
    shared = {flag for flag in seen if all(flag in reading.flags for reading in readings)}
    if readings:
        show_table(
            ("photo", "plate", "taken", *_NUMBERS, ""),
            [_row(one, shared) for one in outcomes if isinstance(one.outcome, PlateReading)],
            numbers=_NUMBERS,
            words=("photo", ""),
            to_stderr=to_stderr,
        )
    for flag in (flag for flag in FLAGS if flag in seen):
        n = sum(flag in reading.flags for reading in readings)
        typer.echo(f"{flag} ({n} of {len(readings)}): {FLAGS[flag]}", err=to_stderr)
    for one in outcomes:
        if one.status == "refused" and isinstance(one.outcome, Refusal):
            kept = f" ({one.remark})" if one.remark else ""
            typer.echo(f"Not read [{one.outcome.kind}]: {one.outcome.message}{kept}", err=True)
    counts = Counter[str](one.status for one in outcomes)
    parts = [f"{counts[status]} {words}" for status, words in _WORDS.items() if counts[status]]
    typer.echo(f"{counted(len(outcomes), 'photo')}: {', '.join(parts)}.", err=to_stderr)
    if not recording:
        typer.echo("Nothing was recorded; add --record to keep the readings.", err=to_stderr)


def _explain(outcomes: "Sequence[PhotoOutcome]", label: int, *, to_stderr: bool) -> None:
    from polypvision.measure.budget import budget_table
    from polypvision.reading import PlateReading

    for one in outcomes:
        if not isinstance(one.outcome, PlateReading):
            continue
        name = Path(one.outcome.facts.photo).name
        polyp = next((p for p in one.outcome.polyps if p.label == label), None)
        if polyp is None or not polyp.budget:
            why = "there is no such polyp" if polyp is None else "what makes it up was not recorded"
            typer.echo(f"{name}, polyp {label}: {why}.", err=to_stderr)
            continue
        typer.echo(
            f"{name}, polyp {label}: diameter {polyp.diameter_mm:.2f} ± "
            f"{polyp.diameter_mm_err:.2f} mm, wound {polyp.wound_mm2:.1f} ± "
            f"{polyp.wound_mm2_err:.1f} mm2 (one standard uncertainty).",
            err=to_stderr,
        )
        heads, rows = budget_table(polyp)
        show_table(heads, rows, numbers=heads[1:], words=heads[:1], to_stderr=to_stderr)


_NUMBERS = ("polyps", "mouths", "two\nmouths", "median\nmm", "wound\nmm2")
_WORDS = {
    "read": "read",
    "recorded": "recorded",
    "again": "read again and recorded",
    "known": "known already",
    "forgotten": "left out, for they were forgotten",
    "refused": "not read",
}


def _row(one: "PhotoOutcome", shared: set[str]) -> tuple[str, ...]:
    from polypvision.reading import PlateReading

    reading = one.outcome
    assert isinstance(reading, PlateReading)
    sizes = [polyp.diameter_mm for polyp in reading.polyps]
    two = sum("two-mouths" in polyp.flags for polyp in reading.polyps)
    taken = reading.taken_at
    remarks = [one.remark, *(flag for flag in reading.flags if flag not in shared)]
    return (
        Path(reading.facts.photo).name,
        reading.plate or "-",
        f"{taken:%Y-%m-%d}" if taken else "-",
        str(reading.n_polyps),
        str(reading.n_mouths),
        str(two),
        number(median(sizes)) if sizes else "-",
        number(sum(polyp.wound_mm2 for polyp in reading.polyps)),
        ", ".join(filter(None, remarks)),
    )
