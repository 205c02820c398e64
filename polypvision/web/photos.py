"""Photos from a phone: sent in pieces, read, answered; a scale for those without a card."""

import asyncio
import json
import math
from collections.abc import AsyncIterator
from datetime import datetime
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response, StreamingResponse

from polypvision.errors import PhotoUnreadable
from polypvision.files.dates import date_doubt, parse_date
from polypvision.files.pixels import SUFFIXES
from polypvision.plates.log import names_of_plates
from polypvision.plates.names import plate_name
from polypvision.plates.pictures import WIDTHS_PX, recorded_photo
from polypvision.plates.read import ReadWishes
from polypvision.plates.show import photo_pixels, photo_place
from polypvision.reading import PlateReading, Refusal
from polypvision.reports.retake import PhotoAnswer, photo_answer
from polypvision.store.readings import find_photo
from polypvision.web.forms import field, json_sent, now_here, whole_number
from polypvision.web.office import Office, office_of
from polypvision.web.pages import AnswerPart, Picture, ScalePage, Shell, TakePage
from polypvision.web.queue import Turn
from polypvision.web.setting import shown
from polypvision.web.uploads import MAX_PIECE_BYTES, MAX_UPLOAD_BYTES, Progress
from polypvision.web.views import plate_href

_LOOK_EVERY_S = 0.25
_SIGN_OF_LIFE_S = 15.0
_PIECE_BYTES = MAX_PIECE_BYTES // 4
"""Small pieces: little is sent again after the connection was lost."""
_MOST_BYTES = 10**15
"""No file is larger; whether it is taken is asked later."""
_MOST_NAMES = 200
_LEAST_APART = 0.02
"""Two points nearer than this part of the photo's width would give a scale of no use."""


def take(request: Request) -> Response:
    """The page with the large button."""
    return shown(
        TakePage(
            shell=Shell(title="Photos", here="photos"),
            max_bytes=MAX_UPLOAD_BYTES,
            piece_bytes=_PIECE_BYTES,
            endings=",".join(SUFFIXES),
        )
    )


def _stage(office: Office, sha256: str, progress: Progress) -> JSONResponse:
    if progress.path is not None:
        office.queue.put(sha256, progress.path, ReadWishes())
    whole = progress.path is not None
    return JSONResponse({"received": progress.received, "size": progress.size, "whole": whole})


async def begin(request: Request) -> JSONResponse:
    """A photo is coming: how much of it is here?"""
    said = json_sent(await request.body())
    if not isinstance(said, dict):
        raise HTTPException(400)
    sha256, name, size = said.get("sha256"), said.get("name"), said.get("size")
    if not isinstance(sha256, str) or not isinstance(name, str):
        raise HTTPException(400)
    size = whole_number(size, _MOST_BYTES)
    office = office_of(request)
    return _stage(office, sha256, await run_in_threadpool(office.uploads.begin, sha256, name, size))


async def add(request: Request) -> JSONResponse:
    """A piece of a photo."""
    office, asked, sha256 = office_of(request), request.query_params, request.path_params["sha256"]
    size, offset = (whole_number(asked.get(one), _MOST_BYTES) for one in ("size", "offset"))
    async with office.pieces.one(request) as piece:
        done = await run_in_threadpool(
            office.uploads.add, sha256, asked.get("name", ""), size, offset, piece
        )
    return _stage(office, sha256, done)


def _path(office: Office, sha256: str) -> Path | None:
    """Return where a photo lies that was sent in, or None.

    After a restore it lies elsewhere. Only one that could not be read is looked for there: what was
    read is not read otherwise from here.
    """
    path = office.uploads.find(sha256)
    if path is not None:
        return path
    photo = office.logbook.look(lambda connection: find_photo(connection, sha256))
    if photo is None or not isinstance(photo.outcome, Refusal):
        return None
    place = photo_place(photo)
    return place if isinstance(place, Path) else None


def _turn(office: Office, sha256: str) -> Turn:
    """Where a photo stands; one that came in before polypvision was last stopped is read now."""
    turn = office.queue.turn(sha256)
    if turn is not None:
        return turn
    path = _path(office, sha256)
    if path is None:
        raise PhotoUnreadable("This photo was not sent here.")
    with office.logbook.reading() as connection:
        if find_photo(connection, sha256) is not None:
            return Turn(stage="done")
    office.queue.put(sha256, path, ReadWishes())
    return Turn(stage="waiting")


async def progress(request: Request) -> Response:
    """How far the reading is, told as it goes on (server-sent events, HTML standard)."""
    office, sha256 = office_of(request), request.path_params["sha256"]
    first = await run_in_threadpool(_turn, office, sha256)

    async def events() -> AsyncIterator[str]:
        turn, last, quiet = first, "", 0.0
        while True:
            told = json.dumps({"stage": turn.stage, "before": turn.before})
            if told != last:
                last, quiet = told, 0.0
                yield f"data: {told}\n\n"
            if turn.stage in ("done", "failed"):
                return
            await asyncio.sleep(_LOOK_EVERY_S)
            quiet += _LOOK_EVERY_S
            if quiet >= _SIGN_OF_LIFE_S:
                quiet = 0.0
                yield ": still here\n\n"
            turn = office.queue.turn(sha256) or turn

    headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
    return StreamingResponse(events(), media_type="text/event-stream", headers=headers)


