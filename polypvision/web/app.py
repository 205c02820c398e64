"""The pages and their addresses: thin over `plates`, which the command line uses, too."""

import logging
import mimetypes
import time
from collections.abc import Callable
from contextlib import asynccontextmanager
from datetime import datetime
from http import HTTPStatus
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Scope

from polypvision.errors import PolypvisionError
from polypvision.files.outputs import make_folder
from polypvision.plates.done import split_done, tick_off
from polypvision.plates.pictures import polyp_picture, recorded_photo, scaled_photo
from polypvision.plates.view import Listed, PlateView, PlateViews
from polypvision.store.logbook import Logbook
from polypvision.web import correcting, desk, people, photos
from polypvision.web.description import described
from polypvision.web.guard import Door, Guard
from polypvision.web.office import Office, office_of
from polypvision.web.pages import PLATES_SHOWN, CardPart, SheetPart
from polypvision.web.pairing import Devices, Guesses
from polypvision.web.person import person_of
from polypvision.web.pieces import COME_AGAIN_S, Pieces
from polypvision.web.queue import ReadingQueue, told
from polypvision.web.setting import shown, trouble
from polypvision.web.uploads import MAX_PIECE_BYTES, Uploads, WrongPlace
from polypvision.web.views import (
    INKS,
    STAMP_SHOWN,
    card,
    expected,
    individual_of,
    overview,
    photo_sheet,
    plate_of_key,
    plate_sheet,
    strip,
    today_page,
    tracked_photo,
)
from polypvision.web.warm import Warmer

_LOG = logging.getLogger("polypvision.web")
_STATIC = Path(__file__).parent / "static"
_A_YEAR = "private, max-age=31536000, immutable"
"""For what never changes: a picture named by its photo's hash."""
_OVERVIEW_S = 0.5
"""The list of plates waits so long at most for what is not worked out yet."""
_LOOK_EVERY_S = 0.05
_STATUS = {
    "unknown-plate": 404,
    "unknown-task": 409,
    "unreadable": 404,
    "unknown-photo": 404,
    "conflict": 409,
    "logbook": 503,
    "output": 503,
    "too-large": 413,
    "upload": 422,
}
mimetypes.add_type("application/manifest+json", ".webmanifest")
mimetypes.add_type("text/javascript", ".js")


def home(request: Request) -> Response:
    """Send a phone to the photos, a desk to the plates."""
    return RedirectResponse("/photos" if request.state.who == "paired" else "/plates", 303)


def plates_page(request: Request) -> Response:
    """All plates, a page at a time."""
    office, until = office_of(request), time.monotonic() + _OVERVIEW_S
    words = request.query_params.get("find", "")[:80].strip()
    number = request.query_params.get("page", "1")
    page = int(number) if number.isdecimal() and 1 <= len(number) <= 6 else 1
    start = PLATES_SHOWN * max(0, page - 1)

    def look() -> Listed:
        return office.views.listed(words, start=start, most=PLATES_SHOWN)

    found = look()
    if not all(isinstance(one, PlateView) for one in found.plates):
        office.warmer.list(words, start)
    while not all(isinstance(one, PlateView) for one in found.plates) and time.monotonic() < until:
        time.sleep(_LOOK_EVERY_S)
        found = look()
    return shown(overview(found, words=words, start=start))


def card_part(request: Request) -> Response:
    """One plate of the list."""
    view = office_of(request).views.of(plate_of_key(request.path_params["key"]))
    return shown(CardPart(plate=card(view)))


def plate_page(request: Request) -> Response:
    """One plate."""
    view = office_of(request).views.of(plate_of_key(request.path_params["key"]))
    asked = request.query_params
    return shown(plate_sheet(view, asked.get("photo"), asked.get("beside")))


def sheet_part(request: Request) -> Response:
    """One photo of a plate, with its outlines."""
    view = office_of(request).views.of(plate_of_key(request.path_params["key"]))
    photo = tracked_photo(view.tracks, request.path_params["sha256"])
    assert photo is not None
    return shown(SheetPart(sheet=photo_sheet(view, photo)))


