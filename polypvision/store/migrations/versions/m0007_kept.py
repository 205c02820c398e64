"""Not only today's list keeps what was worked out of each plate.

What is for today's list alone goes: it is no record, and is worked out anew.
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Put a table of all that is kept in the place of that of today's list."""
    op.drop_table("plate_dues")
    on_server = op.get_bind().dialect.name == "postgresql"
    name = sa.Text(collation="C") if on_server else sa.Text()
    op.create_table(
        "plate_kept",
        sa.Column(
            "plate",
            name,
            sa.ForeignKey("plates.plate", ondelete="CASCADE"),
            primary_key=True,
        ),
        sa.Column("kind", sa.Text, primary_key=True),
        sa.Column("size_mm", sa.Float, primary_key=True),
        sa.Column("mark", sa.Text, nullable=False),
        sa.Column("body", sa.JSON, nullable=False),
    )
