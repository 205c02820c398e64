"""What becomes of photos that were read: tasks handed out, outcomes made of findings."""

from dataclasses import dataclass
from typing import Literal

from polypvision.files.lenses import read_profiles, usual_profiles
from polypvision.files.remote import Place
from polypvision.plates.reader import Brief, Finding, PhotoTask, ReadWishes, date_remark
from polypvision.reading import Outcome, PlateReading

Status = Literal["read", "recorded", "again", "known", "forgotten", "refused"]
"""Read only; recorded for the first time; recorded again; known already; left out, for a person
forgot it; could not be read."""


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
