"""The templates of the pages that stand alone."""

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined


@cache
def environment() -> Environment:
    """Return what fills the templates in; it keeps them compiled."""
    return Environment(
        loader=PackageLoader("polypvision.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
