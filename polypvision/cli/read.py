"""``polypvision read``: photos become counts, sizes, mouths and wounds."""

from collections import Counter
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Annotated

import typer

from polypvision.cli.common import (
    BarOption,
    JobsOption,
    JsonOption,
    LogbookOption,
    PlateOption,
    ProfilesOption,
    ScaleOption,
    TrustDatesOption,
    check_above_zero,
    date_option,
    hash_cache,
    is_terminal,
    json_list,
    number,
    opened,
    progress_bar,
    show_table,
)
from polypvision.cli.report import write_pages
from polypvision.words import counted

if TYPE_CHECKING:
    from polypvision.plates.read import PhotoOutcome
    from polypvision.reading import PlateReading


def read(
    photos: Annotated[
        list[str],
        typer.Argument(
            metavar="PHOTO", help="Photos or folders of photos: paths, or addresses as s3://..."
        ),
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
    mm_per_px: ScaleOption = None,
    plate: PlateOption = None,
    bar_mm: BarOption = None,
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
    profiles: ProfilesOption = None,
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
    trust_dates: TrustDatesOption = False,
    again: Annotated[
        bool, typer.Option("--again", help="Read photos once more that are recorded already.")
    ] = False,
    jobs: JobsOption = None,
    dask: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Read on the Dask cluster whose scheduler is there, as tcp://host:8786.",
        ),
    ] = None,
    logbook: LogbookOption = None,
) -> None:
    """Read photos: how many polyps, how large, how many mouths, how much wound.

    With --record the readings are kept; reading the same folder twice changes nothing, and a
    reading that was stopped is completed by the same command. Photos are never changed.

    Exit status: 0 all read; 1 some photo could not be read (the others are); 2 bad usage.
    """
    if dask is not None and jobs is not None:
        raise typer.BadParameter("--jobs is of this computer, --dask of a cluster; leave one out.")
    if record is False and report is not None:
        raise typer.BadParameter("--report needs the photos recorded; leave --no-record out.")
    recording = record if record is not None else logbook is not None or report is not None

    from polypvision.batch.run import read_batch
    from polypvision.files.outputs import check_writable, make_folder
    from polypvision.files.photos import find_photos
    from polypvision.files.remote import place_of
    from polypvision.plates.names import plate_name
    from polypvision.plates.read import ReadWishes
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
    to_stderr = is_terminal(json)
    summary = _Summary(explain=explain)
    with ExitStack() as stack:
        book = stack.enter_context(opened(logbook, create=True)) if recording else None
        found = list(find_photos(map(place_of, photos)))
        if not found:
            raise typer.BadParameter(
                f"no photo found in {', '.join(photos)}.", param_hint="PHOTO..."
            )
        with json_list(json) as add, progress_bar("Reading") as progress, hash_cache(book) as known:
            for one in read_batch(
                found,
                wishes,
                logbook=book,
                jobs=jobs,
                cluster=dask,
                hashes=known,
                progress=progress,
            ):
                add(to_record(one.outcome, arrays=True))
                summary.add(one)
        summary.show(recording=recording, to_stderr=to_stderr)
        if report is not None and book is not None:
            write_pages(book, sorted(summary.plates), report, to_stderr=to_stderr)
    if summary.counts["refused"]:
        raise typer.Exit(1)


class _Summary:
    """What is told at the end; holds a line for each photo, not its reading."""

    def __init__(self, *, explain: int | None) -> None:
        self.counts = Counter[str]()
        self.plates: set[str] = set()
        self._explain = explain
        self._rows: list[tuple[tuple[str, ...], str, tuple[str, ...]]] = []
        self._refusals: list[str] = []
        self._explained: list[tuple[str, tuple[Sequence[str], Sequence[Sequence[str]]] | None]] = []

    def add(self, one: "PhotoOutcome") -> None:
        from polypvision.reading import Refusal

        self.counts[one.status] += 1
        if one.status == "forgotten":
            return
        if isinstance(one.outcome, Refusal):
            kept = f" ({one.remark})" if one.remark else ""
            self._refusals.append(f"Not read [{one.outcome.kind}]: {one.outcome.message}{kept}")
            return
        if one.outcome.plate:
            self.plates.add(one.outcome.plate)
        self._rows.append((_row(one.outcome), one.remark, one.outcome.flags))
        if self._explain is not None:
            self._explained.append(_explanation(one.outcome, self._explain))

    def show(self, *, recording: bool, to_stderr: bool) -> None:
        from polypvision.flags import FLAGS

        n = len(self._rows)
        seen = Counter(flag for _, _, flags in self._rows for flag in set(flags))
        if self._rows:
            # What is true of every photo is said once, below.
            rows = [
                (*row, ", ".join(filter(None, [remark, *(f for f in flags if seen[f] < n)])))
                for row, remark, flags in self._rows
            ]
            show_table(
                ("photo", "plate", "taken", *_NUMBERS, ""),
                rows,
                numbers=_NUMBERS,
                words=("photo", ""),
                to_stderr=to_stderr,
            )
        for flag in (flag for flag in FLAGS if flag in seen):
            typer.echo(f"{flag} ({seen[flag]} of {n}): {FLAGS[flag]}", err=to_stderr)
        for refusal in self._refusals:
            typer.echo(refusal, err=True)
        parts = [
            f"{self.counts[status]} {words}"
            for status, words in _WORDS.items()
            if self.counts[status]
        ]
        total = counted(self.counts.total(), "photo")
        typer.echo(f"{total}: {', '.join(parts)}.", err=to_stderr)
        if not recording:
            typer.echo("Nothing was recorded; add --record to keep the readings.", err=to_stderr)
        for line, table in self._explained:
            typer.echo(line, err=to_stderr)
            if table is not None:
                heads, lines = table
                show_table(heads, lines, numbers=heads[1:], words=heads[:1], to_stderr=to_stderr)


def _explanation(
    reading: "PlateReading", label: int
) -> tuple[str, tuple[Sequence[str], Sequence[Sequence[str]]] | None]:
    """Where one polyp's uncertainty comes from, in words and as a table."""
    from polypvision.measure.budget import budget_table

    name = Path(reading.facts.photo).name
    polyp = next((p for p in reading.polyps if p.label == label), None)
    if polyp is None or not polyp.budget:
        why = "there is no such polyp" if polyp is None else "what makes it up was not recorded"
        return f"{name}, polyp {label}: {why}.", None
    words = (
        f"{name}, polyp {label}: diameter {polyp.diameter_mm:.2f} ± "
        f"{polyp.diameter_mm_err:.2f} mm, wound {polyp.wound_mm2:.1f} ± "
        f"{polyp.wound_mm2_err:.1f} mm2 (one standard uncertainty)."
    )
    return words, budget_table(polyp)


_NUMBERS = ("polyps", "mouths", "two\nmouths", "median\nmm", "wound\nmm2")
_WORDS = {
    "read": "read",
    "recorded": "recorded",
    "again": "read again and recorded",
    "known": "known already",
    "forgotten": "left out, for they were forgotten",
    "refused": "not read",
}


def _row(reading: "PlateReading") -> tuple[str, ...]:
    sizes = [polyp.diameter_mm for polyp in reading.polyps]
    two = sum("two-mouths" in polyp.flags for polyp in reading.polyps)
    taken = reading.taken_at
    return (
        Path(reading.facts.photo).name,
        reading.plate or "-",
        f"{taken:%Y-%m-%d}" if taken else "-",
        str(reading.n_polyps),
        str(reading.n_mouths),
        str(two),
        number(median(sizes)) if sizes else "-",
        number(sum(polyp.wound_mm2 for polyp in reading.polyps)),
    )
