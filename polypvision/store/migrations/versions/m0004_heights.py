"""Usual heights of a plate: its discs above the card, and the water above them."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add two columns; of the plates there are, nothing is known."""
    op.add_column("plates", sa.Column("disc_height_mm", sa.Float))
    op.add_column("plates", sa.Column("water_depth_mm", sa.Float))
