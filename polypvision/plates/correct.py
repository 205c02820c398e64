"""A person puts readings right; who said so, when, and what stood there before are kept."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from polypvision.corrections import (
    Act,
    Correction,
    Standing,
    Wish,
    act_of,
    kind_of,
    sayings_in,
    to_redo,
    to_undo,
    wish_of,
)
from polypvision.corrections.acts import JoinLineage, Withdraw
from polypvision.corrections.wishes import one_polyp, relation
from polypvision.errors import CorrectionConflict, CorrectionError, PolypvisionError
from polypvision.evaluate.agreement import Agreement, compare_with_people
from polypvision.plates.corrected import (
    CorrectedPhoto,
    corrected_photo,
    corrected_photos,
    find_corrected,
)
from polypvision.reading import PlateReading, Polyp
from polypvision.store.corrections import (
    add_correction,
    corrected_photos_in,
    corrected_photos_of,
    hold,
    photo_named,
)
from polypvision.store.facts import facts_of
from polypvision.store.logbook import Logbook

_AUTHOR_MOST = 80


@dataclass(frozen=True, kw_only=True, eq=False)
class Recorded:
    """What became of corrections that were handed in together.

    Attributes
    ----------
    ids : tuple of str
        Of each, in the order given.
    photos : tuple of CorrectedPhoto
        The photos concerned as they are now.
    others : tuple of Correction
        What others had corrected on these photos since the person looked. Nothing of it is lost,
        and nothing of the person's own; but look.
    """

    ids: tuple[str, ...]
    photos: tuple[CorrectedPhoto, ...]
    others: tuple[Correction, ...]


def photo_as_it_holds(logbook: Logbook, photo: str) -> CorrectedPhoto:
    """Return a recorded photo, named by its hash or file, with its corrections and their standing.

    Raises
    ------
    PhotoUnknown, CorrectionError
    """
    with logbook.reading() as connection:
        found = find_corrected(connection, photo_named(connection, photo))
        plate = found.reading.plate
        photos = corrected_photos(connection, plate) if plate is not None else [found]
    _, unsettled = sayings_in([one.corrected for one in photos])
    return _with_unsettled(found, unsettled)


def _with_unsettled(found: CorrectedPhoto, unsettled: Sequence[Standing]) -> CorrectedPhoto:
    """A joining whose other polyp is gone from its own photo is open, too."""
    other = {one.correction.id: one for one in unsettled}
    standings = tuple(other.get(one.correction.id, one) for one in found.corrected.standings)
    return replace(found, corrected=replace(found.corrected, standings=standings))


def open_corrections(logbook: Logbook, plate: str) -> list[tuple[CorrectedPhoto, Standing]]:
    """Return the corrections of a plate that wait for a person, each with its photo."""
    with logbook.reading() as connection:
        photos = corrected_photos(connection, plate)
    _, unsettled = sayings_in([one.corrected for one in photos])
    found = [_with_unsettled(one, unsettled) for one in photos]
    return [(one, standing) for one in found for standing in one.corrected.open]


def correct_photos(
    logbook: Logbook,
    wishes: Sequence[Any],
    *,
    author: str,
    seen: str | None = None,
    photo: str | None = None,
    now: datetime | None = None,
) -> Recorded:
    """Record corrections: all of them, or, if one cannot be made, none.

    Each is done to the photo as those before it left it.

    Parameters
    ----------
    logbook : Logbook
    wishes : sequence of dict
        As a file or a page gives them; see `corrections.wishes`.
    author : str
        Who says so.
    seen : str, optional
        `CorrectedPhoto.version` of the photo as the person saw it; then all must concern one
        photo. Labels mean the polyps as seen then, also where others corrected it since.
    photo : str, optional
        The photo of those that name none.
    now : datetime, optional

    Raises
    ------
    CorrectionError
        With the number of the one that cannot be made, and why.
    CorrectionConflict
        If the machine has read the photo again since `seen`, so that labels mean others.
    PhotoUnknown, LogbookError
    """
    author = _author(author)
    written = [_told(number, wish_of, value, photo=photo) for number, value in enumerate(wishes, 1)]

    def write(connection: sa.Connection) -> Recorded:
        desk = _Desk(connection, author, now or datetime.now(UTC), seen)
        for number, wish in enumerate(written, 1):
            _told(number, desk.record, wish)
        return desk.result()

    return logbook.write(write)


def _author(author: str) -> str:
    name = author.strip()
    if not name or len(name) > _AUTHOR_MOST or not name.isprintable():
        raise CorrectionError(
            f"The author {author!r} cannot be used. Say who corrects with --author NAME."
        )
    return name


def _told(number: int, work: Any, value: Any, **more: Any) -> Any:
    """Do one correction; its number goes into whatever trouble it makes."""
    try:
        return work(value, **more)
    except PolypvisionError as error:
        raise type(error)(f"Correction {number}: {error} Nothing was recorded.") from error


class _Desk:
    """Corrections of one person going into the logbook in one transaction."""

    def __init__(
        self, connection: sa.Connection, author: str, now: datetime, seen: str | None
    ) -> None:
        self.connection = connection
        self.author = author
        self.now = now
        self.seen = seen
        self.photos: dict[str, CorrectedPhoto] = {}
        self.own: list[Correction] = []
        self.others: list[Correction] = []

    def photo(self, name: str) -> CorrectedPhoto:
        sha256 = photo_named(self.connection, name)
        if sha256 not in self.photos:
            hold(self.connection, sha256)
            found = find_corrected(self.connection, sha256)
            if self.seen is not None and self.photos:
                raise CorrectionError(
                    "Corrections made on what was seen of one photo concern another. Hand them in "
                    "photo by photo."
                )
            self.photos[sha256] = found
            self.others += self._since(found)
        return self.photos[sha256]

    def _since(self, found: CorrectedPhoto) -> list[Correction]:
        """Return what was corrected since the person looked."""
        if self.seen is None:
            return []
        number, _, mark = self.seen.partition("-")
        if not (number.isascii() and number.isdigit() and len(number) < 10 and mark):
            raise CorrectionError(f"{self.seen!r} is no version of a photo. Look at it again.")
        if mark != found.version.partition("-")[2]:
            raise CorrectionConflict(
                "The photo was read again since you looked, so its polyps may have other numbers. "
                "Look at it as it is now, and make the correction there."
            )
        return [
            one.correction
            for one in found.corrected.standings
            if one.correction.number > int(number)
        ]

    def as_seen(self, found: CorrectedPhoto) -> PlateReading:
        """Return the reading as the person saw it: without what others did in between."""
        if not self.others:
            return found.reading
        unseen = {one.id for one in self.others}
        known = [one.correction for one in found.corrected.standings]
        return corrected_photo(
            replace(found.photo, outcome=found.corrected.machine),
            [one for one in known if one.id not in unseen],
        ).reading

    def record(self, wish: Wish) -> None:
        found = self.photo(wish.photo)
        act, was = self._act(wish, found)
        correction = Correction(
            id=uuid.uuid4().hex,
            number=found.corrected.version + 1,
            author=self.author,
            at=self.now,
            act=act,
            was=was,
        )
        sha256 = found.photo.sha256
        said = [one.correction for one in found.corrected.standings]
        machine = replace(found.photo, outcome=found.corrected.machine)
        after = corrected_photo(machine, [*said, correction])
        standing = after.corrected.standings[-1]
        if standing.state == "open" and not self.others:
            raise CorrectionError(standing.why)
        # Where others corrected in between it is kept all the same, and told to be open.
        add_correction(self.connection, sha256, correction)
        self.own.append(correction)
        self.photos[sha256] = after

    def _act(self, wish: Wish, found: CorrectedPhoto) -> tuple[Act, tuple[Polyp, ...]]:
        said = [one.correction for one in found.corrected.standings]
        if wish.kind == "withdraw":
            return Withdraw(of=_known(wish.values.get("id"), said)), ()
        if wish.kind in ("undo", "redo"):
            of = (to_undo if wish.kind == "undo" else to_redo)(said, self.author)
            if of is None:
                raise CorrectionError(f"Nothing of {self.author} is left to {wish.kind} here.")
            return Withdraw(of=of), ()
        if wish.kind == "join":
            return self._join(wish, found)
        return act_of(wish, self.as_seen(found), found.photo.size_px)

    def _join(self, wish: Wish, found: CorrectedPhoto) -> tuple[Act, tuple[Polyp, ...]]:
        there = wish.values.get("with")
        if not isinstance(there, dict) or not isinstance(there.get("photo"), str):
            raise CorrectionError(
                'Say who it is joined to: "with": {"photo": an earlier photo, "label": 3}.'
            )
        own = {key: one for key, one in wish.values.items() if key in ("label", "at")}
        before = find_corrected(self.connection, photo_named(self.connection, there["photo"]))
        _check_earlier(before, found)
        polyp = one_polyp({k: v for k, v in there.items() if k != "photo"}, before.reading)
        act = JoinLineage(relation=relation(wish.values), photo=before.photo.sha256, before=polyp)
        return act, (one_polyp(own, self.as_seen(found)),)

    def result(self) -> Recorded:
        return Recorded(
            ids=tuple(one.id for one in self.own),
            photos=tuple(self.photos.values()),
            others=tuple(self.others),
        )


def _known(of: Any, said: Sequence[Correction]) -> str:
    """Return the id of an earlier correction, given whole or by its beginning."""
    found = [one.id for one in said if isinstance(of, str) and len(of) >= 6 and
             one.id.startswith(of)]  # fmt: skip
    if len(found) != 1:
        raise CorrectionError(
            f"There is no correction {of!r} on this photo. List them with: polypvision correct "
            "--list PHOTO"
        )
    return found[0]


def _check_earlier(before: CorrectedPhoto, found: CorrectedPhoto) -> None:
    first, second = before.reading.taken_at, found.reading.taken_at
    if before.reading.plate != found.reading.plate:
        raise CorrectionError(
            f"The photos show two plates, {before.reading.plate} and {found.reading.plate}. Who is "
            "who is followed plate by plate."
        )
    if first is None or second is None:
        raise CorrectionError("One of the photos has no date. Read it again with --date.")
    if first.tzinfo is None or second.tzinfo is None:
        first, second = first.replace(tzinfo=None), second.replace(tzinfo=None)
    if first >= second:
        raise CorrectionError(
            "The photo joined to is not the earlier one. Make the joining on the later photo."
        )


def standing_words(standing: Standing) -> str:
    """Return one line that tells a correction and how it stands."""
    one = standing.correction
    of = " ".join(str(polyp.label) for polyp in one.was)
    words = f"{one.id[:8]}  {one.at:%Y-%m-%d %H:%M}  {one.author}: {kind_of(one.act)}"
    words += f" {of}" if of else ""
    if isinstance(one.act, Withdraw):
        words += f" {one.act.of[:8]}"
    return f"{words} ({standing.state}{': ' + standing.why if standing.why else ''})"


def machine_against_people(logbook: Logbook, plates: Sequence[str] | None = None) -> Agreement:
    """Compare the machine with people on all photos on which a correction holds.

    Parameters
    ----------
    logbook : Logbook
    plates : sequence of str or None
        All of them if None.

    Raises
    ------
    PlateUnknown
    """
    pairs = []
    with logbook.reading() as connection:
        if plates is None:
            hashes = corrected_photos_in(connection)
        else:
            for plate in plates:
                facts_of(connection, plate)
            hashes = [one for plate in plates for one in corrected_photos_of(connection, plate)]
        for sha256 in hashes:
            one = find_corrected(connection, sha256)
            if one.corrected.authors:
                pairs.append((one.corrected.machine, one.reading))
    return compare_with_people(pairs)
