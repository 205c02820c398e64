"""``polypvision evaluate``: readings against truth."""

from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from polypvision.cli.common import (
    ChartsOption,
    JsonOption,
    LogbookOption,
    is_terminal,
    opened,
    progress_bar,
    write_charts,
    write_json,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from polypvision.evaluate.probabilities import Scores

_Scores = TypeVar("_Scores")
_Score = Callable[[int, int, Path | None], None]


def evaluate(
    readings: Annotated[
        Path | None,
        typer.Argument(metavar="READINGS.json", help="What read --json wrote."),
    ] = None,
    truth: Annotated[
        Path | None,
        typer.Argument(metavar="TRUTH.json", help="What is really on the photos."),
    ] = None,
    series: Annotated[
        int,
        typer.Option(
            metavar="N", min=0, help="Follow this many invented plates through time instead."
        ),
    ] = 0,
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
    uncertainty: Annotated[
        int,
        typer.Option(
            metavar="N", min=0, help="Draw and read N plates; do the intervals hold the truth?"
        ),
    ] = 0,
    gates: Annotated[
        int,
        typer.Option(
            metavar="N", min=0, help="Spoil photos of N plates; are they refused or flagged?"
        ),
    ] = 0,
    probabilities: Annotated[
        int,
        typer.Option(
            metavar="N", min=0, help="Read N painted pictures of each sort; are readers too sure?"
        ),
    ] = 0,
    people: Annotated[
        bool,
        typer.Option("--people", help="Compare the machine with people's corrections so far."),
    ] = False,
    seed: Annotated[int, typer.Option(min=0, help="Chance of the invented plates.")] = 0,
    jobs: Annotated[
        int,
        typer.Option(
            metavar="N", min=1, help="Processes to spread drawn plates and pictures over."
        ),
    ] = 1,
    charts: ChartsOption = None,
    json: JsonOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Score readings against truth: counts, overlap, mouths, diameters and wounds.

    With --series: who is who, divisions, losses and births on invented plates of 16 polyps and 8
    dates, one of them missing. With --forecasts: how far dates foretold from the first half of a
    series are off, how often 95 % intervals hold the truth, and what taking out the shared
    expansion gains. With --stock: how often the 95 % interval of the number of ready pieces held
    what became of the plates, foretold from photos of their first two to four weeks.

    With --uncertainty: plates with a small card at one end, tilted, with discs of all heights under
    water of all depths, a bent lens and blur; how often the 95 % intervals hold the true diameter
    and wound, and how far off sizes are with and without what was said of height, water and lens.
    --json also writes every plate and polyp of it.

    With --gates: plates drawn well, and spoiled in every way that a photo can be; how often that is
    said with the right remedy, and how often good photos are complained of. --json also writes what
    was said of each photo.

    With --probabilities: how often what is said with a probability is so, before and after
    calibration: that something is a polyp, and that it has two mouths. Brier score, expected
    calibration error (10 bins of equal number), and with --charts a reliability diagram.

    With --people: count bias, limits of agreement of diameters, and mouths; the machine's
    readings in the logbook against what people made of them.
    """
    invented: dict[_Score, int] = {
        _series: series,
        _forecasts: forecasts,
        _stock: stock,
        partial(_uncertainty, jobs=jobs): uncertainty,
        partial(_gates, jobs=jobs): gates,
        partial(_probabilities, jobs=jobs, charts=charts): probabilities,
    }
    asked = [(score, count) for score, count in invented.items() if count]
    if people and readings is None and not asked:
        _people(logbook, json)
    elif len(asked) == 1 and readings is None and not people:
        [(score, count)] = asked
        score(count, seed, json)
    elif readings is not None and truth is not None and not asked and not people:
        _readings(readings, truth, json)
    else:
        raise typer.BadParameter(
            "give READINGS.json and TRUTH.json, --series N, --forecasts N, --stock N, "
            "--uncertainty N, --gates N, --probabilities N or --people."
        )


def _people(logbook: str | None, json: Path | None) -> None:
    from polypvision.evaluate.agreement import agreement_lines, agreement_record
    from polypvision.plates.correct import machine_against_people

    with opened(logbook) as book:
        found = machine_against_people(book)
    write_json(json, agreement_record(found))
    if not is_terminal(json):
        for line in agreement_lines(found):
            typer.echo(line)


def _scored(
    doing: str,
    total: int,
    json: Path | None,
    score: Callable[[Callable[[int], None]], _Scores],
    record: Callable[[_Scores], Any],
    lines: Callable[[_Scores], Iterable[str]],
) -> None:
    """Score with progress shown, write the record, and print the lines unless it went there."""
    with progress_bar(doing) as show:
        scores = score(lambda done: show(done, total, ""))
    write_json(json, record(scores))
    if not is_terminal(json):
        for line in lines(scores):
            typer.echo(line)


def _series(count: int, seed: int, json: Path | None) -> None:
    from polypvision.evaluate import follow as of

    _scored(
        "Following", count, json,
        lambda show: of.follow_series(count, seed=seed, show=show),
        of.follow_record,
        lambda scores: (f"{name:30s}{figures}" for name, figures in of.follow_rows(scores)),
    )  # fmt: skip


def _forecasts(count: int, seed: int, json: Path | None) -> None:
    from polypvision.evaluate import forecasts as of

    _scored(
        "Foretelling", 3 * count, json,
        lambda show: of.score_forecasts(count, seed=seed, show=show),
        of.forecast_record, of.forecast_rows,
    )  # fmt: skip


def _stock(count: int, seed: int, json: Path | None) -> None:
    from polypvision.evaluate import stock as of

    _scored(
        "Foretelling", count, json,
        lambda show: of.score_stock(count, seed=seed, show=show),
        of.stock_record, of.stock_rows,
    )  # fmt: skip


def _uncertainty(count: int, seed: int, json: Path | None, jobs: int) -> None:
    from polypvision.evaluate import uncertainty as of

    _scored(
        "Reading", count, json,
        lambda show: of.score_uncertainty(count, seed=seed, jobs=jobs, show=show),
        of.uncertainty_record, of.uncertainty_lines,
    )  # fmt: skip


def _gates(count: int, seed: int, json: Path | None, jobs: int) -> None:
    from polypvision.evaluate import gates as of

    _scored(
        "Reading", count, json,
        lambda show: of.score_gates(count, seed=seed, jobs=jobs, show=show),
        of.gates_record, of.gates_lines,
    )  # fmt: skip


def _probabilities(
    count: int, seed: int, json: Path | None, jobs: int, charts: Path | None
) -> None:
    from polypvision.evaluate import probabilities as of

    with progress_bar("Reading") as show:
        scores = of.score_probabilities(
            count, seed=seed, jobs=jobs, show=lambda done: show(done, len(of.GROUPS) * count, "")
        )
    write_json(json, of.probabilities_record(scores))
    write_charts(charts, ((claim, _reliability(claim, scores)) for claim in scores))
    if not is_terminal(json):
        for line in of.probabilities_lines(scores):
            typer.echo(line)


def _reliability(claim: str, scores: "Scores") -> "Figure":
    from polypvision.evaluate.probabilities import CLAIMS, Bin, reliability
    from polypvision.reports import Reliability, reliability_chart

    def line(bins: list[Bin]) -> Reliability:
        return Reliability(
            said=[one.said for one in bins],
            share=[one.share for one in bins],
            low=[one.low for one in bins],
            high=[one.high for one in bins],
        )

    panels = {
        group: {
            "before": line(reliability(claims.before, claims.true)),
            "after": line(reliability(claims.after, claims.true)),
        }
        for group, claims in scores[claim].items()
    }
    return reliability_chart(panels, what=CLAIMS[claim])


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
