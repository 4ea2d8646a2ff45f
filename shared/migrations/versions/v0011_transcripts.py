"""Transcripts: timed words of clips."""

from __future__ import annotations

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"

# SQLite numbers rows by itself only for a column declared exactly INTEGER.
IDENTITY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

# As in revision 0006: tables, columns whose change counts, and the clips that a row belongs to. What was said
# in a cue counts by way of `clip_text`.
SOURCES = (
    ("transcript", "clip_id", "SELECT {row}.clip_id"),
    ("cue", "clip_id, person_id", "SELECT {row}.clip_id WHERE {row}.person_id IS NOT NULL"),
)


def upgrade() -> None:
    op.create_table(
        "transcript",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("clip_id", IDENTITY, nullable=False),
        *(sa.Column(name, sa.BigInteger(), nullable=False) for name in ("part", "offset_frames")),
        sa.Column("language", sa.String(length=64), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("file_hash", sa.String(length=100), nullable=False),
        sa.Column("origin", sa.String(length=32), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        *(sa.Column(name, sa.DateTime(), nullable=False) for name in ("created_at", "updated_at")),
        sa.Column("updated_by", sa.String(length=100), nullable=False),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name=op.f("fk_transcript_clip_id_clip")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_transcript")),
        sa.UniqueConstraint("clip_id", "part", name=op.f("uq_transcript_clip_id_part")),
    )
    op.create_table(
        "cue",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("transcript_id", IDENTITY, nullable=False),
        sa.Column("clip_id", IDENTITY, nullable=False),
        *(
            sa.Column(name, sa.BigInteger(), nullable=False)
            for name in ("start_frame", "end_frame", "start_us", "end_us")
        ),
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("text", "speaker")),
        sa.Column("person_id", IDENTITY, nullable=True),
        sa.Column("spoken", sa.JSON(), nullable=True),
        sa.Column("corrected", sa.Boolean(), server_default=sa.false(), nullable=False),
        sa.CheckConstraint("end_frame > start_frame", name=op.f("ck_cue_not_empty")),
        sa.ForeignKeyConstraint(
            ["transcript_id"], ["transcript.id"], name=op.f("fk_cue_transcript_id_transcript")
        ),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name=op.f("fk_cue_clip_id_clip")),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_cue_person_id_person")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cue")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_cue_clip_id_start_frame", "cue", ["clip_id", "start_frame"])
    op.create_index(op.f("ix_cue_transcript_id"), "cue", ["transcript_id"])
    op.create_index(op.f("ix_cue_person_id"), "cue", ["person_id"])
    sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in _sqlite_triggers() if sqlite else _postgres_triggers():
        op.execute(sa.text(statement.replace(":", r"\:")))


def _sqlite_triggers() -> Iterator[str]:
    for table, columns, clips in SOURCES:
        old, new = clips.format(row="old"), clips.format(row="new")
        for name, event, rows in (
            ("added", "INSERT", new),
            ("removed", "DELETE", old),
            ("changed", f"UPDATE OF {columns}", f"{old} UNION {new}"),
        ):
            yield (
                f"CREATE TRIGGER touched_{table}_{name} AFTER {event} ON {table} BEGIN "
                f"INSERT INTO touched (clip_id) {rows}; END"
            )


def _postgres_triggers() -> Iterator[str]:
    fill = "INSERT INTO touched (clip_id, tx) SELECT c, pg_current_xact_id()::text::bigint FROM ({}) t(c);"
    for table, columns, clips in SOURCES:
        old, new = clips.format(row="OLD"), clips.format(row="NEW")
        yield f"""CREATE FUNCTION touched_{table}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
            IF TG_OP = 'INSERT' THEN {fill.format(new)}
            ELSIF TG_OP = 'DELETE' THEN {fill.format(old)}
            ELSE {fill.format(f"{old} UNION {new}")}
            END IF;
            RETURN NULL; END $$"""
        yield (
            f"CREATE TRIGGER touched_{table} AFTER INSERT OR DELETE OR UPDATE OF {columns} ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION touched_{table}()"
        )
