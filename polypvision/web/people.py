"""How the machine compares with the people who corrected it, as a page."""

from math import isfinite

import numpy as np
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from polypvision.evaluate.agreement import Agreement, agreement_sentences
from polypvision.evaluate.scores import MOUTH_CLASSES
from polypvision.reports.sayings import NOTHING, Tile
from polypvision.web.office import office_of
from polypvision.web.pages import Chart, MouthRow, PeoplePage, Shell
from polypvision.web.setting import shown
from polypvision.web.views import INKS

_CHART_WORDS = (
    "Each mark is a polyp that both have: how much larger the machine has it, against the mean of "
    "the two. Between the limits lie about 95 of 100 differences (Bland and Altman 1986). Outlines "
    "that a person left alone count as agreed."
)


def people_page(request: Request) -> Response:
    """How the machine compares with people so far."""
    return shown(people(office_of(request).views.agreement()))


def people_chart(request: Request) -> Response:
    """The chart of it."""
    name, dash, night = request.path_params["name"].partition("-")
    views, ink = office_of(request).views, INKS.get(dash + night)
    if name != "diameters" or ink is None or not views.agreement().pairs:
        raise HTTPException(404)
    return Response(views.agreement_svg(ink), media_type="image/svg+xml")


def people(found: Agreement) -> PeoplePage:
    """Return the comparison as a page; without any correction it says so."""
    chart = None
    if found.pairs:
        alt = f"Differences of {len(found.pairs)} diameters, machine minus person."
        chart = Chart(
            light="/people/diameters.svg",
            dark="/people/diameters-dark.svg",
            alt=alt,
            words=_CHART_WORDS,
        )
    return PeoplePage(
        shell=Shell(title="Machine and people", here="desk"),
        tiles=_tiles(found) if found.n_photos else (),
        sentences=tuple(agreement_sentences(found)),
        chart_of_diameters=chart,
        classes=MOUTH_CLASSES,
        mouths=tuple(
            MouthRow(machine=name, people=tuple(int(n) for n in row))
            for name, row in zip(MOUTH_CLASSES, found.mouths, strict=True)
        ),
        mouth_words=_mouth_words(found),
    )


def _tiles(found: Agreement) -> tuple[Tile, ...]:
    agreed = int(np.trace(found.mouths))
    spread = f"SD {found.count_sd:.2f}" if isfinite(found.count_sd) else "one photo"
    tiles = (
        ("photos corrected", str(found.n_photos), f"same count on {found.n_exact}"),
        ("polyps too many a photo", f"{found.count_bias:+.2f}", spread),
        (
            "mm too large",
            f"{found.diameters.bias:+.2f}" if found.pairs else NOTHING,
            f"{found.diameters.n} diameters",
        ),
        ("mouths agreed", f"{agreed} of {found.n_same}", "polyps that both have"),
    )
    return tuple(
        Tile(label=label, value=value.replace("-", "−"), note=note, alert=False)
        for label, value, note in tiles
    )


def _mouth_words(found: Agreement) -> str:
    words = "Rows are the machine's numbers of mouths, columns people's."
    if isfinite(found.kappa):
        words += (
            f" Cohen's kappa is {found.kappa:.2f}: 1 would be full agreement, 0 no more than by "
            "chance."
        )
    return words
