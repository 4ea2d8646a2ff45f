"""Searches that somebody keeps under a name."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"

# SQLite numbers rows by itself only for a column declared exactly INTEGER.
IDENTITY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "saved_search",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column("query", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_saved_search_production_id_production")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_saved_search")),
        sa.UniqueConstraint("production_id", "name", name=op.f("uq_saved_search_production_id_name")),
    )
