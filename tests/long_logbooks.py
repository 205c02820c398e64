"""Logbooks of many plates, written in bulk: what a room has after years."""

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa
from time_builders import grid, make_polyp, make_reading

from polypvision import __version__
from polypvision.plan import READY_MM
from polypvision.plates.kept import state_mark
from polypvision.plates.made import MadePage, MadePages, page_hashes, state_of_page
from polypvision.plates.sheets import file_stem
from polypvision.reading import Polyp, to_record
from polypvision.reports.page import PlateLink
from polypvision.reports.sayings import Tile
from polypvision.store.kept import Kept, KeptKind, keep, kept_of
from polypvision.store.logbook import Logbook
from polypvision.store.schema import log_entries, mouths, photo_names, photos, plates, polyps
from polypvision.store.stamps import new_mark, plate_marks, touch

EVERY_DAYS = 7
N_POINTS = 16
"""Corners of an outline. Photos give some 600, which would be 30 times the disk and tell no more of
what is asked here."""
N_VARIANTS = 7
_TOGETHER = 500
FIRST = datetime(2031, 3, 4, 10, 15, tzinfo=UTC)


def plate_name(number: int) -> str:
    """Return the name of one of the plates, from 0 on."""
    return f"{number + 1:05d}" if number >= 9999 else f"{number + 1:04d}"


def photo_hash(plate: str, n: int) -> str:
    """Return the hash by which a plate's photo of the n-th date is known."""
    return hashlib.sha256(f"{plate}-{n}".encode()).hexdigest()


def _plain(polyp: Polyp) -> Polyp:
    """The same polyp with few corners, of the same area: `verify` works it out from them."""
    step = len(polyp.outline_px) // N_POINTS
    px, mm = (one[::step] for one in (polyp.outline_px, polyp.outline_mm))
    x, y = mm.T
    wider = np.sqrt(polyp.area_mm2 / (0.5 * abs(x @ np.roll(y, 1) - y @ np.roll(x, 1))))
    px, mm = (one.mean(axis=0) + wider * (one - one.mean(axis=0)) for one in (px, mm))
    return replace(polyp, outline_px=px.round(1), outline_mm=mm)


