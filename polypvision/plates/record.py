"""Findings recorded: each photo whole or not at all, and once."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from polypvision.files.photos import lasting_place, shown_path
from polypvision.pipeline import ReadSettings
from polypvision.plates.corrected import CorrectedPhoto, corrected_photo, find_corrected
from polypvision.plates.desk import Desk, PhotoOutcome, Status
from polypvision.plates.reader import (
    NOTHING_SAID,
    Brief,
    Finding,
    KnownHashes,
    PhotoTask,
    PlateSaid,
    ReadWishes,
    SaidTable,
    date_remark,
    said,
    settings_for,
)
from polypvision.reading import PlateReading, Refusal
from polypvision.store.corrections import corrections_in, corrections_of
from polypvision.store.facts import (
    PlateFacts,
    all_facts,
    facts_of,
    find_facts,
    hold_plate,
    set_facts,
)
from polypvision.store.logbook import Logbook
from polypvision.store.readings import (
    StoredPhoto,
    add_name,
    find_forgotten,
    find_photo,
    is_read,
    is_there,
    read_hashes,
    save_photo,
    twin_of,
)


def _plate_said(facts: PlateFacts | None) -> PlateSaid:
    if facts is None:
        return NOTHING_SAID
    return PlateSaid(
        bar_mm=facts.bar_mm,
        normal_mouths=facts.normal_mouths,
        disc_height_mm=facts.disc_height_mm,
        water_depth_mm=facts.water_depth_mm,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Recorded:
    """What the logbook told of a photo as it was recorded: another of the same moment, and how it
    stands now if it was corrected before."""

    twin: str | None
    corrected: CorrectedPhoto | None


class Recorder(Desk):
    """Records findings; the only one who writes, however many read."""

    def __init__(self, wishes: ReadWishes, logbook: Logbook) -> None:
        super().__init__(wishes)
        self.logbook = logbook

    def brief(self) -> Brief:
        """Return what a reader in this process needs to know; it asks the logbook itself."""
        return Brief(
            wishes=self.wishes,
            recording=True,
            profiles=self.profiles,
            said_of=self._said_of,
            is_known=self._is_read,
        )

    def brief_to_send(self) -> Brief:
        """Return the same for a reader in another process, as the logbook stands now."""
        facts = {one.plate: _plate_said(one) for one in self.logbook.look(all_facts)}
        hashes = self.logbook.look(read_hashes)
        table = {plate: one for plate, one in facts.items() if one != NOTHING_SAID}
        return replace(self.brief(), said_of=SaidTable(table), is_known=KnownHashes.of(hashes))

    def _said_of(self, plate: str) -> PlateSaid:
        return _plate_said(self.logbook.look(lambda connection: find_facts(connection, plate)))

    def _is_read(self, sha256: str) -> bool:
        return self.logbook.look(lambda connection: is_read(connection, sha256))

    def _known(self, sha256: str) -> CorrectedPhoto | None:
        """Return the photo if a reading of it is on record."""
        if not sha256:
            return None

        def find(connection: sa.Connection) -> CorrectedPhoto | None:
            known = find_photo(connection, sha256)
            if known is None or isinstance(known.outcome, Refusal):
                return None
            return corrected_photo(known, corrections_in(connection, [sha256])[sha256])

        return self.logbook.look(find)

    def _forgotten(self, sha256: str) -> StoredPhoto | None:
        if not sha256:
            return None
        return self.logbook.look(lambda connection: find_forgotten(connection, sha256))

    def _wanted(self, plate: str | None, before: Mapping[str, Any]) -> ReadSettings:
        """What a photo of that plate should have been read with, as the logbook stands."""
        facts = NOTHING_SAID if plate is None else self._said_of(plate)
        return settings_for(self.wishes, facts, before)

    def _up_to_date(self, known: StoredPhoto) -> bool:
        if self.wishes.again:
            return False
        # A reading of an older version says nothing of what was not asked then.
        before = {**asdict(ReadSettings()), **known.settings}
        return asdict(self._wanted(known.outcome.plate, known.settings)) == before

    def _again(self, task: PhotoTask, known: StoredPhoto) -> PhotoTask:
        plate = known.outcome.plate
        return replace(
            task,
            forced=True,
            before=dict(known.settings),
            recorded=True,
            taken_at=known.outcome.facts.taken_at,
            said={} if plate is None else {plate: self._said_of(plate)},
        )

    def reconsider(self, task: PhotoTask, found: Finding) -> PhotoTask | None:
        """Return another task at once if this finding surely will not be the last."""
        if found.outcome is not None or self._forgotten(found.sha256) is not None:
            return None
        known = self._known(found.sha256)
        if known is None:
            return replace(task, forced=True)
        return None if self._up_to_date(known.photo) else self._again(task, known.photo)

    def settle(self, task: PhotoTask, found: Finding) -> PhotoOutcome | PhotoTask:
        """Record a finding, unless the logbook asks for another.

        Raises
        ------
        LogbookError
            If the logbook cannot be written. Not the photo's fault; the next would fare no better.
        """
        if isinstance(found.outcome, PlateReading) and not task.recorded:
            # Nearly all photos are new: then one transaction asks for all and writes.
            new = self._record(task, found, found.outcome, only_new=True)
            if new is not None:
                return new
        gone = self._forgotten(found.sha256)
        if gone is not None:
            remark = "forgotten; bring it back with: polypvision forget --undo PHOTO"
            return PhotoOutcome(outcome=gone.outcome, status="forgotten", remark=remark)
        if not task.forced:
            known = self._known(found.sha256)
            if known is not None:
                if self._up_to_date(known.photo):
                    return self._meet(task, known)
                return self._again(task, known.photo)
        if found.outcome is None:
            return replace(task, forced=True)
        if isinstance(found.outcome, Refusal):
            return self._keep_refusal(task, found.outcome)
        settled = self._record(task, found, found.outcome)
        # Else another program was quicker by a moment.
        return self.settle(replace(task, forced=False), found) if settled is None else settled

    def _meet(self, task: PhotoTask, known: CorrectedPhoto) -> PhotoOutcome:
        """A photo that is on record already: at most its name is new."""
        place, photo = lasting_place(task.place), known.photo
        new_name = place not in photo.names
        if new_name:
            self.logbook.write(lambda connection: add_name(connection, photo.sha256, place))
        held = known.reading
        return PhotoOutcome(
            outcome=replace(held, facts=replace(held.facts, photo=shown_path(task.place))),
            status="known",
            remark=f"same photo as {_short(photo.names[0])}" if new_name else "",
        )

    def _record(
        self, task: PhotoTask, found: Finding, reading: PlateReading, *, only_new: bool = False
    ) -> PhotoOutcome | PhotoTask | None:
        """Record a reading; None if one of this photo is on record that it may not replace.

        With ``only_new``, also if anything else is known of the photo.
        """
        plate, date = reading.plate, found.date
        assert plate is not None
        in_the_way = is_there if only_new else is_read

        def record(connection: sa.Connection) -> _Recorded | PlateSaid | None:
            if not task.recorded and in_the_way(connection, found.sha256):
                return None
            said_now = _plate_said(find_facts(connection, plate))
            if settings_for(self.wishes, said_now, task.before) != found.settings:
                return said_now
            save_photo(
                connection,
                reading,
                path=lasting_place(task.place),
                settings=asdict(found.settings) if found.settings else {},
                size_px=found.size_px,
                date_source=date.source if date else None,
            )
            self._keep_wishes(connection, plate)
            twin = twin_of(connection, reading) if date and date.source == "exif" else None
            # Read back only if somebody corrected it when it was read before.
            corrected = not only_new and bool(corrections_of(connection, found.sha256))
            now = find_corrected(connection, found.sha256) if corrected else None
            return _Recorded(twin=twin, corrected=now)

        done = self.logbook.write(record)
        if done is None:
            return None
        if isinstance(done, PlateSaid):
            # Something was said of the plate since the reader was told.
            return replace(task, forced=True, said={plate: done})
        now = done.corrected
        remark = _kept_remark(now) if task.recorded else date_remark(date)
        if done.twin is not None:
            # Two points of time that are one would count one photo twice.
            remark = f"same moment as {_short(done.twin)}: an edited copy?"
        status: Status = "again" if task.recorded else "recorded"
        return PhotoOutcome(
            outcome=reading if now is None else now.reading,
            status=status,
            remark=remark,
        )

    def _keep_wishes(self, connection: sa.Connection, plate: str) -> None:
        """What was said while recording holds for the plate from now on."""
        wishes = self.wishes
        if not any(
            (
                wishes.bar_mm,
                wishes.normal_mouths,
                wishes.disc_height_mm is not None,
                wishes.water_depth_mm is not None,
            )
        ):
            return
        hold_plate(connection, plate)
        facts = facts_of(connection, plate)
        now = replace(
            facts,
            bar_mm=self.wishes.bar_mm or facts.bar_mm,
            normal_mouths=self.wishes.normal_mouths or facts.normal_mouths,
            disc_height_mm=said(self.wishes.disc_height_mm, facts.disc_height_mm),
            water_depth_mm=said(self.wishes.water_depth_mm, facts.water_depth_mm),
        )
        if now != facts:
            set_facts(connection, now)

    def _keep_refusal(self, task: PhotoTask, refusal: Refusal) -> PhotoOutcome:
        """Remember that a photo could not be read; a reading on record is never lost to that."""

        def keep(connection: sa.Connection) -> str:
            known = find_photo(connection, refusal.facts.sha256)
            if known is not None and isinstance(known.outcome, PlateReading):
                return "the reading on record is kept"
            save_photo(
                connection,
                refusal,
                path=lasting_place(task.place),
                settings=asdict(settings_for(self.wishes)),
            )
            return ""

        remark = self.logbook.write(keep) if refusal.facts.sha256 else ""
        return PhotoOutcome(outcome=refusal, status="refused", remark=remark)


def _short(path: str) -> str:
    """The end of a path: enough to know the photo by."""
    return "/".join(Path(path).parts[-2:])


def _kept_remark(now: CorrectedPhoto | None) -> str:
    """What became of the corrections of a photo that was read again; None if there are none."""
    if now is None:
        return ""
    held = [one for one in now.corrected.standings if one.state != "withdrawn"]
    if not held:
        return ""
    waiting = len(now.corrected.open)
    words = f"{len(held)} corrections kept"
    return f"{words}, {waiting} open: look" if waiting else words
