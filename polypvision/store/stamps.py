"""A mark of all that is recorded of a plate: another one as soon as anything has changed."""

import hashlib
import json

import sqlalchemy as sa

from polypvision.store.schema import corrections, log_entries, photos, plates


def plate_stamp(connection: sa.Connection, plate: str | None) -> str:
    """Return a short text that changes with every photo, correction, line and fact of the plate.

    Of the whole logbook, with the photos that could not be read, if `plate` is None.

    Cheap against reading the plate itself: no reading is unpacked. A photo read again within the
    same second by the same program with the same settings gives the same reading.
    """
    kept = (photos.c.sha256, photos.c.read_at, photos.c.error, photos.c.program, photos.c.settings,
            photos.c.forgotten_at)  # fmt: skip
    corrected = sa.select(corrections.c.id).join(photos, photos.c.sha256 == corrections.c.sha256)
    chosen = (
        (corrected.order_by(corrections.c.id), photos.c.plate),
        (sa.select(*kept).order_by(photos.c.sha256), photos.c.plate),
        (sa.select(log_entries).order_by(log_entries.c.id), log_entries.c.plate),
        (sa.select(plates).order_by(plates.c.plate), plates.c.plate),
    )
    rows = [
        [
            list(row)
            for row in connection.execute(each if plate is None else each.where(own == plate))
        ]
        for each, own in chosen
    ]
    return hashlib.sha256(json.dumps(rows, sort_keys=True).encode()).hexdigest()