def answer(request: Request) -> Response:
    """What a photo told."""
    office, sha256 = office_of(request), request.path_params["sha256"]
    turn = _turn(office, sha256)
    remark, plate = "", None
    if turn.stage == "failed":
        found = PhotoAnswer(
            name="", heading="Not read", tiles=(), again=(), notes=(turn.trouble,), lacks="again"
        )
    elif turn.stage != "done":
        found = PhotoAnswer(name="", heading="Being read", tiles=(), again=(), notes=(), lacks="")
    else:
        if turn.outcome is not None:
            outcome, remark = turn.outcome.outcome, turn.outcome.remark
        else:
            outcome = recorded_photo(office.logbook, sha256).outcome
        found = photo_answer(outcome)
        plate = outcome.plate if isinstance(outcome, PlateReading) else None
    return shown(
        AnswerPart(
            sha256=sha256,
            answer=found,
            remark=remark,
            plate_href=plate_href(plate) if plate else "",
            today=f"{now_here():%Y-%m-%d}",
        )
    )


def _date(text: str) -> datetime | None:
    if not text.strip():
        return None
    try:
        at = parse_date(text)
    except ValueError as error:
        raise HTTPException(400, str(error)) from error
    doubt = date_doubt(at, now_here())
    if doubt:
        raise HTTPException(400, f"The date {at.date().isoformat()} is {doubt}.")
    return at


async def read_with(request: Request) -> Response:
    """Read a photo with what it lacked: its date."""
    office, sha256 = office_of(request), request.path_params["sha256"]
    path = await run_in_threadpool(_path, office, sha256)
    if path is None:
        raise HTTPException(404)
    async with request.form(max_fields=10, max_files=0) as form:
        wishes = ReadWishes(date=_date(field(form, "date", 30)))
    office.queue.put(sha256, path, wishes)
    return RedirectResponse(f"/photos#{sha256}", 303)


def scale(request: Request) -> Response:
    """The page on which two points give the scale."""
    office, sha256 = office_of(request), request.path_params["sha256"]
    photo = recorded_photo(office.logbook, sha256)
    height, width = photo_pixels(photo).shape[:2]
    base = f"/photos/{sha256}/scaled"
    return shown(
        ScalePage(
            shell=Shell(title="Scale by two points", here="photos"),
            sha256=sha256,
            name=photo_answer(photo.outcome).name,
            picture=Picture(
                src=f"{base}/{WIDTHS_PX[1]}.jpg",
                srcset=", ".join(f"{base}/{one}.jpg {one}w" for one in WIDTHS_PX if one <= width),
                width=width,
                height=height,
            ),
            # A list of thousands helps nobody to type four digits.
            plates=tuple(names_of_plates(office.logbook)[:_MOST_NAMES]),
            needs_date=isinstance(photo.outcome, Refusal) and photo.outcome.facts.taken_at is None,
            today=f"{now_here():%Y-%m-%d}",
        )
    )


def _mm_per_px(points: list[float], width: int, height: int, mm: float) -> float:
    """Return the scale of a photo from two points in parts of its width and height."""
    if not all(math.isfinite(v) and 0 <= v <= 1 for v in points) or not 0 < mm < 2000:
        raise HTTPException(
            400, "Mark two points on the photo, and say how many mm apart they are."
        )
    x1, y1, x2, y2 = points
    apart_px = math.hypot((x2 - x1) * width, (y2 - y1) * height)
    if apart_px < _LEAST_APART * width:
        raise HTTPException(400, "The two points are too near each other. Mark two far apart.")
    return mm / apart_px


async def read_at_scale(request: Request) -> Response:
    """Read a photo without a card, at the scale that two points give."""
    office, sha256 = office_of(request), request.path_params["sha256"]
    path = await run_in_threadpool(_path, office, sha256)
    if path is None:
        raise HTTPException(404)
    async with request.form(max_fields=20, max_files=0) as form:
        try:
            points = [float(field(form, name, 30)) for name in ("x1", "y1", "x2", "y2")]
            mm = float(field(form, "mm", 30))
        except ValueError as error:
            raise HTTPException(
                400, "Mark two points on the photo, and say how many mm apart they are."
            ) from error
        plate = plate_name(field(form, "plate", 80))
        date = _date(field(form, "date", 30))
    if not plate:
        raise HTTPException(400, "Say which plate it is: without a card the photo does not tell.")
    photo = await run_in_threadpool(recorded_photo, office.logbook, sha256)
    height, width = (await run_in_threadpool(photo_pixels, photo)).shape[:2]
    wishes = ReadWishes(
        mm_per_px=_mm_per_px(points, width, height, mm), plate=plate, date=date, again=True
    )
    office.queue.put(sha256, path, wishes)
    return RedirectResponse(f"/photos#{sha256}", 303)
