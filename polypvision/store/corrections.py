"""Corrections in the logbook: added, never changed and never deleted."""

from collections.abc import Sequence

import sqlalchemy as sa

from polypvision.corrections import Correction
from polypvision.corrections.record import from_record, to_record
from polypvision.errors import PhotoUnknown
from polypvision.store.schema import corrections, photo_names, photos
from polypvision.store.stamps import touch


def add_correction(connection: sa.Connection, sha256: str, correction: Correction) -> None:
    """Write one correction of a photo.

    Raises
    ------
    LogbookError
        On leaving the transaction, if its number is taken: somebody else wrote in between.
    """
    connection.execute(sa.insert(corrections).values(sha256=sha256, **to_record(correction)))
    plate = sa.select(photos.c.plate).where(photos.c.sha256 == sha256)
    touch(connection, connection.execute(plate).scalar())


def hold(connection: sa.Connection, sha256: str) -> None:
    """Keep others from correcting this photo until the transaction ends.

    SQLite lets in one writer at a time anyway; a server's database locks the photo's row.
    """
    connection.execute(
        sa.select(photos.c.sha256).where(photos.c.sha256 == sha256).with_for_update()
    )


def corrections_of(connection: sa.Connection, sha256: str) -> list[Correction]:
    """Return the corrections of a photo, in their order."""
    return corrections_in(connection, [sha256])[sha256]


def corrections_in(connection: sa.Connection, hashes: Sequence[str]) -> dict[str, list[Correction]]:
    """Return the corrections of several photos, by the hash of each; in their order."""
    found: dict[str, list[Correction]] = {sha256: [] for sha256 in hashes}
    if not hashes:
        return found
    chosen = sa.select(corrections).where(corrections.c.sha256.in_(hashes))
    for row in connection.execute(chosen.order_by(corrections.c.sha256, corrections.c.number)):
        found[row.sha256].append(from_record(dict(row._mapping)))
    return found


def corrected_photos_of(connection: sa.Connection, plate: str) -> list[str]:
    """Return the hashes of a plate's photos that somebody has corrected, in their order."""
    of_plate = sa.select(photos.c.sha256).where(
        photos.c.plate == plate, photos.c.error.is_(None), photos.c.forgotten_at.is_(None)
    )
    chosen = sa.select(corrections.c.sha256).where(corrections.c.sha256.in_(of_plate)).distinct()
    return sorted(connection.execute(chosen).scalars())


def corrected_photos_in(connection: sa.Connection) -> list[str]:
    """Return the hashes of all photos that somebody has corrected, by plate and hash."""
    chosen = (
        sa.select(photos.c.sha256)
        .where(
            photos.c.sha256.in_(sa.select(corrections.c.sha256)),
            photos.c.error.is_(None),
            photos.c.plate.is_not(None),
            photos.c.forgotten_at.is_(None),
        )
        .order_by(photos.c.plate, photos.c.sha256)
    )
    return list(connection.execute(chosen).scalars())


def photo_named(connection: sa.Connection, name: str, *, forgotten: bool = False) -> str:
    """Return the hash of a recorded photo: by its hash, the beginning of it, or its file's name.

    Parameters
    ----------
    connection : Connection
    name : str
    forgotten : bool
        Whether to look among those that were forgotten, instead of among the others.

    Raises
    ------
    PhotoUnknown
        If there is none, or several.
    """
    is_hash = photos.c.sha256 == name.lower()
    if len(name) >= 8 and set(name.lower()) <= set("0123456789abcdef"):
        # Between two hashes, which an index finds; LIKE would look at every photo.
        is_hash = (photos.c.sha256 >= name.lower()) & (photos.c.sha256 < f"{name.lower()}g")
    tail = name.replace("\\", "/").lstrip("./")
    by_end = photo_names.c.path.endswith(f"/{tail}", autoescape=True)
    of_name = sa.select(photo_names.c.sha256)
    mark = photos.c.forgotten_at
    held = sa.select(photos.c.sha256).where(mark.is_not(None) if forgotten else mark.is_(None))
    for which in (
        is_hash,
        photos.c.sha256.in_(of_name.where(photo_names.c.path == name)),
        photos.c.sha256.in_(of_name.where(by_end)),
    ):
        found = sorted(connection.execute(held.where(which)).scalars())
        if len(found) == 1:
            return str(found[0])
        if found:
            raise PhotoUnknown(
                f"{name!r} is the name of {len(found)} recorded photos. Give more of its path, "
                f"or its hash: {', '.join(one[:12] for one in found[:5])}."
            )
    if forgotten:
        raise PhotoUnknown(f"No photo {name!r} was forgotten. List them with: polypvision forget")
    raise PhotoUnknown(
        f"No photo {name!r} is recorded. Give its file name or hash as in the photos table of: "
        "polypvision export"
    )
