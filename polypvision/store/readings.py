"""Photos and their readings in the logbook, known by the hash of the photo's bytes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from polypvision import __version__
from polypvision.reading import Outcome, PlateReading, Refusal, from_record, to_record
from polypvision.store.facts import ensure_plate
from polypvision.store.schema import mouths, photo_names, photos, polyps
from polypvision.store.stamps import touch
from polypvision.store.upserts import insert_into

Settings = Mapping[str, Any]
_HELD = photos.c.forgotten_at.is_(None)


@dataclass(frozen=True, kw_only=True, eq=False)
class StoredPhoto:
    """A photo as the logbook knows it.

    Attributes
    ----------
    outcome : PlateReading or Refusal
    settings : mapping
        With which it was read; plain JSON values.
    names : tuple of str
        Every path under which it was met, oldest first.
    size_px : tuple of 2 ints or None
        Width and height, upright; None if it could not be decoded.
    date_source : str or None
        'exif', 'name' or 'given'.
    program : str
        Version that read it.
    """

    outcome: Outcome
    settings: Settings
    names: tuple[str, ...]
    size_px: tuple[int, int] | None
    date_source: str | None
    program: str

    @property
    def sha256(self) -> str:
        """Hash of the photo's bytes."""
        return self.outcome.facts.sha256


@dataclass(frozen=True, kw_only=True)
class PhotoPlaces:
    """A photo's hash, and every path under which it was met, oldest first."""

    sha256: str
    names: tuple[str, ...]


def _clear_parts(connection: sa.Connection, sha256: str) -> None:
    for table in (mouths, polyps):
        connection.execute(sa.delete(table).where(table.c.sha256 == sha256))


def save_photo(
    connection: sa.Connection,
    outcome: Outcome,
    *,
    path: str,
    settings: Settings,
    size_px: tuple[int, int] | None = None,
    date_source: str | None = None,
    now: datetime | None = None,
) -> None:
    """Write what one photo told, or why it told nothing, in place of what was there before.

    That a photo could not be read never takes the place of a reading of it.

    Parameters
    ----------
    connection : Connection
        In a transaction; see `Logbook.writing`.
    outcome : PlateReading or Refusal
    path : str
        Where the photo lies.
    """
    sha256 = outcome.facts.sha256
    if outcome.plate is not None:
        ensure_plate(connection, outcome.plate)
    record = to_record(outcome, arrays=True)
    row = {
        "plate": outcome.plate,
        "taken_at": record["taken_at"],
        "date_source": date_source,
        "width_px": size_px[0] if size_px else None,
        "height_px": size_px[1] if size_px else None,
        "error": outcome.kind if isinstance(outcome, Refusal) else None,
        "record": record,
        "settings": dict(settings),
        "program": __version__,
        "read_at": (now or datetime.now(UTC)).isoformat(timespec="seconds"),
    }
    before = connection.execute(sa.select(photos.c.plate).where(photos.c.sha256 == sha256)).first()
    # One row for one hash, also where two programs read the same photo at once; that row is then
    # this transaction's until its end, and with it all that hangs on it.
    added = insert_into(connection, photos).values(sha256=sha256, **row)
    replaced = photos.c.error.is_not(None) if isinstance(outcome, Refusal) else None
    # What was to be inserted, by name: said twice, a long record would be written out twice.
    again: dict[str, sa.ColumnElement[Any]] = {
        name: sa.literal_column(f"excluded.{name}") for name in row
    }
    added = added.on_conflict_do_update(index_elements=["sha256"], set_=again, where=replaced)
    if connection.execute(added.returning(photos.c.sha256)).first() is None:
        return
    add_name(connection, sha256, path)
    _clear_parts(connection, sha256)
    _add_polyps(connection, sha256, record["polyps"])
    touch(connection, outcome.plate)
    if before is not None and before.plate != outcome.plate:
        touch(connection, before.plate)


def _add_polyps(
    connection: sa.Connection, sha256: str, records: Sequence[Mapping[str, Any]]
) -> None:
    own = [column.name for column in polyps.columns if column.name not in ("sha256", "flags")]
    rows = [
        {"sha256": sha256, "flags": " ".join(one["flags"]), **{name: one[name] for name in own}}
        for one in records
    ]
    places = [
        {"sha256": sha256, "label": one["label"], "number": number}
        | {name: mouth[name] for name in ("x_mm", "y_mm", "score")}
        for one in records
        for number, mouth in enumerate(one["mouths"], 1)
    ]
    for table, values in ((polyps, rows), (mouths, places)):
        if values:
            connection.execute(sa.insert(table), values)


def add_name(connection: sa.Connection, sha256: str, path: str) -> None:
    """Note a path of a photo, once."""
    added = insert_into(connection, photo_names).values(sha256=sha256, path=path)
    connection.execute(added.on_conflict_do_nothing(index_elements=["sha256", "path"]))


def find_photo(connection: sa.Connection, sha256: str) -> StoredPhoto | None:
    """Return the photo with that hash, or None."""
    found = _select(connection, (photos.c.sha256 == sha256) & _HELD)
    return found[0] if found else None


