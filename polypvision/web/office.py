"""What the pages work with: the logbook, and what is kept in memory and beside it."""

from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request

from polypvision.plates.view import PlateViews
from polypvision.store.logbook import Logbook
from polypvision.web.guard import Door
from polypvision.web.pairing import Devices, Guesses
from polypvision.web.pieces import Pieces
from polypvision.web.queue import ReadingQueue
from polypvision.web.uploads import Uploads
from polypvision.web.warm import Warmer


@dataclass(frozen=True, kw_only=True, eq=False)
class Office:
    """Everything that answers requests, made once. ``scaled`` is the folder of scaled pictures."""

    logbook: Logbook
    views: PlateViews
    uploads: Uploads
    pieces: Pieces
    queue: ReadingQueue
    warmer: Warmer
    devices: Devices
    guesses: Guesses
    door: Door
    scaled: Path


def office_of(request: Request) -> Office:
    """Return what the application was made with."""
    office = request.app.state.office
    assert isinstance(office, Office)
    return office
