"""Outlines: items in order with their parts and cover, and versions that are kept."""

from __future__ import annotations

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"

# SQLite numbers rows by itself only for a column declared exactly INTEGER.
IDENTITY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    _make_outlines()
    _make_ranges()


def _key(name: str, target: str, *, nullable: bool = False) -> sa.Column[int]:
    return sa.Column(name, IDENTITY, sa.ForeignKey(target), nullable=nullable)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False)


def _whole(name: str, *, nullable: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), nullable=nullable)


def _edited() -> Iterator[sa.Column[object]]:
    yield sa.Column("updated_at", sa.DateTime(), nullable=False)
    yield sa.Column("updated_by", sa.String(100), nullable=False)


def _make_outlines() -> None:
    op.create_table(
        "outline",
        sa.Column("id", IDENTITY, nullable=False),
        _key("production_id", "production.id"),
        sa.Column("name", sa.String(200), nullable=False),
        _whole("target_seconds", nullable=True),
        *_edited(),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outline")),
        sa.UniqueConstraint("production_id", "name", name=op.f("uq_outline_production_id_name")),
    )
    op.create_table(
        "outline_item",
        sa.Column("id", IDENTITY, nullable=False),
        _key("outline_id", "outline.id"),
        _text("rank"),
        sa.Column("kind", sa.String(32), nullable=False),
        *map(_text, ("name", "mood", "note")),
        _whole("length_ms", nullable=True),
        _key("line_id", "narration_line.id", nullable=True),
        sa.Column("checked_by", sa.String(100), nullable=False),
        sa.Column("checked_at", sa.DateTime(), nullable=True),
        *_edited(),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outline_item")),
    )
    for column in ("outline_id", "line_id"):
        op.create_index(op.f(f"ix_outline_item_{column}"), "outline_item", [column])
    op.create_table(
        "outline_version",
        sa.Column("id", IDENTITY, nullable=False),
        _key("outline_id", "outline.id"),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("made_by", sa.String(100), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outline_version")),
        sa.UniqueConstraint("outline_id", "name", name=op.f("uq_outline_version_outline_id_name")),
    )


def _make_ranges() -> None:
    for table, first, last in (
        (
            "outline_part",
            (_whole("place"),),
            (_text("speaker"), _text("words"), sa.Column("text_hash", sa.String(100), nullable=False)),
        ),
        ("outline_cover", (_whole("offset_frames"),), ()),
    ):
        op.create_table(
            table,
            sa.Column("id", IDENTITY, nullable=False),
            _key("item_id", "outline_item.id"),
            *first,
            _key("clip_id", "clip.id"),
            _whole("in_frame"),
            _whole("out_frame"),
            *last,
            sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}")),
            sa.CheckConstraint("out_frame > in_frame", name=op.f(f"ck_{table}_not_empty")),
        )
        for column in ("item_id", "clip_id"):
            op.create_index(op.f(f"ix_{table}_{column}"), table, [column])