def chart_svg(request: Request) -> Response:
    """A chart of a plate."""
    views, asked = office_of(request).views, request.path_params
    view = views.of(plate_of_key(asked["key"]))
    name, dash, night = asked["name"].partition("-")
    try:
        data = views.chart(view, name, INKS[dash + night])
    except KeyError:
        raise HTTPException(404) from None
    is_of_now = request.query_params.get("at") == view.stamp[:STAMP_SHOWN]
    headers = {"cache-control": _A_YEAR if is_of_now else "no-store"}
    return Response(data, media_type="image/svg+xml", headers=headers)


def expected_page(request: Request) -> Response:
    """What is to come on a plate."""
    views = office_of(request).views
    view = views.of(plate_of_key(request.path_params["key"]))
    return shown(expected(view, views.foretold(view)))


def strip_page(request: Request) -> Response:
    """One polyp through time."""
    view = office_of(request).views.of(plate_of_key(request.path_params["key"]))
    return shown(strip(view, request.path_params["name"]))


def polyp_jpeg(request: Request) -> Response:
    """One polyp cut out of one photo."""
    office, asked = office_of(request), request.path_params
    view = office.views.of(plate_of_key(asked["key"]))
    individual = individual_of(view.tracks, asked["name"])
    for seen in individual.observations:
        if seen.sha256 == asked["sha256"]:
            data = polyp_picture(view.photos[seen.sha256], seen.polyp, office.scaled)
            # Not for ever: read again, the same name may be another polyp.
            return Response(data, media_type="image/jpeg")
    raise HTTPException(404)


def scaled_jpeg(request: Request) -> Response:
    """A photo, scaled; the original is never sent."""
    office, asked = office_of(request), request.path_params
    photo = recorded_photo(office.logbook, asked["sha256"])
    try:
        data = scaled_photo(photo, asked["width"], office.scaled)
    except ValueError:
        raise HTTPException(404) from None
    return Response(data, media_type="image/jpeg", headers={"cache-control": _A_YEAR})


def today_list(request: Request) -> Response:
    """What to do today."""
    office, on = office_of(request), datetime.now().date()
    tasks, later, waiting = office.views.today(on)
    if waiting:
        office.warmer.today()
    due, done = split_done(office.logbook, tasks)
    asked = request.query_params.get("done", "")
    said = next((f"Done: {one.task.what}" for one in done if one.task.key == asked), "")
    return shown(today_page(due, done, on, later, said=said, waiting=waiting))


def tick(request: Request) -> Response:
    """Tick a task off, or take its tick back."""
    office, asked = office_of(request), request.path_params
    tasks, _, _ = office.views.today(datetime.now().date())
    done = asked["word"] == "done"
    if not done and asked["word"] != "undo":
        raise HTTPException(404)
    author = person_of(request) or request.state.said_by
    task = tick_off(office.logbook, tasks, asked["key"], author=author, done=done)
    return RedirectResponse(f"/today?done={task.key}" if done else "/today", 303)


def _wants_json(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "")


async def _on_own_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, PolypvisionError)
    if isinstance(error, WrongPlace):
        return JSONResponse({"received": error.received}, status_code=409)
    _LOG.info("%s", error)
    status = _STATUS.get(error.kind, 400)
    answer = _said(request, status, "That did not work", told(error))
    if status == 503:
        answer.headers["retry-after"] = str(COME_AGAIN_S)
    return answer


def _said(request: Request, status: int, heading: str, words: str) -> Response:
    if _wants_json(request):
        return JSONResponse({"words": words}, status_code=status)
    return trouble(status, heading, words)


_NO_WORDS = {HTTPStatus(status).phrase for status in (400, 408, 503)}
_HTTP_WORDS = {
    404: ("Not there", "There is no such page. It may have been moved or renamed."),
    405: ("Not like this", "This page cannot be used that way."),
    413: ("Too large", "More was sent than is taken at once."),
}


async def _on_http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    heading, words = _HTTP_WORDS.get(
        error.status_code, ("That did not work", "Check what was filled in, and try again.")
    )
    if error.status_code in (400, 408, 503) and error.detail not in _NO_WORDS:
        words = error.detail  # Our own words about what was filled in, or why to wait.
    answer = _said(request, error.status_code, heading, words)
    answer.headers.update(error.headers or {})
    return answer


async def _on_fault(request: Request, error: Exception) -> Response:
    # What went wrong is for the terminal (the server logs it), not for the network.
    words = "What was recorded is kept. Try it once more."
    return _said(request, 500, "A fault in polypvision", words)


