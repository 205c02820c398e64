"""Tables of the logbook. A change here needs a numbered step in `store/migrations/versions`.

Only types that SQLite and PostgreSQL share are used, so that one file today can be a server's
database tomorrow. Dates are ISO 8601 text, with an offset where one is known. What a person forgot
carries the moment in `forgotten_at` and is left out everywhere, until it is brought back or purged
(`store/forgotten.py`).
"""

import sqlalchemy as sa

metadata = sa.MetaData()

# Put in order by its bytes in both, so that both give the same tables.
_Key = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
_READ, _REFUSED = sa.text("error IS NULL"), sa.text("error IS NOT NULL")

plates = sa.Table(
    "plates",
    metadata,
    sa.Column("plate", _Key, primary_key=True),
    sa.Column("line", sa.Text, nullable=False),
    sa.Column("normal_mouths", sa.Integer, nullable=False),
    sa.Column("bar_mm", sa.Float),
    sa.Column("note", sa.Text, nullable=False),
    sa.Column("disc_height_mm", sa.Float),
    sa.Column("water_depth_mm", sa.Float),
    sa.Column("forgotten_at", sa.Text),
    # Another one as soon as anything of the plate has changed; see `stamps.touch`.
    sa.Column("mark", sa.Text, nullable=False, server_default=""),
)

plate_kept = sa.Table(
    "plate_kept",
    metadata,
    # No record: it goes with its plate.
    sa.Column("plate", _Key, sa.ForeignKey("plates.plate", ondelete="CASCADE"), primary_key=True),
    sa.Column("kind", sa.Text, primary_key=True),  # of what was worked out
    sa.Column("size_mm", sa.Float, primary_key=True),
    sa.Column("mark", sa.Text, nullable=False),  # of the plate, and of who worked it out
    sa.Column("body", sa.JSON, nullable=False),
)

photos = sa.Table(
    "photos",
    metadata,
    sa.Column("sha256", _Key, primary_key=True),
    sa.Column("plate", _Key, sa.ForeignKey("plates.plate"), index=True),
    sa.Column("taken_at", _Key),
    sa.Column("date_source", sa.Text),
    sa.Column("width_px", sa.Integer),
    sa.Column("height_px", sa.Integer),
    sa.Column("error", sa.Text),  # kind of error; NULL if the photo was read
    sa.Column("record", sa.JSON, nullable=False),  # all of the reading, or of the refusal
    sa.Column("settings", sa.JSON, nullable=False),
    sa.Column("program", sa.Text, nullable=False),
    sa.Column("read_at", sa.Text, nullable=False),
    sa.Column("forgotten_at", sa.Text),
    sa.Index("ix_photos_read", "plate", "taken_at", sqlite_where=_READ, postgresql_where=_READ),
    sa.Index("ix_photos_refused", "sha256", sqlite_where=_REFUSED, postgresql_where=_REFUSED),
)

photo_names = sa.Table(
    "photo_names",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("sha256", _Key, sa.ForeignKey("photos.sha256"), nullable=False),
    sa.Column("path", _Key, nullable=False, index=True),
    sa.UniqueConstraint("sha256", "path"),
)

polyps = sa.Table(
    "polyps",
    metadata,
    sa.Column("sha256", _Key, sa.ForeignKey("photos.sha256"), primary_key=True),
    sa.Column("label", sa.Integer, primary_key=True),
    sa.Column("x_mm", sa.Float),
    sa.Column("y_mm", sa.Float),
    sa.Column("diameter_mm", sa.Float),
    sa.Column("diameter_mm_err", sa.Float),
    sa.Column("feret_max_mm", sa.Float),
    sa.Column("area_mm2", sa.Float),
    sa.Column("area_mm2_err", sa.Float),
    sa.Column("n_mouths", sa.Integer),
    sa.Column("two_mouths_probability", sa.Float),
    sa.Column("wound_mm2", sa.Float),
    sa.Column("wound_mm2_err", sa.Float),
    sa.Column("wound_margin_mm", sa.Float),
    sa.Column("score", sa.Float),
    sa.Column("flags", sa.Text, nullable=False),
)

mouths = sa.Table(
    "mouths",
    metadata,
    sa.Column("sha256", _Key, primary_key=True),
    sa.Column("label", sa.Integer, primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("x_mm", sa.Float),
    sa.Column("y_mm", sa.Float),
    sa.Column("score", sa.Float),
    sa.ForeignKeyConstraint(["sha256", "label"], ["polyps.sha256", "polyps.label"]),
)

corrections = sa.Table(
    "corrections",
    metadata,
    sa.Column("id", _Key, primary_key=True),
    sa.Column("sha256", _Key, sa.ForeignKey("photos.sha256"), nullable=False),
    sa.Column("number", sa.Integer, nullable=False),  # 1, 2 ... on each photo
    sa.Column("author", sa.Text, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("body", sa.JSON, nullable=False),  # what was done
    sa.Column("was", sa.JSON, nullable=False),  # the polyps it was done to, as they stood
    sa.UniqueConstraint("sha256", "number"),  # two at once cannot take the same place
)

log_entries = sa.Table(
    "log_entries",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("plate", _Key, sa.ForeignKey("plates.plate"), nullable=False, index=True),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("individual", sa.Text),
    sa.Column("pieces", sa.Integer),
    sa.Column("method", sa.Text),
    sa.Column("donor", sa.Text, nullable=False),
    sa.Column("dip", sa.Text, nullable=False),
    sa.Column("note", sa.Text, nullable=False),
    sa.Column("forgotten_at", sa.Text),
)

ticks = sa.Table(
    "ticks",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("task_key", sa.Text, nullable=False, index=True),  # of the task with its reason
    sa.Column("done", sa.Boolean, nullable=False),  # the last line of a key holds
    sa.Column("author", sa.Text, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("task", sa.JSON, nullable=False),  # as it stood on the list
)
