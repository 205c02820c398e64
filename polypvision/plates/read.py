"""Photos read, one after the other."""

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from polypvision.errors import PhotoError
from polypvision.files.photos import find_photos, shown_path
from polypvision.files.remote import Place
from polypvision.plates.desk import Desk, PhotoOutcome
from polypvision.plates.reader import PhotoReader, ReadWishes
from polypvision.reading import PhotoFacts, Refusal

if TYPE_CHECKING:
    from polypvision.store.logbook import Logbook

__all__ = ["Desk", "PhotoOutcome", "Progress", "ReadWishes", "desk_for", "read_photos"]

Progress = Callable[[int, int, str], None]
"""Called with photos done, photos in all, and the name of the next."""


def desk_for(wishes: ReadWishes, logbook: "Logbook | None") -> Desk:
    """Return the desk that records into a logbook, or that records nothing."""
    if logbook is None:
        return Desk(wishes)
    # Loaded only where something is recorded: the database costs as much time as a photo.
    from polypvision.plates.record import Recorder

    return Recorder(wishes, logbook)


def refused_place(place: Place, error: PhotoError) -> PhotoOutcome:
    """Return the outcome of a place that was not even a photo."""
    facts = PhotoFacts(photo=shown_path(place), sha256="")
    refusal = Refusal(facts=facts, kind=error.kind, message=str(error))
    return PhotoOutcome(outcome=refusal, status="refused")


def read_photos(
    paths: Iterable[Place],
    wishes: ReadWishes | None = None,
    *,
    logbook: "Logbook | None" = None,
    progress: Progress | None = None,
) -> list[PhotoOutcome]:
    """Read photos, and record them if a logbook is given. A bad photo stops no other.

    Parameters
    ----------
    paths : iterable of Path or PhotoUrl
        Photos, or folders of them.
    wishes : ReadWishes, optional
    logbook : Logbook, optional
        Each photo is one transaction: whatever stops the reading, those before it are kept, and
        reading the same again completes it.
    progress : callable, optional

    Returns
    -------
    list of PhotoOutcome
        One per photo, in the order of the paths; sorted within a folder.

    Raises
    ------
    LogbookError
        If the logbook cannot be written.
    """
    found = list(find_photos(paths))
    desk = desk_for(wishes or ReadWishes(), logbook)
    reader = PhotoReader(desk.brief())
    outcomes = []
    for done, (place, trouble) in enumerate(found):
        if progress:
            progress(done, len(found), shown_path(place))
        outcomes.append(refused_place(place, trouble) if trouble else _one(desk, reader, place))
    if progress:
        progress(len(found), len(found), "")
    return outcomes


def _one(desk: Desk, reader: PhotoReader, place: Place) -> PhotoOutcome:
    task = desk.task(place)
    while True:
        settled = desk.settle(task, reader.read(task))
        if isinstance(settled, PhotoOutcome):
            return settled
        task = settled
