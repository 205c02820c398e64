"""``polypvision render``: plates described as tables become photos with exact truth."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from polypvision.words import counted

if TYPE_CHECKING:
    import pandas as pd

    from polypvision.render.scene import Scene

_Out = Annotated[Path, typer.Option(metavar="DIR", help="Folder to write into.")]


def render_command(
    scene: Annotated[
        Path | None,
        typer.Argument(
            metavar="[SCENE.csv]",
            help="Photos table. The things on them are in things.csv beside it, or --things.",
        ),
    ] = None,
    out: _Out = Path("rendered"),
    things: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Table of the things on the photos.")
    ] = None,
    season: Annotated[
        bool, typer.Option("--season", help="The invented season of sample_images.")
    ] = False,
    random: Annotated[
        int, typer.Option(metavar="N", min=0, help="This many plates by chance.")
    ] = 0,
    seed: Annotated[
        int, typer.Option(min=0, help="Chance of --random; same seed, same photos.")
    ] = 0,
) -> None:
    """Paint photos of invented plates, with the exact truth of what is on them.

    Writes the photos; truth.json, in the shape that read --json writes; truth.csv; and the
    tables that describe the scenes, which can be changed and rendered again.
    """
    if sum([scene is not None, season, random > 0]) != 1:
        raise typer.BadParameter("give one of SCENE.csv, --season or --random N.")
    if season:
        _season(out)
    elif scene is not None:
        _photos(_from_tables(scene, things), out, out, out)
    else:
        _photos(_by_chance(random, seed), out, out, out)


def _by_chance(count: int, seed: int) -> "tuple[Scene, ...]":
    import numpy as np

    from polypvision.render.chance import random_scene

    return tuple(
        random_scene(np.random.default_rng([seed, number]), photo=f"plate{number:03d}.jpg")
        for number in range(count)
    )


def _read(path: Path) -> "pd.DataFrame":
    import pandas as pd

    from polypvision.errors import TableError

    try:
        return pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except FileNotFoundError:
        raise TableError(f"There is no table {path}; check its name, or give --things.") from None
    except (OSError, ValueError) as error:
        raise TableError(f"{path} cannot be read as CSV: {error}. Save it again as CSV.") from None


def _from_tables(photos: Path, things: Path | None) -> "tuple[Scene, ...]":
    from polypvision.render.tables import scenes_from_tables

    return scenes_from_tables(_read(photos), _read(things or photos.with_name("things.csv")))


def _csv(path: Path, table: "pd.DataFrame") -> None:
    from polypvision.files.outputs import make_folder, write_text

    make_folder(path.parent)
    write_text(path, table.to_csv(index=False, lineterminator="\n"))


def _compact(records: list[dict[str, Any]]) -> str:
    """One photo a line: outlines are long, and nobody reads them by eye."""
    import json

    lines = (json.dumps(record, separators=(",", ":"), allow_nan=False) for record in records)
    return "[\n" + ",\n".join(lines) + "\n]\n"


def _photos(scenes: "tuple[Scene, ...]", out: Path, truth: Path, tables: Path) -> None:
    """Write photos under ``out``, their truth and their tables into the two folders."""
    import numpy as np

    from polypvision.cli.common import progress_bar
    from polypvision.files.outputs import make_folder, write_bytes, write_text
    from polypvision.render.photo import jpeg_bytes, render_scene, sha256_of
    from polypvision.render.tables import tables_from_scenes
    from polypvision.render.truth import truth_record, truth_table

    records: list[dict[str, Any]] = []
    with progress_bar("Painting") as show:
        for number, scene in enumerate(scenes):
            show(number, len(scenes), scene.photo)
            photo = render_scene(scene, np.random.default_rng(scene.seed))
            data = jpeg_bytes(photo, scene)
            path = out / scene.photo
            make_folder(path.parent)
            write_bytes(path, data)
            records.append(truth_record(photo, scene, sha256_of(data)))
    make_folder(truth)
    write_text(truth / "truth.json", _compact(records))
    _csv(truth / "truth.csv", truth_table(records))
    for name, table in zip(("photos", "things"), tables_from_scenes(scenes), strict=True):
        _csv(tables / f"{name}.csv", table)
    typer.echo(f"Painted {counted(len(scenes), 'photo')} into {out}.")


def _season(out: Path) -> None:
    from polypvision.render.season import season
    from polypvision.render.season_tables import event_table, individual_table, log_table

    story = season()
    _photos(story.scenes, out, out / "truth", out / "scenes")
    _csv(out / "log.csv", log_table(story))
    _csv(out / "truth" / "events.csv", event_table(story))
    _csv(out / "truth" / "individuals.csv", individual_table(story))
