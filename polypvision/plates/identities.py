"""A keeper settles who is who by name, without looking up photos and labels."""

from collections.abc import Mapping
from datetime import date

from polypvision.errors import CorrectionError
from polypvision.plates.correct import correct_photos
from polypvision.plates.show import tracks_of
from polypvision.store.logbook import Logbook
from polypvision.track import Individual, Observation, PlateTracks


def say_who_is_who(
    logbook: Logbook,
    plate: str,
    pairs: Mapping[str, str],
    *,
    on: date | None = None,
    author: str,
) -> list[str]:
    """Record that individuals are those of before: all that is said, or, if one cannot be, none.

    Parameters
    ----------
    logbook : Logbook
    plate : str
    pairs : mapping of str to str
        What each is called now, and what it was called before; the same name if it stayed.
    on : date, optional
        Day of the photo from which on it is so; the next photo if there is none on that day. If
        left out, the first photo of each.
    author : str
        Who says so.

    Returns
    -------
    list of str
        What was recorded, a sentence each.

    Raises
    ------
    CorrectionError
        If a name is not known, was not seen by then, or is given twice.
    PlateUnknown
    """
    tracks = tracks_of(logbook, plate)
    twice = sorted({one for one in pairs.values() if list(pairs.values()).count(one) > 1})
    if twice:
        raise CorrectionError(f"Two cannot both be {twice[0]}. Say again who is who.")
    wishes, said = [], []
    for now, before in pairs.items():
        seen = _seen_from(_individual(tracks, now), on)
        earlier = _seen_until(_individual(tracks, before), seen, now)
        wishes.append(
            {
                "photo": seen.sha256,
                "kind": "join",
                "as": "same",
                "label": seen.label,
                "with": {"photo": earlier.sha256, "label": earlier.label},
            }
        )
        said.append(
            f"{now} on the photo of {seen.taken_at:%Y-%m-%d} is {before} of "
            f"{earlier.taken_at:%Y-%m-%d}."
        )
    correct_photos(logbook, wishes, author=author)
    return said


def _individual(tracks: PlateTracks, name: str) -> Individual:
    try:
        return tracks.individual(name)
    except KeyError:
        known = ", ".join(one.name for one in tracks.individuals) or "none"
        raise CorrectionError(
            f"Plate {tracks.plate} has no polyp {name}. It has: {known}."
        ) from None


def _seen_from(one: Individual, on: date | None) -> Observation:
    """Return its first sighting from a day on."""
    for seen in one.observations:
        if on is None or seen.taken_at.date() >= on:
            return seen
    raise CorrectionError(
        f"{one.name} was not seen on {on} or later. Give the date of a photo that shows it."
    )


def _seen_until(one: Individual, seen: Observation, now: str) -> Observation:
    """Return its last sighting before another one."""
    earlier = [other for other in one.observations if other.day < seen.day]
    if not earlier:
        raise CorrectionError(
            f"{one.name} was not seen before {seen.taken_at:%Y-%m-%d}, so {now} of that day cannot "
            "be said to be it. Give --date, the day of the first photo on which it is so."
        )
    return earlier[-1]
