"""Rows that may be there already: one way to say so for both databases."""

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

Upsert = sqlite.Insert | postgresql.Insert


def insert_into(connection: sa.Connection, table: sa.Table) -> Upsert:
    """Return an INSERT that knows ON CONFLICT: what to do where the row is there already.

    The database decides, so that of two who write the same at once one row comes.
    """
    if connection.dialect.name == "sqlite":
        return sqlite.insert(table)
    return postgresql.insert(table)
