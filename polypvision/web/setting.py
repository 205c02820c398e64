"""Pages set out as HTML, and as answers."""

from dataclasses import fields
from functools import cache

from jinja2 import ChoiceLoader, Environment, PackageLoader, PrefixLoader, StrictUndefined
from starlette.responses import HTMLResponse

from polypvision.web.pages import Page, Shell, TroublePage


@cache
def environment() -> Environment:
    """Return where the templates are; everything they are given is escaped."""
    return Environment(
        loader=ChoiceLoader(
            [
                PackageLoader("polypvision.web"),
                # Marks, tiles and tables are those of the pages that stand alone.
                PrefixLoader({"reports": PackageLoader("polypvision.reports")}),
            ]
        ),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def html(page: Page) -> str:
    """Return a page as HTML."""
    values = {field.name: getattr(page, field.name) for field in fields(page)}
    return environment().get_template(page.template).render(values)


def shown(page: Page, status: int = 200) -> HTMLResponse:
    """Return a page as an answer."""
    return HTMLResponse(html(page), status_code=status)


def trouble(status: int, heading: str, words: str, *, paired: bool = True) -> HTMLResponse:
    """Return the page that says what could not be done."""
    shell = Shell(title=heading, paired=paired)
    return shown(TroublePage(shell=shell, heading=heading, words=words), status)
