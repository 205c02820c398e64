"""Photos read, one after the other."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from polypvision.errors import PhotoError
from polypvision.files.lenses import read_profiles, usual_profiles
from polypvision.files.photos import find_photos, shown_path
from polypvision.files.remote import Place
from polypvision.plates.reader import (
    Brief,
    Finding,
    PhotoReader,
    PhotoTask,
    ReadWishes,
    date_remark,
)
from polypvision.reading import Outcome, PhotoFacts, PlateReading, Refusal

if TYPE_CHECKING:
    from polypvision.store.logbook import Logbook

__all__ = ["Desk", "PhotoOutcome", "Progress", "ReadWishes", "Status", "desk_for", "read_photos"]

Status = Literal["read", "recorded", "again", "known", "forgotten", "refused"]
"""Read only; recorded for the first time; recorded again; known already; left out, for a person
forgot it; could not be read."""

Progress = Callable[[int, int, str], None]
"""Called with photos done, photos in all, and the name of the next."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PhotoOutcome:
    """One photo: its reading or refusal, what was done with it, and a remark for the person."""

    outcome: Outcome
    status: Status
    remark: str = ""


class Desk:
    """Hands out tasks and makes outcomes of findings; this one records nothing.

    A finding is settled once: into an outcome, or into a task because the photo has to be read
    again, with something that only the logbook knew.
    """

    def __init__(self, wishes: ReadWishes) -> None:
        self.wishes = wishes
        self.profiles = read_profiles(wishes.profiles) if wishes.profiles else usual_profiles()

    def brief(self) -> Brief:
        """Return what a reader in this process needs to know."""
        return Brief(wishes=self.wishes, profiles=self.profiles)

    def brief_to_send(self) -> Brief:
        """Return the same for a reader in another process or computer."""
        return self.brief()

    def task(self, place: Place) -> PhotoTask:
        """Return the task for a photo that nothing is known of."""
        return PhotoTask(place=place)

    def reconsider(self, task: PhotoTask, found: Finding) -> PhotoTask | None:
        """Return another task at once if this finding surely will not be the last."""
        return None

    def settle(self, task: PhotoTask, found: Finding) -> PhotoOutcome | PhotoTask:
        """Make an outcome of a finding, or another task."""
        outcome = found.outcome
        assert outcome is not None, "without a logbook no photo is known"
        if isinstance(outcome, PlateReading):
            return PhotoOutcome(outcome=outcome, status="read", remark=date_remark(found.date))
        return PhotoOutcome(outcome=outcome, status="refused")


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
