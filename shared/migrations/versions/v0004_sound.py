"""Channels of a clip's sound, and pairs of picture and sound."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

# SQLite numbers rows by itself only for a column declared exactly INTEGER.
IDENTITY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "channel_map",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("clip_id", IDENTITY, nullable=False),
        sa.Column("channel", sa.BigInteger(), nullable=False),
        sa.Column("track", sa.String(length=300), nullable=False),
        sa.Column("microphone_id", IDENTITY, nullable=True),
        sa.Column("person_id", IDENTITY, nullable=True),
        sa.Column("source", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name=op.f("fk_channel_map_clip_id_clip")),
        sa.ForeignKeyConstraint(
            ["microphone_id"], ["microphone.id"], name=op.f("fk_channel_map_microphone_id_microphone")
        ),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_channel_map_person_id_person")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_channel_map")),
        sa.UniqueConstraint("clip_id", "channel", name=op.f("uq_channel_map_clip_id_channel")),
    )
    op.create_table(
        "sound_pair",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("picture_clip_id", IDENTITY, nullable=False),
        sa.Column("sound_clip_id", IDENTITY, nullable=False),
        sa.Column("overlap_ms", sa.BigInteger(), nullable=False),
        sa.Column("offset_samples", sa.BigInteger(), nullable=True),
        sa.Column("rate", sa.BigInteger(), nullable=False),
        sa.Column("drift_ppb", sa.BigInteger(), nullable=True),
        sa.Column("confidence", sa.Float(), nullable=False),
        sa.Column("method", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["picture_clip_id"], ["clip.id"], name=op.f("fk_sound_pair_picture_clip_id_clip")
        ),
        sa.ForeignKeyConstraint(
            ["sound_clip_id"], ["clip.id"], name=op.f("fk_sound_pair_sound_clip_id_clip")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sound_pair")),
        sa.UniqueConstraint(
            "picture_clip_id", "sound_clip_id", name=op.f("uq_sound_pair_picture_clip_id_sound_clip_id")
        ),
    )
    op.create_index(op.f("ix_sound_pair_sound_clip_id"), "sound_pair", ["sound_clip_id"], unique=False)
