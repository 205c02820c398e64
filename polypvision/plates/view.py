"""All that a screen shows of a plate, worked out once for each state of the logbook."""

import contextlib
import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

from polypvision.evaluate.agreement import Agreement
from polypvision.healing import WoundCourse
from polypvision.plan import PlateState
from polypvision.plates.correct import machine_against_people
from polypvision.plates.dues import Then, dues_of, tasks_on
from polypvision.plates.known import known_plate
from polypvision.plates.log import some_plates
from polypvision.reports import (
    FORETOLD,
    PlatePage,
    agreement_chart,
    plate_figure,
    plate_page,
    screen_svg,
)
from polypvision.store.facts import PlateFacts, PlateSummary, facts_of
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
    state : PlateState
        Without forecasts, which take longer than all the rest.
    courses : mapping of str to WoundCourse
        By individual.
    photos : mapping of str to StoredPhoto
        By hash.
    page : PlatePage
        Words and figures, without pictures and charts.
    """

    stamp: str
    facts: PlateFacts
    state: PlateState
    courses: Mapping[str, WoundCourse]
    photos: Mapping[str, StoredPhoto]
    page: PlatePage

    @property
    def tracks(self) -> PlateTracks:
        """The plate through time."""
        return self.state.tracks


def plate_view(logbook: Logbook, plate: str) -> PlateView:
    """Work out what is shown of a plate first.

    Raises
    ------
    PlateUnknown
    """
    with logbook.reading() as connection:
        facts_of(connection, plate)
        # Before the rest is looked up: what is written meanwhile makes it old at once.
        stamp = plate_stamp(connection, plate)
    known = known_plate(logbook, plate, foretell=False)
    return PlateView(
        stamp=stamp,
        facts=known.facts,
        state=known.state,
        courses={one.name: one for one in known.state.courses},
        photos={photo.sha256: photo for photo in known.photos},
        page=plate_page(known.state, figures={}),
    )


_MOST_VIEWS = 128
"""Plates remembered at once; each takes some megabytes."""
TODAY_S = 2.0
"""How long today's list is worked out before what there is of it is shown."""

Found = TypeVar("Found")


class _Latest(OrderedDict[str, Found]):
    """What was asked for last, by plate; what was not asked for longest is dropped."""

    def get_used(self, plate: str) -> Found | None:
        """Return what is remembered of a plate, and keep it longer."""
        with contextlib.suppress(KeyError):
            self.move_to_end(plate)
            return self[plate]
        return None

    def keep(self, plate: str, found: Found) -> Found:
        """Remember it."""
        self[plate] = found
        self.move_to_end(plate)
        while len(self) > _MOST_VIEWS:
            self.popitem(last=False)
        return found


@dataclass(frozen=True, kw_only=True, eq=False)
class Listed:
    """A stretch of the list of plates.

    Attributes
    ----------
    plates : tuple of PlateSummary or PlateView
        In the order of their names; each as its view if that is worked out.
    n_found : int
        How many plates the whole list has.
    """

    plates: tuple[PlateSummary | PlateView, ...]
    n_found: int


