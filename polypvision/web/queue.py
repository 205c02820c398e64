"""Photos read one after the other, in the background, each recorded whole or not at all."""

import logging
import re
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from polypvision.errors import PolypvisionError
from polypvision.plates.read import PhotoOutcome, ReadWishes, read_photos
from polypvision.reading import PlateReading
from polypvision.store.logbook import Logbook
from polypvision.web.warm import Warmer

_LOG = logging.getLogger("polypvision.web")

Stage = Literal["waiting", "reading", "done", "failed"]
_FOLDERS = re.compile(
    r"""(?<![^\s("'])            # at the beginning of a word:
    (?:[A-Za-z]:[\\/]|[\\/]{1,2})    # the root of a disk,
    (?:[^\\/\n]{1,255}[\\/])*  # folders
    (?=[^\\/\s])""",
    re.VERBOSE,
)
"""The folders of a path in a message. Names may hold blanks, so where a path ends nobody can tell:
rather a word too many goes than a folder too few."""
_KEPT = 500
"""Answers remembered; older ones are in the logbook."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Turn:
    """Where a photo stands: its stage, how many are before it, and what came of it."""

    stage: Stage
    before: int = 0
    outcome: PhotoOutcome | None = None
    trouble: str = ""


class ReadingQueue:
    """Reads photos in the order in which they came; one at a time, for each takes a processor."""

    def __init__(self, logbook: Logbook, warmer: Warmer) -> None:
        self._logbook = logbook
        self._warmer = warmer
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="reader")
        self._lock = threading.Lock()
        self._turns: dict[str, Turn] = {}

    def put(self, sha256: str, path: Path, wishes: ReadWishes) -> None:
        """Have a photo read, unless it waits already."""
        with self._lock:
            now = self._turns.get(sha256)
            if now is not None and now.stage in ("waiting", "reading"):
                return
            self._turns.pop(sha256, None)
            self._turns[sha256] = Turn(stage="waiting")
            while len(self._turns) > _KEPT:
                self._turns.pop(next(iter(self._turns)))
        self._pool.submit(self._read, sha256, path, wishes)

    def turn(self, sha256: str) -> Turn | None:
        """Return where a photo stands; None if it is not known here."""
        with self._lock:
            now = self._turns.get(sha256)
            if now is None or now.stage != "waiting":
                return now
            keys = list(self._turns)
            ahead = keys[: keys.index(sha256)]
            before = sum(self._turns[key].stage in ("waiting", "reading") for key in ahead)
            return Turn(stage="waiting", before=before)

    def _set(self, sha256: str, turn: Turn) -> None:
        with self._lock:
            self._turns[sha256] = turn

    def _read(self, sha256: str, path: Path, wishes: ReadWishes) -> None:
        self._set(sha256, Turn(stage="reading"))
        try:
            outcome = read_photos([path], wishes, logbook=self._logbook)[0]
            turn = Turn(stage="done", outcome=outcome)
        except PolypvisionError as error:
            _LOG.warning("%s", error)
            turn = Turn(stage="failed", trouble=told(error))
        except Exception:
            _LOG.exception("reading a photo failed")
            turn = Turn(stage="failed", trouble="Something went wrong here. Try it once more.")
        self._set(sha256, turn)
        if turn.outcome is not None and isinstance(turn.outcome.outcome, PlateReading):
            self._warmer.photo(sha256)
            self._warmer.plate(turn.outcome.outcome.plate or "")

    def close(self) -> None:
        """Finish the photo that is being read, and read no other."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._warmer.close()


def told(error: PolypvisionError) -> str:
    """Return what may be told of an error over the network: no path, no address of a database."""
    said = str(error).lower()
    if error.kind == "logbook":
        if "another program is writing" in said:
            return "The logbook is being written to by another program. Wait a moment, try again."
        if "read-only" in said:
            return (
                "The logbook is read-only, so nothing can be written down. Ask whoever looks after "
                "the computer it lies on."
            )
        if "disk is full" in said:
            return "The disk of the computer is full. Free some space there, then try again."
        return "The logbook cannot be used just now. The computer's terminal says why."
    if error.kind == "output":
        return "The computer could not keep this. Is its disk full? Its terminal says why."
    # Words of other rooms may name a file by its whole path, for whoever is at the computer.
    return _FOLDERS.sub("", str(error))