def _polyps(variant: int, day: int, n_polyps: int) -> list[Polyp]:
    """Discs that grow, half of them cut on the first day and closing, one with two mouths."""
    rng = np.random.default_rng(variant)
    found = []
    for label, (x, y) in enumerate(grid(5, -(-n_polyps // 5), 32.0)[:n_polyps], 1):
        size = 14 + rng.uniform(0, 6) + 0.05 * day
        wound = max(0.0, rng.uniform(10, 40) - 0.9 * day) if label % 2 else 0.0
        flags = ("wound",) if wound else ()
        n_mouths = 2 if label == n_polyps else 1
        polyp = make_polyp(label, x, y, size, wound_mm2=wound, flags=flags, n_mouths=n_mouths)
        found.append(_plain(polyp))
    return found


def _records(n_dates: int, n_polyps: int) -> list[list[dict[str, Any]]]:
    return [
        [
            to_record(make_reading(EVERY_DAYS * n, _polyps(v, EVERY_DAYS * n, n_polyps)))
            for n in range(n_dates)
        ]
        for v in range(N_VARIANTS)
    ]


def _photo(record: Mapping[str, Any], plate: str, number: int, n: int) -> dict[str, Any]:
    at = FIRST + timedelta(days=EVERY_DAYS * n, minutes=number % 480)
    own = {"plate": plate, "sha256": photo_hash(plate, n), "photo": f"{plate}-{n}.jpg"}
    return {**record, **own, "taken_at": at.isoformat()}


def _own(table: sa.Table, values: Mapping[str, Any]) -> dict[str, Any]:
    return {name: values[name] for name in table.columns.keys() if name in values}  # noqa: SIM118


def _rows(found: dict[str, Any]) -> Iterator[tuple[sa.Table, dict[str, Any]]]:
    sha256 = found["sha256"]
    yield photos, {
        **_own(photos, found), "record": found, "settings": {"normal_mouths": 1}, "error": None,
        "date_source": "exif", "width_px": 4000, "height_px": 3000, "program": __version__,
        "read_at": FIRST.isoformat(),
    }  # fmt: skip
    yield photo_names, {"sha256": sha256, "path": f"/rack/{found['plate']}/{found['photo']}"}
    for one in found["polyps"]:
        yield polyps, {**_own(polyps, one), "sha256": sha256, "flags": " ".join(one["flags"])}
        for number, mouth in enumerate(one["mouths"], 1):
            place = {name: mouth[name] for name in ("x_mm", "y_mm", "score")}
            yield mouths, {"sha256": sha256, "label": one["label"], "number": number, **place}


def fill_long(
    book: Logbook, n_plates: int, *, first: int = 0, n_dates: int = 6, n_polyps: int = 15
) -> None:
    """Record so many plates from a number on, each cut on its first day."""
    records = _records(n_dates, n_polyps)
    order = (plates, photos, photo_names, polyps, mouths, log_entries)
    end = first + n_plates
    for begin in range(first, end, _TOGETHER):
        rows: dict[sa.Table, list[dict[str, Any]]] = {table: [] for table in order}
        for number in range(begin, min(end, begin + _TOGETHER)):
            plate = plate_name(number)
            facts = {"line": f"line {number % 12}", "normal_mouths": 1, "note": ""}
            rows[plates].append({"plate": plate, **facts, "mark": new_mark()})
            for n, record in enumerate(records[number % N_VARIANTS]):
                for table, values in _rows(_photo(record, plate, number, n)):
                    rows[table].append(values)
            cut = {"at": FIRST.isoformat(), "kind": "cut", "donor": "", "dip": "", "note": ""}
            rows[log_entries].append({"plate": plate, "pieces": n_polyps // 2 + 1, **cut})
        with book.writing() as connection:
            for table in order:
                connection.execute(sa.insert(table), rows[table])


def bytes_per_photo(n_polyps: int = 15) -> int:
    """Return how long the record of one of these photos is as text."""
    return len(json.dumps(_records(1, n_polyps)[0][0]))


def put_down_kept(small: Logbook, large: Logbook) -> None:
    """Keep for all plates what was worked out of those few in the small logbook that they are like.

    Working out 10,000 plates takes hours, and each takes what one takes.
    """
    sizes: dict[KeptKind, float] = {"due": READY_MM, "glance": 0.0, "outlook": READY_MM}
    with large.reading() as connection:
        marks = sorted(plate_marks(connection).items())
    for kind, size_mm in sizes.items():
        with small.reading() as connection:
            names = list(plate_marks(connection))
            known = {p: one.body for p, one in kept_of(connection, kind, size_mm, names).items()}
        for begin in range(0, len(marks), _TOGETHER):
            rows = [
                Kept(plate=plate, kind=kind, mark=state_mark(mark), body=_like(known, number))
                for number, (plate, mark) in enumerate(marks[begin : begin + _TOGETHER], begin)
                if known
            ]
            with large.writing() as connection:
                keep(connection, size_mm, rows, usual_mm=READY_MM)


def _like(known: Mapping[str, Any], number: int) -> dict[str, Any]:
    """Return what is kept of a plate's like under its own name and line."""
    like = number % N_VARIANTS
    text = json.dumps(known[plate_name(like)])
    text = text.replace(f'"{plate_name(like)}"', f'"{plate_name(number)}"')
    found: dict[str, Any] = json.loads(text.replace(f'"line {like}"', f'"line {number % 12}"'))
    return found


def put_down_pages(drawn: Path, large: Logbook, folder: Path) -> None:
    """Put pages and charts of all plates into a folder: those of the few they are like.

    Drawing 10,000 plates takes hours, and each takes what one takes.

    Parameters
    ----------
    drawn : Path
        The report of a small logbook with a plate of each variant.
    large : Logbook
    folder : Path
    """
    folder.mkdir(parents=True, exist_ok=True)
    made = MadePages(folder)
    listed = json.loads((drawn / "pages.json").read_text(encoding="utf-8"))
    with large.reading() as connection:
        for number, (plate, mark) in enumerate(sorted(plate_marks(connection).items())):
            state = state_of_page(connection, plate, state_mark(mark))
            like = plate_name(number % N_VARIANTS)
            stem = file_stem(plate)
            names = []
            for path in drawn.glob(f"{file_stem(like)}[.-]*"):
                names.append(path.name.replace(file_stem(like), stem))
                if path.suffix != ".html" and not (folder / names[-1]).exists():
                    (folder / names[-1]).hardlink_to(path)
            html = (drawn / f"{file_stem(like)}.html").read_text(encoding="utf-8")
            html = html.replace(f"Plate {like}", f"Plate {plate}")
            (folder / f"{stem}.html").write_text(html, encoding="utf-8")
            found = listed[like]["link"]
            own = {"href": f"{stem}.html", "title": f"Plate {plate}"}
            link = PlateLink(
                **{**found, **own, "tiles": tuple(Tile(**one) for one in found["tiles"])}
            )
            of_stock, of_rest = page_hashes(html)
            page = MadePage(state=state, stock=of_stock, rest=of_rest, link=link, remark=None)
            made.add(plate, page, names)
    made.write()


def add_photo(book: Logbook, plate: str) -> None:
    """Record one more photo of a plate, a week after its last one, with the same polyps on it."""
    with book.reading() as connection:
        found = connection.execute(sa.select(photos).where(photos.c.plate == plate)).mappings()
        last = dict(max(found, key=lambda row: row["taken_at"]))
    at = datetime.fromisoformat(last["taken_at"]) + timedelta(days=EVERY_DAYS)
    own = {
        "sha256": hashlib.sha256(f"{plate} {at}".encode()).hexdigest(),
        "photo": f"{plate} {at:%Y-%m-%d}.jpg",
        "taken_at": at.isoformat(),
    }
    record = {**last, **own, "record": {**last["record"], **own}}

    def write(connection: sa.Connection) -> None:
        connection.execute(sa.insert(photos), [record])
        name = {"sha256": own["sha256"], "path": f"/rack/{plate}/{own['photo']}"}
        connection.execute(sa.insert(photo_names), [name])
        touch(connection, plate)

    book.write(write)
