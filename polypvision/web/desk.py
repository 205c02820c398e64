"""Log, cards, pairing and backup."""

import shutil
import tempfile
from pathlib import Path
from typing import get_args

import segno
from markupsafe import Markup
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response

from polypvision.card.layout import CardKind
from polypvision.events import CUT_METHODS, LOG_KINDS, CutMethod, LogEntry, LogKind
from polypvision.files.dates import date_doubt, parse_date
from polypvision.plates.cards import cards_pdf, parse_codes
from polypvision.plates.log import names_of_plates, note
from polypvision.plates.names import plate_name
from polypvision.reports.sayings import date_words
from polypvision.store.backup import back_up
from polypvision.web.forms import field, now_here
from polypvision.web.guard import COOKIE
from polypvision.web.office import Office, office_of
from polypvision.web.pages import CardsPage, Choice, DeskPage, DeviceRow, PairPage, Shell
from polypvision.web.pairing import CODE_LASTS, DEVICE_LASTS
from polypvision.web.setting import shown, trouble
from polypvision.web.views import KIND_WORDS, log_href, log_page

_MOST_CARDS = 100
_KINDS: dict[CardKind, str] = {
    "small": "Small card, lies on the plate",
    "a5": "Frame of A5, goes round a small plate",
    "a4": "Frame of A4, goes round a plate",
}


def log(request: Request) -> Response:
    """The page to write something down."""
    office, asked = office_of(request), request.query_params
    names = names_of_plates(office.logbook)
    wanted = plate_name(asked.get("plate", ""))
    view = office.views.of(wanted) if wanted in names else None
    if view is None and len(names) == 1:
        view = office.views.of(names[0])
    done = KIND_WORDS.get(asked.get("done", ""), "")
    said = f"{done}: written down." if done else ""
    if wanted and wanted not in names:
        said = f"There is no plate {wanted} yet. Check its code."
    page = log_page(
        names,
        view,
        kind=asked.get("kind", ""),
        individual=asked.get("individual", ""),
        now=now_here(),
        done=said,
    )
    return shown(page)


def _entry(form: FormData) -> tuple[str, LogEntry]:
    """Return the kind as the page has it, and the line."""
    kind = field(form, "kind", 20)
    plate = plate_name(field(form, "plate", 80))
    if kind not in KIND_WORDS or not plate:
        raise HTTPException(400, "Say which plate, and what happened.")
    text = field(form, "at", 40)
    try:
        at = parse_date(text) if text else now_here().replace(microsecond=0)
    except ValueError as error:
        raise HTTPException(400, str(error)) from error
    doubt = date_doubt(at, now_here())
    if doubt:
        raise HTTPException(400, f"The date {at.date().isoformat()} is {doubt}.")
    # The room's clock is this computer's.
    at = at if at.tzinfo else at.astimezone()
    pieces = field(form, "pieces", 6)
    if pieces and not (pieces.isdecimal() and 1 <= int(pieces) <= 9999):
        raise HTTPException(400, f"{pieces!r} is no number of pieces. Write 1, 2, 3 ...")
    method = field(form, "method", 20)
    if method and method not in CUT_METHODS:
        raise HTTPException(400, "Choose one of the ways of cutting.")
    dip, words = field(form, "dip", 500), field(form, "note", 2000)
    if (kind == "dip" and not dip) or (kind == "note" and not words):
        raise HTTPException(400, "Write what there is to remember.")
    whom = [one for one in form.getlist("individual") if isinstance(one, str)][:200]
    return kind, LogEntry(
        plate=plate,
        at=at,
        kind=_log_kind(kind),
        individual=" ".join(one[:20] for one in whom if one.strip()) or None,
        pieces=int(pieces) if pieces else None,
        method=_method(method),
        donor=field(form, "donor", 200),
        dip=dip,
        note=words,
    )


def _log_kind(kind: str) -> LogKind:
    # A dip that goes with no cut is a note that has a dip.
    return next((one for one in LOG_KINDS if one == kind), "note")


def _method(word: str) -> CutMethod | None:
    return next((one for one in get_args(CutMethod) if one == word), None)


async def write_down(request: Request) -> Response:
    """Write one line into the logbook."""
    office = office_of(request)
    async with request.form(max_fields=250, max_files=0) as form:
        kind, entry = _entry(form)
    await run_in_threadpool(note, office.logbook, entry)
    return RedirectResponse(f"{log_href(entry.plate, kind)}&done={kind}", 303)


