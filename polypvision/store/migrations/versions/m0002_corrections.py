"""Corrections: what people put right in readings, beside what the machine read."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Create their table; what is there stays as it is."""
    op.create_table(
        "corrections",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("sha256", sa.Text, sa.ForeignKey("photos.sha256"), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("author", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("body", sa.JSON, nullable=False),
        sa.Column("was", sa.JSON, nullable=False),
        sa.UniqueConstraint("sha256", "number"),
    )
