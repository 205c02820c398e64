"""``polypvision repeat`` and ``polypvision agree``: how far to trust a reading."""

from pathlib import Path
from typing import Annotated

import typer

from polypvision.cli.common import (
    BarOption,
    ChartsOption,
    JsonOption,
    LogbookOption,
    ScaleOption,
    is_terminal,
    opened,
    progress_bar,
    show_table,
    write_charts,
    write_json,
)


def repeat(
    photos: Annotated[
        list[Path],
        typer.Argument(metavar="PHOTO", help="Photos of one plate taken at once, or a folder."),
    ],
    bar_mm: BarOption = None,
    mm_per_px: ScaleOption = None,
    charts: ChartsOption = None,
    json: JsonOption = None,
) -> None:
    """Show how much readings of one plate differ from photo to photo, though nothing changed.

    Take 5 to 10 photos within minutes, the camera moved each time. Repeatability standard
    deviation of diameter, area, wound, mouths and counts, and the smallest change that two single
    photos can show (1.96 times the root of 2 times that).
    """
    from polypvision.evaluate.repeat import repeats_lines, repeats_record, repeats_rows
    from polypvision.plates.agree import repeat_photos
    from polypvision.plates.read import ReadWishes
    from polypvision.reports import repeat_chart

    wishes = ReadWishes(bar_mm=bar_mm, mm_per_px=mm_per_px)
    with progress_bar("Reading") as progress:
        report = repeat_photos(photos, wishes, progress=progress)
    found = report.repeats
    write_json(json, repeats_record(found))
    sizes = (
        ("diameter", "mm", [one.values(lambda p: p.diameter_mm) for one in found.polyps]),
        ("area", "mm²", [one.values(lambda p: p.area_mm2) for one in found.polyps]),
    )
    write_charts(
        charts,
        (
            (what, repeat_chart(values, sd=found.sizes[key].sd, what=what, unit=unit))
            for key, (what, unit, values) in zip(("diameter_mm", "area_mm2"), sizes, strict=True)
        ),
    )
    for refusal in report.refused:
        typer.echo(f"Not read [{refusal.kind}]: {refusal.message}", err=True)
    if is_terminal(json):
        return
    heads = (
        "",
        "how\nmany",
        "mean",
        "SD",
        "95 % CI\nof the SD",
        "SD\n%",
        "smallest detectable\nchange",
    )
    show_table(heads, repeats_rows(found), numbers=heads[1:], words=heads[:1])
    for line in repeats_lines(found):
        typer.echo(line)


def agree(
    what: Annotated[
        str, typer.Argument(metavar="PLATE_OR_PHOTO", help="A plate of the logbook, or a photo.")
    ],
    table: Annotated[
        Path, typer.Argument(metavar="CSV", help="What was measured or counted by hand.")
    ],
    bar_mm: BarOption = None,
    mm_per_px: ScaleOption = None,
    charts: ChartsOption = None,
    json: JsonOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Compare the machine with callipers and hand counts.

    The table has a head line and any of: date, polyp, diameter_mm, area_mm2, wound_mm2, mouths,
    count. For a photo, polyp is its label; for a plate, its name (P03), and every row has a date.
    A row without a polyp gives the count of all. Shown are bias and limits of agreement (Bland and
    Altman) with their confidence intervals, the intraclass correlation ICC(2,1), and Cohen's kappa
    of the numbers of mouths.
    """
    from polypvision.evaluate.by_hand import QUANTITIES, hand_lines, hand_record
    from polypvision.evaluate.scores import MOUTH_CLASSES
    from polypvision.plates.agree import agree_with_photo, agree_with_plate
    from polypvision.plates.names import plate_name
    from polypvision.plates.read import ReadWishes
    from polypvision.reports import hand_chart, mouth_chart

    if Path(what).is_file():
        wishes = ReadWishes(bar_mm=bar_mm, mm_per_px=mm_per_px)
        report = agree_with_photo(Path(what), table, wishes)
    else:
        with opened(logbook) as book:
            report = agree_with_plate(book, plate_name(what), table)
    found = report.agreement
    write_json(json, hand_record(found))
    drawn = [
        (
            name.partition("_")[0],
            hand_chart(
                one.machine,
                one.hand,
                bias=one.limits.bias,
                limits=(one.limits.low, one.limits.high),
                bands=(one.limits.bias_ci, one.limits.low_ci, one.limits.high_ci),
                what=QUANTITIES[name][0].lower(),
                unit=QUANTITIES[name][1],
            ),
        )
        for name, one in found.quantities.items()
    ]
    if found.mouths.any():
        drawn.append(("mouths", mouth_chart(found.mouths, MOUTH_CLASSES)))
    write_charts(charts, drawn)
    if is_terminal(json):
        return
    for line in (*hand_lines(found), *report.not_found):
        typer.echo(line)