def cards(request: Request) -> Response:
    """The page to print cards from."""
    return _cards_page()


def _cards_page(said: str = "", status: int = 200) -> Response:
    page = CardsPage(
        shell=Shell(title="Cards", here="cards"),
        kinds=tuple(
            Choice(value=one, words=words, chosen=one == "small") for one, words in _KINDS.items()
        ),
        trouble=said,
        max_cards=_MOST_CARDS,
    )
    return shown(page, status)


def print_cards(request: Request) -> Response:
    """Cards as a PDF."""
    kind = next((one for one in _KINDS if one == request.query_params.get("kind")), None)
    text = request.query_params.get("codes", "")[:200]
    try:
        codes = parse_codes(text)
    except ValueError as error:
        return _cards_page(str(error), 400)
    if kind is None or len(codes) > _MOST_CARDS:
        return _cards_page(f"At most {_MOST_CARDS} cards at once.", 400)
    name = f"cards-{codes[0]:04d}.pdf"
    return Response(
        cards_pdf(kind, codes),
        media_type="application/pdf",
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )


def pairing_link(office: Office) -> str:
    """Return a link that pairs one phone, once. Its code is never sent in an address."""
    # After the # it stays in the phone: no server, log or referrer sees it.
    return f"http://{office.door.names[0]}:{office.door.port}/pair#{office.devices.new_code()}"


def _desk_page(request: Request, link: str = "") -> Response:
    office, is_desk = office_of(request), request.state.who == "desk"
    code = segno.make(link, error="m").svg_inline(scale=6, border=4) if link else ""
    devices = [
        DeviceRow(
            number=one.number,
            name=one.name,
            since=date_words(one.paired_at),
            until=date_words(one.expires_at),
        )
        for one in office.devices.all()
    ]
    page = DeskPage(
        shell=Shell(title="Desk", here="desk"),
        is_desk=is_desk,
        on_network=bool(office.door.names),
        link=link,
        code_svg=Markup(code),
        minutes=int(CODE_LASTS.total_seconds() // 60),
        devices=tuple(devices) if is_desk else (),
        place=office.logbook.place if is_desk else "",
    )
    return shown(page)


def desk_page(request: Request) -> Response:
    """The desk's page."""
    return _desk_page(request)


def new_code(request: Request) -> Response:
    """Show a new pairing code."""
    office = office_of(request)
    if not office.door.names:
        raise HTTPException(400, "Start polypvision serve with --lan first.")
    return _desk_page(request, pairing_link(office))


def revoke(request: Request) -> Response:
    """Let a device look no more."""
    office_of(request).devices.revoke(request.path_params["number"])
    return RedirectResponse("/desk", 303)


def backup(request: Request) -> Response:
    """A copy of the logbook to keep elsewhere."""
    folder = Path(tempfile.mkdtemp(prefix="polypvision-"))
    try:
        back_up(office_of(request).logbook, folder / "logbook.sqlite")
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return FileResponse(
        folder / "logbook.sqlite",
        media_type="application/vnd.sqlite3",
        filename=f"logbook-{now_here():%Y-%m-%d-%H%M}.sqlite",
        background=BackgroundTask(shutil.rmtree, folder, ignore_errors=True),
    )


def pair_page(request: Request) -> Response:
    """The page that a phone opens from the square code."""
    return shown(PairPage(shell=Shell(title="Pair this device", paired=False)))


async def pair(request: Request) -> Response:
    """Pair a device by its code."""
    office, address = office_of(request), request.state.address
    if office.guesses.too_many(address):
        return trouble(
            429, "Too many tries", "Wait a quarter of an hour, then scan a new code.", paired=False
        )
    async with request.form(max_fields=5, max_files=0) as form:
        code = field(form, "code", 100)
    agent = request.headers.get("user-agent", "")
    name = "Phone" if "Mobile" in agent else "Computer or tablet"
    token = await run_in_threadpool(office.devices.pair, code, name)
    if token is None:
        office.guesses.note(address)
        return trouble(
            403,
            "This code is not good any more",
            "Each code pairs one device, and only for a while. Show a new one on the desk's page, "
            "and scan that.",
            paired=False,
        )
    answer = RedirectResponse("/photos", 303)
    answer.set_cookie(
        COOKIE,
        token,
        max_age=int(DEVICE_LASTS.total_seconds()),
        httponly=True,
        samesite="strict",
        # No "secure": the local network has no certificate that a phone would trust.
    )
    return answer
