"""Many photos read and recorded, in order, however many hands read them."""

from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from polypvision.batch.hands import Hands, OwnHands
from polypvision.batch.limits import usual_jobs
from polypvision.batch.processes import Processes
from polypvision.errors import PhotoError
from polypvision.files.hashes import HashCache
from polypvision.files.photos import shown_path
from polypvision.files.remote import Place
from polypvision.plates.read import (
    Desk,
    PhotoOutcome,
    Progress,
    ReadWishes,
    desk_for,
    refused_place,
)
from polypvision.plates.reader import Finding, PhotoReader, PhotoTask

if TYPE_CHECKING:
    from polypvision.store.logbook import Logbook

Found = tuple[Place, PhotoError | None]


@dataclass(eq=False)
class _Slot:
    """A photo whose turn has not come yet: its task, and once there is one, what was found."""

    number: int
    place: Place
    trouble: PhotoError | None
    task: PhotoTask
    finding: Finding | None = None


def read_batch(
    found: Sequence[Found],
    wishes: ReadWishes,
    *,
    logbook: "Logbook | None" = None,
    jobs: int | None = None,
    cluster: str | None = None,
    hashes: HashCache | None = None,
    progress: Progress | None = None,
) -> Generator[PhotoOutcome, None, None]:
    """Yield the outcome of each photo in order, as soon as all before it are recorded.

    Whoever reads, only this process records: one transaction for each photo. What is under way at
    any time is bounded, so the memory does not grow with the number of photos; keep no outcome
    that is not needed.

    Parameters
    ----------
    found : sequence of (Path or PhotoUrl, PhotoError or None)
        From `files.photos.find_photos`.
    wishes : ReadWishes
    logbook : Logbook, optional
    jobs : int, optional
        Processes; 1 starts none. Left out, as many as this computer has room for and as pay.
    cluster : str, optional
        Address of a cluster's scheduler, which reads instead.
    hashes : HashCache, optional
        What is known of unchanged files; those on record are not even opened.
    progress : callable, optional

    Raises
    ------
    LogbookError, BatchError
        What was recorded before is kept; the same call goes on from there.
    """
    desk = desk_for(wishes, logbook)
    hands = _hands(desk, found, jobs, cluster, hashes)
    with closing(hands):
        yield from _in_order(desk, hands, found, hashes, progress)


def _hands(
    desk: Desk,
    found: Sequence[Found],
    jobs: int | None,
    cluster: str | None,
    hashes: HashCache | None,
) -> Hands:
    if cluster is not None:
        from polypvision.batch.cluster import Cluster

        return Cluster(cluster, desk.brief_to_send())
    if jobs == 1 or len(found) < 2:
        return OwnHands(PhotoReader(desk.brief()))
    brief = desk.brief_to_send()
    # Asking a server of every address would take long; they count as new.
    paths = [place for place, _ in found if isinstance(place, Path)]
    known = [hashes.find(path) for path in paths] if hashes else []
    to_read = len(found) - sum(one is not None and brief.is_known(one) for one in known)
    jobs = min(jobs, max(to_read, 1)) if jobs else usual_jobs(to_read)
    return OwnHands(PhotoReader(desk.brief())) if jobs == 1 else Processes(brief, jobs)


def _in_order(
    desk: Desk,
    hands: Hands,
    found: Sequence[Found],
    hashes: HashCache | None,
    progress: Progress | None,
) -> Iterator[PhotoOutcome]:
    is_known = desk.brief().is_known
    slots: deque[_Slot] = deque()
    under_way: dict[int, _Slot] = {}
    source = enumerate(found)
    done = 0
    while True:
        while len(slots) < hands.room() and (following := next(source, None)) is not None:
            slots.append(_slot(desk, following, hashes, is_known))
            _begin(slots[-1], hands, under_way)
        if not slots:
            break
        if progress:
            progress(done, len(found), shown_path(slots[0].place))
        outcome = _settled(desk, slots[0])
        if outcome is not None:
            slots.popleft()
            done += 1
            yield outcome
            continue
        _begin(slots[0], hands, under_way)
        for number, finding in hands.finished():
            slot = under_way.pop(number)
            if hashes is not None:
                hashes.keep(slot.place, finding.stamp, finding.sha256)
            again = desk.reconsider(slot.task, finding)
            slot.task, slot.finding = (again, None) if again else (slot.task, finding)
            _begin(slot, hands, under_way)
    if progress:
        progress(len(found), len(found), "")


def _slot(
    desk: Desk,
    following: tuple[int, Found],
    hashes: HashCache | None,
    is_known: Callable[[str], bool],
) -> _Slot:
    number, (place, trouble) = following
    slot = _Slot(number=number, place=place, trouble=trouble, task=desk.task(place))
    sha256 = hashes.find(place) if hashes and trouble is None else None
    if sha256 is not None and is_known(sha256):
        # Unchanged since it was last read: it is on record, and need not even be opened.
        held = Finding(outcome=None, sha256=sha256)
        again = desk.reconsider(slot.task, held)
        slot.task, slot.finding = (again, None) if again else (slot.task, held)
    return slot


def _begin(slot: _Slot, hands: Hands, under_way: dict[int, _Slot]) -> None:
    """Have a photo read whose task nobody has yet."""
    if slot.trouble is None and slot.finding is None and slot.number not in under_way:
        under_way[slot.number] = slot
        hands.begin(slot.number, slot.task)


def _settled(desk: Desk, slot: _Slot) -> PhotoOutcome | None:
    """Return the outcome of a photo whose turn it is; None if it has to be read first."""
    if slot.trouble is not None:
        return refused_place(slot.place, slot.trouble)
    if slot.finding is None:
        return None
    settled = desk.settle(slot.task, slot.finding)
    if isinstance(settled, PhotoOutcome):
        return settled
    slot.task, slot.finding = settled, None
    return None
