"""Numbers that were measured, what they suggest, and which channel a finding is about."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"

# SQLite numbers rows by itself only for a column declared exactly INTEGER.
IDENTITY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    # Plain ALTER TABLE: the table keeps its triggers, whatever its size.
    op.add_column("finding", sa.Column("channel", sa.BigInteger(), nullable=True))
    op.create_table(
        "measurement",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("file_id", IDENTITY, nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("read_from_id", IDENTITY, nullable=True),
        sa.Column("numbers", sa.JSON(), nullable=True),
        sa.Column("problem", sa.Text(), nullable=False),
        sa.Column("measured_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["file_id"], ["file.id"], name=op.f("fk_measurement_file_id_file")),
        sa.ForeignKeyConstraint(["read_from_id"], ["file.id"], name=op.f("fk_measurement_read_from_id_file")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measurement")),
        sa.UniqueConstraint("file_id", "kind", name=op.f("uq_measurement_file_id_kind")),
    )
    op.create_table(
        "suggestion",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("clip_id", IDENTITY, nullable=False),
        sa.Column("field", sa.String(length=32), nullable=False),
        sa.Column("value", sa.String(length=200), nullable=False),
        sa.Column("confidence", sa.Float(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name=op.f("fk_suggestion_clip_id_clip")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_suggestion")),
        sa.UniqueConstraint("clip_id", "field", name=op.f("uq_suggestion_clip_id_field")),
    )
