"""What a keeper does while a fault strikes, and what must be there afterwards: all of it, once."""

import contextlib
import hashlib
import json
import shutil
import sqlite3
import threading
import uuid
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
from fault_injection import Ack
from logbook_makers import fill
from old_logbook import STEPS, write_old_logbook
from photo_makers import write_jpeg
from time_builders import grid, make_polyp, make_reading

from polypvision.batch.watch import Arrivals, watch
from polypvision.errors import LogbookError
from polypvision.events import LogEntry
from polypvision.files.copies import file_hash
from polypvision.files.outputs import write_bytes
from polypvision.files.remote import Place
from polypvision.plates.backup import backups_in, make_backup
from polypvision.plates.correct import correct_photos
from polypvision.plates.export import export_plates
from polypvision.plates.forget import forget, forgotten_things, recall
from polypvision.plates.log import log_of, note
from polypvision.plates.read import ReadWishes, read_photos
from polypvision.plates.restore import restore
from polypvision.plates.verify import verify, verify_backup
from polypvision.reading import Refusal
from polypvision.store.corrections import corrections_in
from polypvision.store.logbook import open_logbook
from polypvision.store.readings import photo_places, read_hashes, save_photo
from polypvision.web.uploads import Uploads

AT = datetime(2031, 3, 4, 10, 15, tzinfo=UTC)
WISHES = ReadWishes(mm_per_px=0.2, plate="rack 3")


@dataclass(frozen=True, kw_only=True)
class Act:
    """Something a keeper does.

    Attributes
    ----------
    name : str
    prepare : callable
        Makes what was there before, in a folder.
    do : callable
        Does it there, and acks each record once it is kept.
    wrong : callable
        Returns in words what is lost, doubled or broken of what was acked.
    """

    name: str
    prepare: Callable[[Path], None]
    do: Callable[[Path, Ack], None]
    wrong: Callable[[Path, Sequence[str]], list[str]]


def book_of(world: Path) -> Path:
    return world / "room" / "book.sqlite"


def furnish(world: Path) -> None:
    """A logbook with four photos, a correction and a cut; and empty folders."""
    for name in ("room/photos", "stick", "new"):
        (world / name).mkdir(parents=True)
    with open_logbook(book_of(world), create=True) as book:
        photos = fill(book, world / "room" / "photos")
        wish = {"kind": "add-mouth", "label": 1, "place_px": [140, 120], "photo": str(photos[0])}
        correct_photos(book, [wish], author="Ada", now=AT)


def unclean(place: Path, but: Sequence[str] = ()) -> list[str]:
    """What verify finds."""
    with open_logbook(place) as book:
        return [one.what for one in verify(book).troubles if one.kind not in but]


def rows(place: Path, *, but: Sequence[str] = ()) -> dict[str, list[dict[str, object]]]:
    """All that a logbook holds, by table."""
    with contextlib.closing(sqlite3.connect(place)) as made:
        made.row_factory = sqlite3.Row
        names = made.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
        return {
            name: [dict(row) for row in made.execute(f"SELECT * FROM {name} ORDER BY 1, 2")]
            for (name,) in names
            if name not in ("alembic_version", *but)
        }


def once(there: Sequence[str], acks: Sequence[str]) -> list[str]:
    """What is not there exactly once."""
    counts = Counter(there)
    lost = [f"lost: {ack}" for ack in acks if not counts[ack]]
    return lost + [f"doubled: {one}" for one, count in counts.items() if count > 1]


# Reading photos.


def _photos_to_read(world: Path) -> None:
    furnish(world)
    folder = world / "room" / "in"
    folder.mkdir()
    for day in range(1, 6):
        write_jpeg(folder / f"rack{day:02d}.jpg", datetime(2024, 3, day, 12))


def _read(world: Path, ack: Ack) -> None:
    with open_logbook(book_of(world)) as book:
        for path in sorted((world / "room" / "in").iterdir()):
            (one,) = read_photos([path], WISHES, logbook=book)
            if isinstance(one.outcome, Refusal):
                if one.outcome.kind == "internal":
                    raise RuntimeError(one.outcome.message)
            else:
                ack(one.outcome.facts.sha256)


def _unread(world: Path, acks: Sequence[str]) -> list[str]:
    with open_logbook(book_of(world)) as book, book.reading() as connection:
        there = read_hashes(connection)
    return once(there, acks) + unclean(book_of(world))


# Watching a folder, with as many processes.


class _Few(Arrivals):
    """Arrivals that end the watch once all that lay there was dealt with."""

    def __init__(self, folder: Path, stop: threading.Event) -> None:
        super().__init__(folder, settled_s=0.05)
        self.left = set(folder.iterdir())
        self.stop = stop

    def done(self, place: Place) -> None:
        super().done(place)
        self.left.discard(Path(str(place)))
        if not self.left:
            self.stop.set()


