"""Ticks: what of today's lists was ticked off, by whom, and what was taken back."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Create their table; what is there stays as it is."""
    op.create_table(
        "ticks",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("task_key", sa.Text, nullable=False, index=True),
        sa.Column("done", sa.Boolean, nullable=False),
        sa.Column("author", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("task", sa.JSON, nullable=False),
    )
