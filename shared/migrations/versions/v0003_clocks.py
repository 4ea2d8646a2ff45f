"""Corrections of camera clocks, how a clip's stamp was read, and the production's sheet."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

# SQLite numbers rows by itself only for a column declared exactly INTEGER.
IDENTITY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "clock_correction",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("camera_id", IDENTITY, nullable=False),
        sa.Column("day_id", IDENTITY, nullable=True),
        sa.Column("shown", sa.String(length=64), nullable=False),
        sa.Column("true_time", sa.String(length=64), nullable=False),
        sa.Column("correction_ms", sa.BigInteger(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_clock_correction_production_id_production")
        ),
        sa.ForeignKeyConstraint(
            ["camera_id"], ["camera.id"], name=op.f("fk_clock_correction_camera_id_camera")
        ),
        sa.ForeignKeyConstraint(
            ["day_id"], ["shooting_day.id"], name=op.f("fk_clock_correction_day_id_shooting_day")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_clock_correction")),
    )
    op.create_index(op.f("ix_clock_correction_camera_id"), "clock_correction", ["camera_id"])
    # Plain ALTER TABLE: no table is built anew, so this is quick whatever the catalogue's size.
    op.add_column("clip", sa.Column("shot_read_as", sa.String(length=16), nullable=False, server_default=""))
    op.add_column(
        "clip", sa.Column("shot_correction_ms", sa.BigInteger(), nullable=False, server_default="0")
    )
    op.add_column("production", sa.Column("width", sa.BigInteger(), nullable=True))
    op.add_column("production", sa.Column("height", sa.BigInteger(), nullable=True))
    op.add_column("production", sa.Column("transfer", sa.String(length=64), nullable=True))
    op.add_column(
        "production", sa.Column("audio_rate", sa.BigInteger(), nullable=True, server_default="48000")
    )