def _watch(world: Path, ack: Ack, jobs: int = 1) -> None:
    folder, stop = world / "room" / "in", threading.Event()
    hashes = {path.name: file_hash(path) for path in folder.iterdir()}

    def tell(kind: str, line: str) -> None:
        if kind == "read":
            ack(hashes[line.partition(":")[0]])
        elif kind == "trouble":
            raise LogbookError(line)  # told; a keeper would wait, a try ends here

    with open_logbook(book_of(world)) as book:
        arrivals = _Few(folder, stop)
        watch(folder, WISHES, logbook=book, stop=stop, tell=tell, jobs=jobs, every_s=0.05,
              arrivals=arrivals)  # fmt: skip


def _watch_with_two(world: Path, ack: Ack) -> None:
    _watch(world, ack, jobs=2)


# Readings written down, as reading does, but without the seconds that the networks take.


def _keep(world: Path, ack: Ack) -> None:
    with open_logbook(book_of(world)) as book:
        for number in range(8):
            name = uuid.uuid4().hex
            polyps = [
                make_polyp(label, x, y, 15 + number)
                for label, (x, y) in enumerate(grid(3, 2, 40), 1)
            ]
            path = world / "room" / "photos" / f"{name}.jpg"
            write_bytes(path, name.encode())
            reading = make_reading(number, polyps, plate="0077", photo=str(path))
            sha256 = hashlib.sha256(name.encode()).hexdigest()
            facts = replace(reading.facts, sha256=sha256)
            with book.writing() as connection:
                save_photo(connection, replace(reading, facts=facts), path=str(path), settings={})
            ack(sha256)


# Correcting, writing down, forgetting.