def find_forgotten(connection: sa.Connection, sha256: str) -> StoredPhoto | None:
    """Return the photo with that hash if it was forgotten, or None."""
    found = _select(connection, (photos.c.sha256 == sha256) & ~_HELD)
    return found[0] if found else None


def is_read(connection: sa.Connection, sha256: str) -> bool:
    """Return whether a reading of the photo with that hash is on record, forgotten or not."""
    chosen = sa.select(photos.c.sha256).where(photos.c.sha256 == sha256, photos.c.error.is_(None))
    return connection.execute(chosen).first() is not None


def is_there(connection: sa.Connection, sha256: str) -> bool:
    """Return whether anything is known of the photo with that hash: a reading, why there is none,
    or that it was forgotten."""
    chosen = sa.select(photos.c.sha256).where(photos.c.sha256 == sha256)
    return connection.execute(chosen).first() is not None


def read_hashes(connection: sa.Connection) -> list[str]:
    """Return the hashes of all photos of which a reading is on record, forgotten or not."""
    chosen = sa.select(photos.c.sha256).where(photos.c.error.is_(None))
    return list(connection.execute(chosen).scalars())


def twin_of(connection: sa.Connection, outcome: Outcome) -> str | None:
    """Return the name of another photo of the same plate and moment, or None."""
    facts = outcome.facts
    if facts.taken_at is None:
        return None
    same = (photos.c.plate == outcome.plate) & (photos.c.taken_at == facts.taken_at.isoformat())
    twin = sa.select(photos.c.sha256).where(same & _HELD & (photos.c.sha256 != facts.sha256))
    chosen = sa.select(photo_names.c.path).where(photo_names.c.sha256.in_(twin))
    return connection.execute(chosen.order_by(photo_names.c.id)).scalars().first()


def photos_of(connection: sa.Connection, plate: str) -> list[StoredPhoto]:
    """Return the photos of a plate that were read, in date order."""
    read = (photos.c.plate == plate) & photos.c.error.is_(None)
    return _in_order(_select(connection, read & _HELD))


def refused_photos(connection: sa.Connection) -> list[StoredPhoto]:
    """Return the photos that could not be read when last tried, in date order."""
    return _in_order(_select(connection, photos.c.error.is_not(None) & _HELD))


def photo_places(connection: sa.Connection) -> list[PhotoPlaces]:
    """Return where every photo was met, read or not, forgotten or not, in the order of dates."""
    chosen = (
        sa.select(photos.c.sha256, photo_names.c.path)
        .outerjoin_from(photos, photo_names)
        .order_by(sa.func.coalesce(photos.c.taken_at, ""), photos.c.sha256, photo_names.c.id)
    )
    names: dict[str, list[str]] = {}
    for sha256, path in connection.execute(chosen):
        names.setdefault(sha256, []).extend([] if path is None else [path])
    return [PhotoPlaces(sha256=sha256, names=tuple(paths)) for sha256, paths in names.items()]


def names_of_photos(connection: sa.Connection, plate: str) -> list[str]:
    """Return every path under which a photo of a plate was met, without looking at a reading."""
    chosen = sa.select(photo_names.c.path).join(photos, photos.c.sha256 == photo_names.c.sha256)
    own = chosen.where(photos.c.plate == plate, photos.c.error.is_(None), _HELD)
    return list(connection.execute(own.order_by(photo_names.c.path)).scalars())


def _in_order(found: list[StoredPhoto]) -> list[StoredPhoto]:
    """By date and hash. Of dates with and without offset, the wall clocks are compared."""

    def when(photo: StoredPhoto) -> datetime:
        at = photo.outcome.facts.taken_at
        return datetime.min if at is None else at

    plain = any(when(photo).tzinfo is None for photo in found)
    return sorted(
        found,
        key=lambda photo: (
            when(photo).replace(tzinfo=None) if plain else when(photo),
            photo.sha256,
        ),
    )


def _select(connection: sa.Connection, which: sa.ColumnElement[bool]) -> list[StoredPhoto]:
    rows = connection.execute(sa.select(photos).where(which)).all()
    if not rows:
        return []
    names: dict[str, list[str]] = {}
    chosen = sa.select(photos.c.sha256).where(which)
    for name in connection.execute(
        sa.select(photo_names).where(photo_names.c.sha256.in_(chosen)).order_by(photo_names.c.id)
    ):
        names.setdefault(name.sha256, []).append(name.path)
    return [
        StoredPhoto(
            outcome=from_record(row.record),
            settings=row.settings,
            names=tuple(names.get(row.sha256, ())),
            size_px=None if row.width_px is None else (row.width_px, row.height_px),
            date_source=row.date_source,
            program=row.program,
        )
        for row in rows
    ]


def readings_in(found: list[StoredPhoto]) -> list[PlateReading]:
    """Return the readings among stored photos."""
    return [photo.outcome for photo in found if isinstance(photo.outcome, PlateReading)]
