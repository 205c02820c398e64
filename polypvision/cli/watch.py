"""``polypvision watch``: photos read as they arrive."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from polypvision.cli.common import (
    BarOption,
    JobsOption,
    LogbookOption,
    PlateOption,
    ProfilesOption,
    ScaleOption,
    TrustDatesOption,
    hash_cache,
    opened,
)


def watch(
    folder: Annotated[
        str,
        typer.Argument(
            metavar="FOLDER", help="Folder that photos come into, with its sub-folders."
        ),
    ],
    mm_per_px: ScaleOption = None,
    plate: PlateOption = None,
    bar_mm: BarOption = None,
    profiles: ProfilesOption = None,
    trust_dates: TrustDatesOption = False,
    every: Annotated[
        float, typer.Option(metavar="S", min=0.2, help="Seconds from one look to the next.")
    ] = 2.0,
    jobs: JobsOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Read and record photos as they arrive in a folder, until stopped with Ctrl-C.

    A photo is read when it is whole: unchanged for three seconds, and closed as its format
    closes; names that say the file is not finished are passed over. What is on record is not
    read again, however often this is stopped and started. Works on network shares.
    """
    from polypvision.batch.watch import watch as watch_folder
    from polypvision.files.remote import place_of
    from polypvision.plates.names import plate_name
    from polypvision.plates.read import ReadWishes

    place = place_of(folder)
    if isinstance(place, Path) and not place.is_dir():
        raise typer.BadParameter(f"there is no folder {folder}.", param_hint="FOLDER")
    wishes = ReadWishes(
        mm_per_px=mm_per_px,
        plate=None if plate is None else plate_name(plate),
        bar_mm=bar_mm,
        profiles=profiles,
        trust_dates=trust_dates,
    )

    def tell(kind: str, line: str) -> None:
        typer.echo(f"{datetime.now():%H:%M:%S} {line}", err=kind != "read")

    with opened(logbook, create=True) as book, hash_cache(book) as known, _until_stopped() as stop:
        typer.echo(f"Watching {place}; Ctrl-C stops.", err=True)
        watch_folder(
            place,
            wishes,
            logbook=book,
            stop=stop,
            tell=tell,
            jobs=jobs,
            hashes=known,
            every_s=every,
        )
    typer.echo("Stopped. What was recorded is kept.", err=True)


@contextmanager
def _until_stopped() -> Iterator[threading.Event]:
    """An event that Ctrl-C, or a system that shuts down, sets."""
    stop = threading.Event()

    def stopped(*_: Any) -> None:
        stop.set()

    signals = (signal.SIGINT, signal.SIGTERM)
    before = {one: signal.signal(one, stopped) for one in signals}
    try:
        yield stop
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)
