"""Readings put right on the photo: the page, and what it asks and says while a person works."""

import contextlib
import re
from pathlib import Path
from typing import Any

from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from polypvision.errors import PolypvisionError
from polypvision.plates.correct import correct_photos, photo_as_it_holds
from polypvision.plates.corrected import CorrectedPhoto
from polypvision.plates.pictures import TILE_PX, WIDTHS_PX, photo_tile, recorded_photo
from polypvision.plates.show import tracks_of
from polypvision.reports.sayings import date_words
from polypvision.store.readings import StoredPhoto
from polypvision.web.correcting_values import (
    machine_values,
    others_words,
    reading_values,
    who_values,
)
from polypvision.web.forms import field, json_sent
from polypvision.web.office import Office, office_of
from polypvision.web.pages import CorrectPage, Shell
from polypvision.web.person import NAME_MOST, person_of, remember
from polypvision.web.setting import shown
from polypvision.web.views import picture_of, plate_href

_SHA256 = re.compile(r"[0-9a-f]{64}")
MOST_AT_ONCE = 50


def _sha256(request: Request) -> str:
    """Return which photo is meant: by its whole hash only, never by a file's name."""
    asked = str(request.path_params["sha256"])
    if not _SHA256.fullmatch(asked):
        raise HTTPException(404)
    return asked


def _found(office: Office, sha256: str) -> CorrectedPhoto:
    recorded_photo(office.logbook, sha256)
    return photo_as_it_holds(office.logbook, sha256)


def correct_page(request: Request) -> Response:
    """The photo with all that can be put right on it; asks first who corrects."""
    office, sha256 = office_of(request), _sha256(request)
    found = _found(office, sha256)
    picture = picture_of(found.photo)
    if picture is None:
        raise HTTPException(404)
    plate, taken_at = found.reading.plate or "", found.reading.taken_at
    answer = shown(
        CorrectPage(
            shell=Shell(title=f"Put right, plate {plate}", here="plates"),
            sha256=sha256,
            plate=plate,
            plate_href=f"{plate_href(plate)}?photo={sha256}#photo",
            words=date_words(taken_at) if taken_at else "no date",
            picture=picture,
            widths=" ".join(str(one) for one in WIDTHS_PX),
            tile_px=TILE_PX,
            author="" if "who" in request.query_params else person_of(request),
            name_before=person_of(request),
            name_most=NAME_MOST,
        )
    )
    if picture.width > WIDTHS_PX[-1]:
        # Whoever corrects comes near soon, and a large photo takes seconds to decode.
        answer.background = BackgroundTask(_cut_ahead, found.photo, office.scaled)
    return answer


def _cut_ahead(photo: StoredPhoto, folder: Path) -> None:
    with contextlib.suppress(PolypvisionError):  # Whoever asks for a piece is told.
        photo_tile(photo, 0, 0, folder)


async def set_person(request: Request) -> Response:
    """Keep who corrects on this device."""
    sha256 = _sha256(request)
    async with request.form(max_fields=5, max_files=0) as form:
        name = " ".join(field(form, "name", NAME_MOST).split())
    if not name:
        raise HTTPException(400, "Say who you are: corrections are signed.")
    answer = RedirectResponse(f"/photos/{sha256}/correct", 303)
    remember(answer, name)
    return answer


def reading(request: Request) -> JSONResponse:
    """The photo's reading as it holds now, and the machine's beside it."""
    found = _found(office_of(request), _sha256(request))
    values = reading_values(found, person_of(request)) | {"machine": machine_values(found)}
    return JSONResponse(values)


def who(request: Request) -> JSONResponse:
    """Who the polyps on the photo are, and could be."""
    office, sha256 = office_of(request), _sha256(request)
    plate = _found(office, sha256).reading.plate
    assert plate is not None  # Only photos of plates are recorded.
    return JSONResponse(who_values(tracks_of(office.logbook, plate), sha256))


def tile_jpeg(request: Request) -> Response:
    """A piece of the photo at full sharpness."""
    office, asked = office_of(request), request.path_params
    photo = recorded_photo(office.logbook, _sha256(request))
    try:
        data = photo_tile(photo, asked["column"], asked["row"], office.scaled)
    except ValueError:
        raise HTTPException(404) from None
    headers = {"cache-control": "private, max-age=31536000, immutable"}
    return Response(data, media_type="image/jpeg", headers=headers)


def _said(body: bytes, sha256: str) -> tuple[list[dict[str, Any]], str]:
    """Return the corrections that a page sent, all of this photo, and which version was seen."""
    said = json_sent(body)
    if not isinstance(said, dict) or "wishes" not in said or "seen" not in said:
        raise HTTPException(400, "That is no correction. Load the page again.")
    wishes, seen = said["wishes"], said["seen"]
    if not isinstance(wishes, list) or not 1 <= len(wishes) <= MOST_AT_ONCE:
        raise HTTPException(400, f"Send 1 to {MOST_AT_ONCE} corrections at once.")
    if not isinstance(seen, str):
        raise HTTPException(400, "Say which version of the photo you saw. Load the page again.")
    for wish in wishes:
        if isinstance(wish, dict) and wish.get("photo", sha256) != sha256:
            raise HTTPException(400, "A correction names another photo. Make it on its own page.")
    return wishes, seen


async def correct(request: Request) -> JSONResponse:
    """Record what a person corrected, and answer with the numbers as they are now."""
    office, sha256, author = office_of(request), _sha256(request), person_of(request)
    if not author:
        raise HTTPException(400, "Say who you are first: load the page again.")
    wishes, seen = _said(await request.body(), sha256)

    def work() -> dict[str, Any]:
        recorded_photo(office.logbook, sha256)
        done = correct_photos(office.logbook, wishes, author=author, seen=seen, photo=sha256)
        return reading_values(done.photos[0], author) | {
            "others": others_words(done.others),
            "ids": list(done.ids),
        }

    return JSONResponse(await run_in_threadpool(work))