def _refuse(scope: Scope, status: int, heading: str, words: str) -> ASGIApp:
    return trouble(status, heading, words, paired=False)


def _routes() -> list[BaseRoute]:
    sha = "/photos/{sha256:str}"
    plate = "/plates/{key:str}"

    def post(path: str, do: Callable[..., Any]) -> Route:
        return Route(path, do, methods=["POST"])

    return [
        Route("/", home),
        Route("/plates", plates_page),
        Route(plate, plate_page),
        Route(plate + "/card", card_part),
        Route(plate + "/sheets/{sha256:str}", sheet_part),
        Route(plate + "/charts/{name:str}.svg", chart_svg),
        Route(plate + "/expected", expected_page),
        Route(plate + "/polyps/{name:str}", strip_page),
        Route(plate + "/polyps/{name:str}/{sha256:str}.jpg", polyp_jpeg),
        Route("/photos", photos.take),
        post("/photos/begin", photos.begin),
        Route(sha, photos.add, methods=["PUT"]),
        Route(sha + "/scaled/{width:int}.jpg", scaled_jpeg),
        Route(sha + "/progress", photos.progress),
        Route(sha + "/answer", photos.answer),
        post(sha + "/read", photos.read_with),
        Route(sha + "/scale", photos.scale, methods=["GET"]),
        post(sha + "/scale", photos.read_at_scale),
        Route(sha + "/correct", correcting.correct_page),
        post(sha + "/person", correcting.set_person),
        Route(sha + "/reading", correcting.reading),
        Route(sha + "/who", correcting.who),
        Route(sha + "/pieces/{column:int}-{row:int}.jpg", correcting.tile_jpeg),
        post(sha + "/corrections", correcting.correct),
        Route("/today", today_list),
        post("/today/{key:str}/{word:str}", tick),
        Route("/log", desk.log, methods=["GET"]),
        post("/log", desk.write_down),
        Route("/cards", desk.cards),
        Route("/cards/print", desk.print_cards),
        Route("/people", people.people_page),
        Route("/people/{name:str}.svg", people.people_chart),
        Route("/desk", desk.desk_page),
        Route("/desk/openapi.json", described),
        post("/desk/code", desk.new_code),
        post("/desk/devices/{number:int}/revoke", desk.revoke),
        Route("/backup", desk.backup),
        Route("/pair", desk.pair_page, methods=["GET"]),
        post("/pair", desk.pair),
        Mount("/static", StaticFiles(directory=_STATIC)),
    ]


def make_app(logbook: Logbook, folder: Path, door: Door) -> tuple[ASGIApp, Devices]:
    """Return the application, and its list of devices.

    Parameters
    ----------
    logbook : Logbook
        Open; the caller closes it.
    folder : Path
        For photos that are sent in, scaled pictures, and the list of paired devices.
    door : Door
        Where it is served.

    Raises
    ------
    OutputError
        If the folder cannot be made or used.
    """
    make_folder(folder, private=True)
    devices = Devices(folder / "devices.json")
    views, scaled = PlateViews(logbook), folder / "scaled"
    warmer = Warmer(logbook, views, scaled)
    office = Office(
        logbook=logbook,
        views=views,
        uploads=Uploads(folder),
        pieces=Pieces(),
        queue=ReadingQueue(logbook, warmer),
        warmer=warmer,
        devices=devices,
        guesses=Guesses(),
        door=door,
        scaled=scaled,
    )

    @asynccontextmanager
    async def lifespan(_: Starlette) -> Any:
        # So that the first page does not have to wait for what its plates take to work out.
        warmer.list()
        warmer.today()
        yield
        office.queue.close()

    app = Starlette(
        routes=_routes(),
        middleware=[Middleware(GZipMiddleware, minimum_size=1000)],
        exception_handlers={
            PolypvisionError: _on_own_error,
            HTTPException: _on_http_error,
            Exception: _on_fault,
        },
        lifespan=lifespan,
        # A little more than a piece of a photo, the largest thing that is sent at once.
        max_body_size=MAX_PIECE_BYTES + 64_000,
    )
    app.state.office = office
    # Outside of all else, so that even the page of a fault has its headers.
    guarded = Guard(app, door=door, devices=devices, guesses=office.guesses, refuse=_refuse)
    return guarded, devices
