"""``polypvision evaluate``: readings against truth."""

from pathlib import Path
from typing import Annotated

import typer

from polypvision.cli.common import JsonOption, is_terminal, progress_bar, write_json


def evaluate(
    readings: Annotated[
        Path | None,
        typer.Argument(metavar="READINGS.json", help="What read --json wrote."),
    ] = None,
    truth: Annotated[
        Path | None,
        typer.Argument(metavar="TRUTH.json", help="What is really on the photos."),
    ] = None,
    forecasts: Annotated[
        int,
        typer.Option(
            metavar="N", min=0, help="Foretell N closures, sizes and rates of invented plates."
        ),
    ] = 0,
    stock: Annotated[
        int,
        typer.Option(metavar="N", min=0, help="Foretell the stock of N invented plates."),
    ] = 0,
    seed: Annotated[int, typer.Option(min=0, help="Chance of --forecasts and --stock.")] = 0,
    json: JsonOption = None,
) -> None:
    """Score readings against truth: counts, overlap, mouths, diameters and wounds.

    With --forecasts: how far dates foretold from the first half of a series are off, how often
    95 % intervals hold the truth, and what taking out the shared expansion gains. With --stock:
    how often the 95 % interval of the number of ready pieces held what became of the plates,
    foretold from photos of their first two to four weeks.
    """
    invented = bool(forecasts) + bool(stock)
    if invented == 1 and readings is None:
        (_forecasts if forecasts else _stock)(forecasts or stock, seed, json)
    elif readings is not None and truth is not None and not invented:
        _readings(readings, truth, json)
    else:
        raise typer.BadParameter("give READINGS.json and TRUTH.json, --forecasts N or --stock N.")


def _forecasts(count: int, seed: int, json: Path | None) -> None:
    from polypvision.evaluate.forecasts import forecast_record, forecast_rows, score_forecasts

    with progress_bar("Foretelling") as show:
        scores = score_forecasts(count, seed=seed, show=lambda done: show(done, 3 * count, ""))
    write_json(json, forecast_record(scores))
    if not is_terminal(json):
        for line in forecast_rows(scores):
            typer.echo(line)


def _stock(count: int, seed: int, json: Path | None) -> None:
    from polypvision.evaluate.stock import score_stock, stock_record, stock_rows

    with progress_bar("Foretelling") as show:
        scores = score_stock(count, seed=seed, show=lambda done: show(done, count, ""))
    write_json(json, stock_record(scores))
    if not is_terminal(json):
        for line in stock_rows(scores):
            typer.echo(line)


def _readings(readings: Path, truth: Path, json: Path | None) -> None:
    from polypvision.errors import TableError
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
        typer.echo(text(scores))
