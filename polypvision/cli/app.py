"""All commands in one place, in the order of a keeper's work."""

from typing import Annotated

import typer

from polypvision import __version__
from polypvision.cli.agree import agree, repeat
from polypvision.cli.card import card
from polypvision.cli.correct import correct
from polypvision.cli.evaluate import evaluate
from polypvision.cli.export import export
from polypvision.cli.forget import forget
from polypvision.cli.keep import backup, restore, verify
from polypvision.cli.lens import lens
from polypvision.cli.log import log_app
from polypvision.cli.plates import plates
from polypvision.cli.read import read
from polypvision.cli.render import render_command
from polypvision.cli.report import report
from polypvision.cli.room import outcomes, plan, today
from polypvision.cli.serve import serve
from polypvision.cli.track import track
from polypvision.cli.watch import watch

app = typer.Typer(
    name="polypvision",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="markdown",
    context_settings={"help_option_names": ["-h", "--help"]},
    help=(
        "Counts, measures and follows the polyps of a propagation plate from photos.\n\n"
        "Print a card, lay it on the plate, photograph it on several days; then: read --record "
        "the photos and make a report."
    ),
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"polypvision {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    pass


app.command()(card)
app.command()(lens)
app.command()(read)
app.command()(watch)
app.command()(plates)
app.command()(track)
app.command()(correct)
app.add_typer(log_app, name="log")
app.command()(forget)
app.command()(today)
app.command()(outcomes)
app.command()(plan)
app.command()(report)
app.command()(serve)
app.command()(export)
app.command()(backup)
app.command()(restore)
app.command()(verify)
app.command()(repeat)
app.command()(agree)
app.command(name="render")(render_command)
app.command()(evaluate)
