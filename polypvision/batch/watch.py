"""A folder watched: photos are read as they arrive, each once and not before it is whole.

The folder is looked at again and again. Computers tell each other nothing of what changes on a
network share, so being told of changes would miss the very folders that phones fill; looking sees
all of them, and costs little when the next look waits ten times as long as the last one took.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Literal

from polypvision import __version__
from polypvision.batch.run import read_batch
from polypvision.errors import LogbookError, PhotoError
from polypvision.files.hashes import HashCache
from polypvision.files.photos import find_photos, shown_path
from polypvision.files.remote import PhotoUrl, Place, url_stamp
from polypvision.files.whole import is_half_named, is_whole
from polypvision.plates.read import PhotoOutcome, ReadWishes
from polypvision.reading import PlateReading, Refusal
from polypvision.store.logbook import Logbook
from polypvision.store.readings import find_photo
from polypvision.words import counted

EVERY_S = 2.0
SETTLED_S = 3.0
"""A file that did not change for so long and closes as its format does is whole. Longer than the
steps in which file systems count time (two seconds, FAT)."""
PATIENCE_S = 120.0
"""A file that did not change for so long is read even if it does not close: it is damaged."""
_REST = 10.0
"""The time between looks, by the time that one takes."""
_LONGEST_WAIT_S = 60.0

Tell = Callable[[Literal["read", "refused", "trouble"], str], None]


@dataclass(frozen=True)
class _Seen:
    stamp: str
    since: float
    whole: bool | None = None


class Arrivals:
    """What lies in a folder and was not yet dealt with.

    Parameters
    ----------
    folder : Path or PhotoUrl
    settled_s, patience_s : float
        See `SETTLED_S` and `PATIENCE_S`.
    """

    def __init__(
        self, folder: Place, *, settled_s: float = SETTLED_S, patience_s: float = PATIENCE_S
    ) -> None:
        self._folder = folder
        self._settled_s = settled_s
        self._patience_s = patience_s
        self._waiting: dict[Place, _Seen] = {}
        self._done: dict[Place, str] = {}

    def look(self, now: float) -> tuple[list[Place], list[str]]:
        """Return the photos that are whole now, sorted, and what is the matter with the folder.

        A photo is returned again and again until it is said to be `done`.

        Parameters
        ----------
        now : float
            Seconds; of a clock that never goes back.
        """
        troubles: list[str] = []
        ready: list[Place] = []
        here: set[Place] = set()
        if isinstance(self._folder, Path) and not self._folder.is_dir():
            return [], [
                f"{shown_path(self._folder)} is not there. Was a disk or a share taken away? "
                "Waiting for it."
            ]
        for place, trouble in find_photos([self._folder]):
            if trouble is not None:
                troubles.append(str(trouble))
                continue
            if is_half_named(place.name):
                continue
            here.add(place)
            if self._is_ready(place, now):
                ready.append(place)
        if not troubles:
            for known in (self._waiting, self._done):
                for gone in [place for place in known if place not in here]:
                    del known[gone]
        return ready, troubles

    def done(self, place: Place) -> None:
        """Say that a photo was dealt with; it comes again only if it changes."""
        seen = self._waiting.pop(place, None)
        if seen is not None:
            self._done[place] = seen.stamp

    def _is_ready(self, place: Place, now: float) -> bool:
        stamp = _stamp(place)
        if stamp is None or self._done.get(place) == stamp:
            return False
        seen = self._waiting.get(place)
        if seen is None or seen.stamp != stamp:
            self._waiting[place] = _Seen(stamp, now)
            return False
        rested = now - seen.since
        if rested < self._settled_s:
            return False
        if seen.whole is None:
            seen = _Seen(stamp, seen.since, _closes(place))
            self._waiting[place] = seen
        return bool(seen.whole) or rested >= self._patience_s


def _stamp(place: Place) -> str | None:
    if isinstance(place, PhotoUrl):
        return url_stamp(place) or "unknown"  # Read once then.
    try:
        found = place.stat()
    except OSError:
        return None  # Gone again.
    return f"{found.st_size} {found.st_mtime_ns}"


def _closes(place: Place) -> bool:
    if isinstance(place, PhotoUrl):
        return True  # Object stores show an object only when it is whole.
    try:
        return is_whole(place)
    except OSError:
        return False


def watch(
    folder: Place,
    wishes: ReadWishes,
    *,
    logbook: Logbook,
    stop: threading.Event,
    tell: Tell,
    jobs: int | None = None,
    hashes: HashCache | None = None,
    every_s: float = EVERY_S,
    arrivals: Arrivals | None = None,
) -> None:
    """Read and record what arrives in a folder until told to stop.

    What is on record, also from an earlier watch, is passed over in silence; so is a file that
    this version has refused before. A logbook that cannot be written is waited for.

    Parameters
    ----------
    folder : Path or PhotoUrl
    wishes : ReadWishes
    logbook : Logbook
    stop : Event
        Looked at between photos.
    tell : callable
        Called with one line for each photo, and once for each trouble.
    jobs : int, optional
        As in `batch.run.read_batch`, for many photos at once.
    hashes : HashCache, optional
    every_s : float
        Seconds from one look to the next, at least.
    arrivals : Arrivals, optional
    """
    arrivals = arrivals or Arrivals(folder)
    told: set[str] = set()
    wait_s = every_s
    while not stop.is_set():
        began = time.monotonic()
        ready, troubles = arrivals.look(began)
        took = time.monotonic() - began
        try:
            _read_ready(ready, arrivals, wishes, logbook, stop, tell, jobs, hashes)
            wait_s = every_s
        except LogbookError as error:
            troubles.append(f"{error} Waiting for it.")
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
        for trouble in troubles:
            if trouble not in told:
                tell("trouble", trouble)
        told = set(troubles)
        stop.wait(max(wait_s, _REST * took))


def _read_ready(
    ready: list[Place],
    arrivals: Arrivals,
    wishes: ReadWishes,
    logbook: Logbook,
    stop: threading.Event,
    tell: Tell,
    jobs: int | None,
    hashes: HashCache | None,
) -> None:
    new: list[tuple[Place, PhotoError | None]] = []
    for place in ready:
        if hashes is not None and _refused_before(logbook, hashes.find(place)):
            arrivals.done(place)
        else:
            new.append((place, None))
    if not new:
        return
    outcomes = read_batch(new, wishes, logbook=logbook, jobs=jobs, hashes=hashes)
    for (place, _), outcome in zip(new, outcomes, strict=True):
        arrivals.done(place)
        _say(outcome, tell)
        if stop.is_set():
            outcomes.close()
            break


def _refused_before(logbook: Logbook, sha256: str | None) -> bool:
    if sha256 is None:
        return False
    with logbook.reading() as connection:
        known = find_photo(connection, sha256)
    return known is not None and isinstance(known.outcome, Refusal) and known.program == __version__


def _say(outcome: PhotoOutcome, tell: Tell) -> None:
    if outcome.status == "forgotten":
        return
    if isinstance(outcome.outcome, Refusal):
        tell("refused", f"Not read [{outcome.outcome.kind}]: {outcome.outcome.message}")
    elif outcome.status != "known" or outcome.remark:
        tell("read", line_of(outcome.outcome, outcome.remark))


def line_of(reading: PlateReading, remark: str = "") -> str:
    """Return what a photo told, in one line."""
    polyps = reading.polyps
    parts = [counted(len(polyps), "polyp"), counted(reading.n_mouths, "mouth")]
    if polyps:
        parts.append(f"median {median(polyp.diameter_mm for polyp in polyps):.1f} mm")
    wound = sum(polyp.wound_mm2 for polyp in polyps)
    if wound > 0:
        parts.append(f"wound {wound:.1f} mm2")
    name = Path(reading.facts.photo).name
    notes = ", ".join(filter(None, [remark, *reading.flags]))
    return f"{name}: plate {reading.plate}, {', '.join(parts)}{f' ({notes})' if notes else ''}"
