"""The journal of what people changed: who, when, before, after."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

# SQLite numbers rows by itself only for a column declared exactly INTEGER.
IDENTITY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "change_set",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("author", sa.String(length=200), nullable=False),
        sa.Column("summary", sa.Text(), nullable=False),
        sa.Column("undoes_id", IDENTITY, nullable=True),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_change_set_production_id_production")
        ),
        sa.ForeignKeyConstraint(
            ["undoes_id"], ["change_set.id"], name=op.f("fk_change_set_undoes_id_change_set")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_change_set")),
        sa.UniqueConstraint("undoes_id", name=op.f("uq_change_set_undoes_id")),
    )
    op.create_index(op.f("ix_change_set_production_id"), "change_set", ["production_id"], unique=False)
    op.create_table(
        "change",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("set_id", IDENTITY, nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("subject_id", sa.BigInteger(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=True),
        sa.Column("after", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(["set_id"], ["change_set.id"], name=op.f("fk_change_set_id_change_set")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_change")),
    )
    op.create_index(op.f("ix_change_set_id"), "change", ["set_id"], unique=False)
    op.create_index(op.f("ix_change_kind_subject_id"), "change", ["kind", "subject_id"], unique=False)
