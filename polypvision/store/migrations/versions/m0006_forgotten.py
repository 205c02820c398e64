"""Photos, plates and lines of the log can be forgotten, and brought back for a while."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add the moment of forgetting; nothing that is there is forgotten."""
    for table in ("plates", "photos", "log_entries"):
        op.add_column(table, sa.Column("forgotten_at", sa.Text))
