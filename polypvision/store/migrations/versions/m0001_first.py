"""First logbook: plates, photos with their readings, and what the keeper wrote down."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Create every table."""
    op.create_table(
        "plates",
        sa.Column("plate", sa.Text, primary_key=True),
        sa.Column("line", sa.Text, nullable=False),
        sa.Column("normal_mouths", sa.Integer, nullable=False),
        sa.Column("bar_mm", sa.Float),
        sa.Column("note", sa.Text, nullable=False),
    )
    op.create_table(
        "photos",
        sa.Column("sha256", sa.Text, primary_key=True),
        sa.Column("plate", sa.Text, sa.ForeignKey("plates.plate")),
        sa.Column("taken_at", sa.Text),
        sa.Column("date_source", sa.Text),
        sa.Column("width_px", sa.Integer),
        sa.Column("height_px", sa.Integer),
        sa.Column("error", sa.Text),
        sa.Column("record", sa.JSON, nullable=False),
        sa.Column("settings", sa.JSON, nullable=False),
        sa.Column("program", sa.Text, nullable=False),
        sa.Column("read_at", sa.Text, nullable=False),
    )
    op.create_index("ix_photos_plate", "photos", ["plate"])
    op.create_table(
        "photo_names",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("sha256", sa.Text, sa.ForeignKey("photos.sha256"), nullable=False),
        sa.Column("path", sa.Text, nullable=False),
        sa.UniqueConstraint("sha256", "path"),
    )
    op.create_table(
        "polyps",
        sa.Column("sha256", sa.Text, sa.ForeignKey("photos.sha256"), primary_key=True),
        sa.Column("label", sa.Integer, primary_key=True),
        *(
            sa.Column(name, sa.Float)
            for name in (
                "x_mm",
                "y_mm",
                "diameter_mm",
                "diameter_mm_err",
                "feret_max_mm",
                "area_mm2",
                "area_mm2_err",
            )
        ),
        sa.Column("n_mouths", sa.Integer),
        *(
            sa.Column(name, sa.Float)
            for name in (
                "two_mouths_probability",
                "wound_mm2",
                "wound_mm2_err",
                "wound_margin_mm",
                "score",
            )
        ),
        sa.Column("flags", sa.Text, nullable=False),
    )
    op.create_table(
        "mouths",
        sa.Column("sha256", sa.Text, primary_key=True),
        sa.Column("label", sa.Integer, primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("x_mm", sa.Float),
        sa.Column("y_mm", sa.Float),
        sa.Column("score", sa.Float),
        sa.ForeignKeyConstraint(["sha256", "label"], ["polyps.sha256", "polyps.label"]),
    )
    op.create_table(
        "log_entries",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("plate", sa.Text, sa.ForeignKey("plates.plate"), nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("individual", sa.Text),
        sa.Column("pieces", sa.Integer),
        sa.Column("method", sa.Text),
        sa.Column("donor", sa.Text, nullable=False),
        sa.Column("dip", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
    )
    op.create_index("ix_log_entries_plate", "log_entries", ["plate"])
