"""All that a screen shows of a plate, worked out once for each state of the logbook."""

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from polypvision.events import LogEntry
from polypvision.growth import PlateGrowth
from polypvision.healing import WoundCourse
from polypvision.plates.log import list_plates
from polypvision.plates.room import room_of, today
from polypvision.plates.show import stored_photos
from polypvision.reports import PlatePage, plate_page
from polypvision.store.facts import PlateFacts, facts_of
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto
from polypvision.store.stamps import plate_stamp
from polypvision.today import Task
from polypvision.track import PlateTracks


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateView:
    """A plate as it is now.

    Attributes
    ----------
    stamp : str
        Of the state of the logbook that it shows; see `store.stamps`.
    facts : PlateFacts
    log : tuple of LogEntry
    tracks : PlateTracks
    courses : mapping of str to WoundCourse
        By individual.
    growth : PlateGrowth
    photos : mapping of str to StoredPhoto
        By hash.
    page : PlatePage
        Words, figures and charts, without the picture.
    """

    stamp: str
    facts: PlateFacts
    log: tuple[LogEntry, ...]
    tracks: PlateTracks
    courses: Mapping[str, WoundCourse]
    growth: PlateGrowth
    photos: Mapping[str, StoredPhoto]
    page: PlatePage


def plate_view(logbook: Logbook, plate: str) -> PlateView:
    """Work out all that is shown of a plate.

    Raises
    ------
    PlateUnknown
    """
    with logbook.reading() as connection:
        stamp = plate_stamp(connection, plate)
        facts = facts_of(connection, plate)
    (state,), _ = room_of(logbook, [plate], foretell=False)
    return PlateView(
        stamp=stamp,
        facts=facts,
        log=tuple(state.log),
        tracks=state.tracks,
        courses={one.name: one for one in state.courses},
        growth=state.growth,
        photos={photo.sha256: photo for photo in stored_photos(logbook, plate)},
        page=plate_page(state),
    )


class PlateViews:
    """Views remembered until the logbook changes, whoever changes it; safe for several threads."""

    def __init__(self, logbook: Logbook) -> None:
        self._logbook = logbook
        self._known: dict[str, PlateView] = {}
        # One at a time: charts share the drawing library's settings.
        self._lock = threading.Lock()
        self._today_lock = threading.Lock()
        self._today: tuple[tuple[date, str], tuple[tuple[Task, ...], int]] | None = None

    def of(self, plate: str) -> PlateView:
        """Return the view of a plate as it is now.

        Raises
        ------
        PlateUnknown, LogbookError
        """
        with self._logbook.reading() as connection:
            facts_of(connection, plate)
            stamp = plate_stamp(connection, plate)
        # Asked without the lock first: what is known need not wait for what is being worked out.
        known = self._known.get(plate)
        if known is not None and known.stamp == stamp:
            return known
        with self._lock:
            known = self._known.get(plate)
            if known is None or known.stamp != stamp:
                known = self._known[plate] = plate_view(self._logbook, plate)
        return known

    def all(self) -> list[PlateView]:
        """Return the views of all plates, in the order of their names."""
        return [self.of(one.facts.plate) for one in list_plates(self._logbook)]

    def today(self, on: date) -> tuple[tuple[Task, ...], int]:
        """Return what to do on a day, as `plates.room.today` does.

        Raises
        ------
        LogbookError
        """
        with self._logbook.reading() as connection:
            mark = (on, plate_stamp(connection, None))
        with self._today_lock:
            if self._today is None or self._today[0] != mark:
                self._today = (mark, today(self._logbook, on))
            return self._today[1]
