"""What can read photos: this process, processes beside it, or a cluster."""

from collections import deque
from collections.abc import Callable
from typing import Protocol

from polypvision.errors import ReaderDied
from polypvision.files.photos import shown_path
from polypvision.plates.reader import Finding, PhotoReader, PhotoTask
from polypvision.reading import PhotoFacts, Refusal


class Hands(Protocol):
    """Reads tasks that are numbered by the caller, in any order."""

    def room(self) -> int:
        """Return how many tasks may be under way or waiting: this bounds the memory."""
        ...

    def begin(self, number: int, task: PhotoTask) -> None:
        """Take a task."""
        ...

    def finished(self) -> list[tuple[int, Finding]]:
        """Wait until at least one task is done; return those that are."""
        ...

    def close(self) -> None:
        """Stop at once; tasks under way are dropped."""
        ...


MakeHands = Callable[[], Hands]


class OwnHands:
    """Reads in this process, one photo at a time; starts nothing."""

    def __init__(self, reader: PhotoReader) -> None:
        self._reader = reader
        self._waiting: deque[tuple[int, PhotoTask]] = deque()

    def room(self) -> int:
        """Return how many tasks may wait."""
        return 1

    def begin(self, number: int, task: PhotoTask) -> None:
        """Take a task."""
        self._waiting.append((number, task))

    def finished(self) -> list[tuple[int, Finding]]:
        """Read the photo that came first."""
        number, task = self._waiting.popleft()
        return [(number, self._reader.read(task))]

    def close(self) -> None:
        """Do nothing: nothing was started."""


def died(task: PhotoTask, how: str) -> Finding:
    """Return what is found of a photo whose readers died."""
    shown = shown_path(task.place)
    error = ReaderDied(
        f"{shown} could not be read: the process that read it ended suddenly each time ({how}); "
        "perhaps the memory is too small. Close other programs and read it again, alone or with "
        "--jobs 1; if that fails, report it with the photo."
    )
    facts = PhotoFacts(photo=shown, sha256="")
    return Finding(outcome=Refusal(facts=facts, kind=error.kind, message=str(error)))