class PlateViews:
    """Views remembered until the logbook changes, whoever changes it; safe for several threads."""

    def __init__(self, logbook: Logbook) -> None:
        self._logbook = logbook
        self._known: _Latest[PlateView] = _Latest()
        self._foretold: _Latest[tuple[str, PlateState]] = _Latest()
        self._charts: _Latest[tuple[str, dict[tuple[str, str], bytes]]] = _Latest()
        self._lock = threading.Lock()
        # One at a time: charts share the drawing library's settings.
        self._chart_lock = threading.Lock()
        self._forecast_lock = threading.Lock()
        self._today_lock = threading.Lock()
        self._agreement: tuple[str, Agreement] | None = None
        self._then: dict[str, Then] = {}
        self._today: tuple[tuple[date, str], tuple[tuple[Task, ...], int, int]] | None = None

    def of(self, plate: str) -> PlateView:
        """Return the view of a plate as it is now.

        Raises
        ------
        PlateUnknown, LogbookError
        """
        # Asked without the lock first: what is known need not wait for what is being worked out.
        known, stamp = self.known(plate)
        if known is not None:
            return known
        with self._lock:
            known = self._known.get_used(plate)
            if known is None or known.stamp != stamp:
                known = self._known.keep(plate, plate_view(self._logbook, plate))
        return known

    def known(self, plate: str) -> tuple[PlateView | None, str]:
        """Return the view of a plate if it is worked out already, and the plate's stamp.

        Raises
        ------
        PlateUnknown, LogbookError
        """
        with self._logbook.reading() as connection:
            facts_of(connection, plate)
            stamp = plate_stamp(connection, plate)
        known = self._known.get_used(plate)
        return (known if known is not None and known.stamp == stamp else None), stamp

    def listed(self, words: str = "", *, start: int = 0, most: int = 60) -> Listed:
        """Return a stretch of the list of plates, at once; see `plates.log.some_plates`."""
        found, n_found = some_plates(self._logbook, words, start, most)
        plates = tuple(self.known(one.facts.plate)[0] or one for one in found)
        return Listed(plates=plates, n_found=n_found)

    def foretold(self, view: PlateView) -> PlateState:
        """Return the plate of a view with its forecasts."""
        plate = view.facts.plate
        with self._forecast_lock:
            stamp, state = self._foretold.get(plate, ("", view.state))
            if stamp != view.stamp:
                state = known_plate(self._logbook, plate).state
                self._foretold.keep(plate, (view.stamp, state))
        return state

    def chart(self, view: PlateView, name: str, ink: str) -> bytes:
        """Return a chart of a plate as SVG, drawn once in each colour of ink.

        Raises
        ------
        KeyError
            If the plate has no such chart.
        """
        state = self.foretold(view) if name in FORETOLD else view.state
        with self._chart_lock:
            stamp, drawn = self._charts.get(view.facts.plate, ("", {}))
            if stamp != view.stamp:
                drawn = {}
                self._charts.keep(view.facts.plate, (view.stamp, drawn))
            if (name, ink) not in drawn:
                drawn[name, ink] = screen_svg(plate_figure(state, name), ink=ink)
            return drawn[name, ink]

    def agreement(self) -> Agreement:
        """Return how the machine compares with people so far.

        Raises
        ------
        LogbookError
        """
        with self._logbook.reading() as connection:
            stamp = plate_stamp(connection, None)
        with self._today_lock:
            if self._agreement is None or self._agreement[0] != stamp:
                self._agreement = (stamp, machine_against_people(self._logbook))
            return self._agreement[1]

    def agreement_svg(self, ink: str) -> bytes:
        """Return the chart of it as SVG."""
        found = self.agreement()
        with self._chart_lock:
            return screen_svg(
                agreement_chart(
                    [one.machine_mm for one in found.pairs],
                    [one.person_mm for one in found.pairs],
                    [one.redrawn for one in found.pairs],
                    bias_mm=found.diameters.bias,
                    limits_mm=(found.diameters.low, found.diameters.high),
                ),
                ink=ink,
            )

    def today(self, on: date) -> tuple[tuple[Task, ...], int, int]:
        """Return what to do on a day, as `plates.dues.today` does, and how many plates are left
        out because there was no time to work them out.

        Raises
        ------
        LogbookError
        """
        with self._logbook.reading() as connection:
            mark = (on, plate_stamp(connection, None))
        with self._today_lock:
            if self._today is None or self._today[0] != mark or self._today[1][2]:
                dues = dues_of(self._logbook, on, within_s=TODAY_S, then=self._then)
                tasks = tasks_on(self._logbook, dues.plates, on)
                self._today = (mark, (tasks, dues.later, dues.waiting))
            return self._today[1]