def _correct(world: Path, ack: Ack) -> None:
    photos = sorted((world / "room" / "photos").iterdir())
    with open_logbook(book_of(world)) as book:
        for number in range(10):
            place = [130 + 6 * (number % 4), 110 + 8 * (number // 4)]
            wish = {"kind": "add-mouth", "label": 1, "place_px": place}
            kind = {"kind": "undo"} if number % 2 else wish
            wishes = [{**kind, "photo": str(photos[number // 2 % len(photos)])}]
            try:
                done = correct_photos(book, wishes, author=f"Ada {uuid.uuid4().hex}", now=AT)
            except Exception as error:
                if type(error).__name__ != "CorrectionError":
                    raise
                continue  # That mouth is there already, from before the fault.
            for one in done.ids:
                ack(one)


def _uncorrected(world: Path, acks: Sequence[str]) -> list[str]:
    with open_logbook(book_of(world)) as book, book.reading() as connection:
        hashes = [one.sha256 for one in photo_places(connection)]
        found = corrections_in(connection, hashes)
    there = [one.id for said in found.values() for one in said]
    return once(there, acks) + unclean(book_of(world))


def _write_down(world: Path, ack: Ack) -> None:
    with open_logbook(book_of(world)) as book:
        for _ in range(20):
            text = uuid.uuid4().hex
            note(book, LogEntry(plate="0042", at=AT, kind="note", note=text))
            ack(text)


def _unwritten(world: Path, acks: Sequence[str]) -> list[str]:
    with open_logbook(book_of(world)) as book:
        there = [entry.note for entry in log_of(book, "0042") if entry.kind == "note"]
    return once(there, acks) + unclean(book_of(world))


def _forget(world: Path, ack: Ack) -> None:
    with open_logbook(book_of(world)) as book:
        for _ in range(6):
            if forgotten_things(book):
                recall(book, photos=["photo 7.jpg"])
                ack("recalled")
            else:
                forget(book, photos=["photo 7.jpg"])
                ack("forgotten")


def _unforgotten(world: Path, acks: Sequence[str]) -> list[str]:
    wrong = unclean(book_of(world))
    with open_logbook(book_of(world)) as book, book.reading() as connection:
        if len(photo_places(connection)) != 4:
            wrong.append("lost: a photo that was only forgotten")
    return wrong


# Bringing an older logbook up to date.


def _migrate(world: Path, ack: Ack) -> None:
    for step in STEPS[:-1]:
        with open_logbook(world / f"{step}.sqlite"):
            ack(step)


def _old_ones(world: Path) -> None:
    world.mkdir(parents=True)
    for step in STEPS[:-1]:
        write_old_logbook(step, world / f"{step}.sqlite")


def _unmigrated(world: Path, acks: Sequence[str]) -> list[str]:
    wrong = []
    for step in STEPS[:-1]:
        place = world / f"{step}.sqlite"
        old = rows(write_old_logbook(step, _fresh(world.with_name("old.sqlite"))))
        wrong += unclean(place, but=("photo",))  # The photos of these were never anywhere.
        now = rows(place)
        for table, was in old.items():
            for before, after in zip(was, now.get(table, []), strict=True):
                if any(after.get(name) != value for name, value in before.items()):
                    wrong.append(f"lost: a row of {table} of step {step}")
        for copy in world.glob(f"{step}-before-*.sqlite"):
            if rows(copy) != old:
                wrong.append(f"the copy {copy.name} is not whole")
    return wrong


def _fresh(path: Path) -> Path:
    path.unlink(missing_ok=True)
    return path


# Backup and restore.


def _back_up(world: Path, ack: Ack) -> None:
    with open_logbook(book_of(world)) as book:
        ack(make_backup(book, world / "stick", photos=True).folder.name)


def _not_backed_up(world: Path, acks: Sequence[str]) -> list[str]:
    made = backups_in(world / "stick")
    wrong = [f"{one}: {two.what}" for one in made for two in verify_backup(one)[1]]
    return once([one.name for one in made], acks) + wrong + unclean(book_of(world))


def _backed_up(world: Path) -> None:
    furnish(world)
    with open_logbook(book_of(world)) as book:
        make_backup(book, world / "stick", photos=True)
        note(book, LogEntry(plate="0042", at=AT, kind="note", note="after the backup"))


def _restore(world: Path, ack: Ack) -> None:
    restore(
        world / "stick",
        book_of(world),
        photos=world / "new" / "photos",
        profiles=world / "new" / "calibration",
        replace=True,
    )
    ack("restored")


def _unrestored(world: Path, acks: Sequence[str]) -> list[str]:
    def notes(place: Path) -> list[str]:
        with open_logbook(place) as book:
            return [entry.note for entry in log_of(book, "0042") if entry.kind == "note"]

    wrong = unclean(book_of(world))
    aside = list((world / "room").glob("book-replaced-*.sqlite"))
    here = notes(book_of(world))
    if "after the backup" not in [*here, *(one for place in aside for one in notes(place))]:
        wrong.append("lost: what was written after the backup")
    if acks and here:
        wrong.append("the backup is not in its place")
    return wrong


# Photos that a phone sends; pages and tables that are written.


def _upload(world: Path, ack: Ack) -> None:
    uploads = Uploads(world / "desk")
    for path in sorted((world / "room" / "photos").iterdir()):
        data = path.read_bytes()
        sha256 = hashlib.sha256(data).hexdigest()
        here = uploads.begin(sha256, path.name, len(data)).received
        while here < len(data):
            piece = data[here : here + len(data) // 4 + 1]
            here = uploads.add(sha256, path.name, len(data), here, piece).received
        ack(sha256)


def _unsent(world: Path, acks: Sequence[str]) -> list[str]:
    uploads, wrong = Uploads(world / "desk"), []
    for ack in acks:
        if uploads.find(ack) is None:
            wrong.append(f"lost: photo {ack}")
    for path in (world / "desk" / "photos").glob("*/*"):
        if hashlib.sha256(path.read_bytes()).hexdigest() != path.parent.name:
            wrong.append(f"{path} is not whole")
    return wrong


def _export(world: Path, ack: Ack) -> None:
    with open_logbook(book_of(world)) as book:
        written, _ = export_plates(book, None, world / "out", formats=["csv", "parquet", "coco"])
    for path in written:
        ack(path.name)


def _unexported(world: Path, acks: Sequence[str]) -> list[str]:
    read: dict[str, Callable[[Path], object]] = {
        ".csv": pd.read_csv,
        ".parquet": pd.read_parquet,
        ".json": _json,
    }
    found, wrong = [], []
    for path in (world / "out").glob("[!.]*"):
        found.append(path.name)
        try:
            read[path.suffix](path)
        except Exception as error:
            wrong.append(f"{path.name} is not whole: {error}")
    return once(found, acks) + wrong + unclean(book_of(world))


def _json(path: Path) -> object:
    return json.loads(path.read_text(encoding="utf-8"))


ACTS = {
    act.name: act
    for act in (
        Act(name="read", prepare=_photos_to_read, do=_read, wrong=_unread),
        Act(name="watch", prepare=_photos_to_read, do=_watch, wrong=_unread),
        Act(
            name="watch, two processes", prepare=_photos_to_read, do=_watch_with_two, wrong=_unread
        ),
        Act(name="keep readings", prepare=furnish, do=_keep, wrong=_unread),
        Act(name="correct", prepare=furnish, do=_correct, wrong=_uncorrected),
        Act(name="write down", prepare=furnish, do=_write_down, wrong=_unwritten),
        Act(name="forget", prepare=furnish, do=_forget, wrong=_unforgotten),
        Act(name="bring up to date", prepare=_old_ones, do=_migrate, wrong=_unmigrated),
        Act(name="backup", prepare=furnish, do=_back_up, wrong=_not_backed_up),
        Act(name="restore", prepare=_backed_up, do=_restore, wrong=_unrestored),
        Act(name="send in", prepare=furnish, do=_upload, wrong=_unsent),
        Act(name="export", prepare=furnish, do=_export, wrong=_unexported),
    )
}


def fresh_world(world: Path, template: Path) -> None:
    """Put a folder back as it was; its own path stays, for photos are known by theirs."""
    for old in world.iterdir() if world.exists() else ():
        shutil.rmtree(old) if old.is_dir() else old.unlink()
    shutil.copytree(template, world, dirs_exist_ok=True)
