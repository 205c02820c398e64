"""One plate as it was known on a day: all that follows from its photos and its log."""

from dataclasses import dataclass
from datetime import date

from polypvision.plan import READY_MM, PlateState, plate_state
from polypvision.plates.corrected import corrected_photos, follow
from polypvision.store.entries import entries_of
from polypvision.store.facts import PlateFacts, facts_of
from polypvision.store.logbook import Logbook
from polypvision.store.readings import StoredPhoto
from polypvision.store.stamps import plate_stamp


@dataclass(frozen=True, kw_only=True, eq=False)
class KnownPlate:
    """A plate as it was known on a day.

    Attributes
    ----------
    facts : PlateFacts
    photos : tuple of StoredPhoto
        In date order, their readings as people corrected them.
    state : PlateState
    later : int
        Photos left out because they are dated later.
    mark : str
        Of the state of the logbook in which it was known; see `store.stamps`.
    """

    facts: PlateFacts
    photos: tuple[StoredPhoto, ...]
    state: PlateState
    later: int = 0
    mark: str = ""


def known_plate(
    logbook: Logbook,
    plate: str,
    *,
    on: date | None = None,
    size_mm: float = READY_MM,
    foretell: bool = True,
) -> KnownPlate:
    """Return one plate as it was known on a day.

    Parameters
    ----------
    logbook : Logbook
    plate : str
    on : date or None
        Photos and lines of the log from later are left out; None takes all.
    size_mm : float
    foretell : bool
        As in `plan.plate_state`.

    Raises
    ------
    PlateUnknown
    """
    with logbook.reading() as connection:
        facts, mark = facts_of(connection, plate), plate_stamp(connection, plate)
        photos = corrected_photos(connection, plate)
        log = entries_of(connection, plate)
    n_all = len(photos)
    if on is not None:
        photos = [one for one in photos if (at := one.reading.taken_at) and at.date() <= on]
        log = [entry for entry in log if entry.at.date() <= on]
    tracks, log = follow(photos, log, normal_mouths=facts.normal_mouths)
    state = plate_state(
        tracks, log, plate=facts.plate, line=facts.line, size_mm=size_mm, foretell=foretell
    )
    return KnownPlate(
        facts=facts,
        photos=tuple(one.photo for one in photos),
        state=state,
        later=n_all - len(photos),
        mark=mark,
    )
