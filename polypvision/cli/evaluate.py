"""``polypvision evaluate``: readings against truth."""

from pathlib import Path
from typing import Annotated

import typer

from polypvision.cli.common import JsonOption, is_terminal, write_json


def evaluate(
    readings: Annotated[
        Path, typer.Argument(metavar="READINGS.json", help="What read --json wrote.")
    ],
    truth: Annotated[
        Path, typer.Argument(metavar="TRUTH.json", help="What is really on the photos.")
    ],
    json: JsonOption = None,
) -> None:
    """Score readings against truth: counts, overlap, mouths, diameters and wounds."""
    from polypvision.errors import TableError
    from polypvision.evaluate.breakdown import breakdown
    from polypvision.evaluate.score import score
    from polypvision.evaluate.tables import text, to_json
    from polypvision.files.tables import read_json

    tables = []
    for path in (readings, truth):
        value = read_json(path)
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            raise TableError(f"{path} is not a list of photos. Give the file that --json wrote.")
        tables.append(value)
    scores = score(*tables)
    write_json(json, to_json(scores))
    if not is_terminal(json):
        typer.echo(f"{text(scores)}\n\n{breakdown(scores)}")
