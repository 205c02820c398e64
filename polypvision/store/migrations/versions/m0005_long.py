"""Long logbooks: what is asked of one plate is found without looking at the others.

A mark on each plate that changes with everything that is written of it, a table of what today's
list needs of each plate, and indexes. On a server names are put in order by their bytes, as an
SQLite file does, whatever language the server speaks.
"""

import uuid

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

_IN_BYTE_ORDER = {
    "plates": ("plate",),
    "photos": ("sha256", "plate", "taken_at"),
    "photo_names": ("sha256", "path"),
    "polyps": ("sha256",),
    "mouths": ("sha256",),
    "corrections": ("id", "sha256"),
    "log_entries": ("plate",),
}


def upgrade() -> None:
    """Add them; what is there stays as it is."""
    if op.get_bind().dialect.name == "postgresql":
        for table, columns in _IN_BYTE_ORDER.items():
            for column in columns:
                op.alter_column(table, column, type_=sa.Text(collation="C"))
    op.add_column("plates", sa.Column("mark", sa.Text, nullable=False, server_default=""))
    plates = sa.table("plates", sa.column("plate", sa.Text), sa.column("mark", sa.Text))
    for name in op.get_bind().execute(sa.select(plates.c.plate)).scalars().all():
        own = sa.update(plates).where(plates.c.plate == name)
        op.get_bind().execute(own.values(mark=uuid.uuid4().hex))
    op.create_table(
        "plate_dues",
        sa.Column(
            "plate",
            _byte_text(),
            sa.ForeignKey("plates.plate", ondelete="CASCADE"),
            primary_key=True,
        ),
        sa.Column("size_mm", sa.Float, primary_key=True),
        sa.Column("mark", sa.Text, nullable=False),
        sa.Column("body", sa.JSON, nullable=False),
    )
    read, refused = sa.text("error IS NULL"), sa.text("error IS NOT NULL")
    op.create_index("ix_photos_read", "photos", ["plate", "taken_at"],
                    sqlite_where=read, postgresql_where=read)  # fmt: skip
    op.create_index("ix_photos_refused", "photos", ["sha256"],
                    sqlite_where=refused, postgresql_where=refused)  # fmt: skip
    op.create_index("ix_photo_names_path", "photo_names", ["path"])


def _byte_text() -> sa.Text:
    on_server = op.get_bind().dialect.name == "postgresql"
    return sa.Text(collation="C") if on_server else sa.Text()
