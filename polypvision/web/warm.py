"""What will be asked for next, worked out in the background, so that pages need not wait for it."""

import contextlib
import logging
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

from polypvision.errors import PolypvisionError
from polypvision.plates.pictures import WIDTHS_PX, recorded_photo, scaled_photo
from polypvision.plates.view import PlateView, PlateViews
from polypvision.store.logbook import Logbook
from polypvision.web.pages import PLATES_SHOWN

_LOG = logging.getLogger("polypvision.web")


class Warmer:
    """Does one thing after the other; what waits already is not put down twice."""

    def __init__(self, logbook: Logbook, views: PlateViews, scaled: Path) -> None:
        self._logbook = logbook
        self._views = views
        self._scaled = scaled
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="warmer")
        self._lock = threading.Lock()
        self._waiting: set[str] = set()

    def list(self, words: str = "", start: int = 0) -> None:
        """Work out the plates of a page of the list."""

        def work() -> None:
            for one in self._views.listed(words, start=start, most=PLATES_SHOWN).plates:
                if not isinstance(one, PlateView):
                    self.plate(one.facts.plate)

        self._soon(f"list {start} {words}", work)

    def today(self) -> None:
        """Work out today's list, a little at a time, so that nothing else waits long for it."""

        def work() -> None:
            _, _, waiting = self._views.today(datetime.now().date())
            if waiting:
                self.today()

        self._soon("today", work)

    def plate(self, plate: str) -> None:
        """Work out a plate of which something has changed."""
        self._soon(f"plate {plate}", lambda: self._views.of(plate))

    def photo(self, sha256: str) -> None:
        """Make the scaled pictures of a photo that has come in."""

        def make() -> None:
            scaled_photo(recorded_photo(self._logbook, sha256), WIDTHS_PX[0], self._scaled)

        self._soon(f"photo {sha256}", make)

    def _soon(self, what: str, work: Callable[[], object]) -> None:
        with self._lock:
            if what in self._waiting:
                return
            self._waiting.add(what)
        # Asked for after close, as the last photo is recorded: there is no next page.
        with contextlib.suppress(RuntimeError):
            self._pool.submit(self._do, what, work)

    def _do(self, what: str, work: Callable[[], object]) -> None:
        with self._lock:
            self._waiting.discard(what)
        try:
            work()
        except PolypvisionError as error:
            _LOG.info("%s", error)  # The page itself will say it.
        except Exception:
            _LOG.exception("working out %s failed", what)

    def close(self) -> None:
        """Finish what is being worked out, and nothing else."""
        self._pool.shutdown(wait=True, cancel_futures=True)
