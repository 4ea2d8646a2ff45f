"""The plan and the releases: narration, wanted shots, what answers them, thresholds, permissions."""

from __future__ import annotations

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"

# SQLite numbers rows by itself only for a column declared exactly INTEGER.
IDENTITY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

OF_ANSWER = (
    "SELECT {row}.clip_id WHERE {row}.clip_id IS NOT NULL "
    "UNION SELECT clip_id FROM moment WHERE id = {row}.moment_id"
)
OWN = "SELECT {row}.clip_id WHERE {row}.clip_id IS NOT NULL"
A_NAME = "SELECT CAST(NULL AS BIGINT)"
# As in revision 0006: tables, and the clips that a row belongs to.
SOURCES = (
    ("answer", OF_ANSWER),
    ("release_clip", OWN),
    *((name, A_NAME) for name in ("wanted_shot", "release")),
)


def upgrade() -> None:
    _make_plan()
    _make_releases()
    sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in _sqlite_triggers() if sqlite else _postgres_triggers():
        op.execute(sa.text(statement.replace(":", r"\:")))


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False)


def _key(name: str, target: str, *, nullable: bool = False) -> sa.Column[int]:
    return sa.Column(name, IDENTITY, sa.ForeignKey(target), nullable=nullable)


def _edited() -> Iterator[sa.Column[object]]:
    yield sa.Column("updated_at", sa.DateTime(), nullable=False)
    yield sa.Column("updated_by", sa.String(100), nullable=False)


def _make_plan() -> None:
    op.create_table(
        "narration_line",
        sa.Column("id", IDENTITY, nullable=False),
        _key("production_id", "production.id"),
        sa.Column("code", sa.String(32), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        *map(_text, ("beat", "text", "picture")),
        sa.Column("recorded_ms", sa.BigInteger(), nullable=True),
        *_edited(),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_narration_line")),
        sa.UniqueConstraint("production_id", "code", name=op.f("uq_narration_line_production_id_code")),
    )
    op.create_table(
        "wanted_shot",
        sa.Column("id", IDENTITY, nullable=False),
        _key("production_id", "production.id"),
        sa.Column("code", sa.String(32), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        _text("what"),
        sa.Column("origin", sa.String(32), nullable=False),
        _text("words"),
        _key("line_id", "narration_line.id", nullable=True),
        _text("beat"),
        _key("day_id", "shooting_day.id", nullable=True),
        *(sa.Column(name, sa.String(64), nullable=True) for name in ("kind", "size", "angle")),
        _key("camera_id", "camera.id", nullable=True),
        _text("place"),
        sa.Column("need", sa.String(32), nullable=False),
        sa.Column("seconds", sa.BigInteger(), nullable=True),
        *map(_text, ("note", "dropped")),
        *_edited(),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_wanted_shot")),
        sa.UniqueConstraint("production_id", "code", name=op.f("uq_wanted_shot_production_id_code")),
    )
    op.create_index(op.f("ix_wanted_shot_line_id"), "wanted_shot", ["line_id"])
    op.create_index(op.f("ix_wanted_shot_day_id"), "wanted_shot", ["day_id"])
    op.create_table(
        "wanted_person",
        _key("wish_id", "wanted_shot.id"),
        _key("person_id", "person.id"),
        sa.PrimaryKeyConstraint("wish_id", "person_id", name=op.f("pk_wanted_person")),
    )
    op.create_index(op.f("ix_wanted_person_person_id"), "wanted_person", ["person_id"])
    op.create_table(
        "answer",
        sa.Column("id", IDENTITY, nullable=False),
        _key("wish_id", "wanted_shot.id"),
        _key("clip_id", "clip.id", nullable=True),
        _key("moment_id", "moment.id", nullable=True),
        sa.Column("state", sa.String(32), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("made_by", sa.String(100), nullable=False),
        sa.CheckConstraint("(clip_id IS NULL) <> (moment_id IS NULL)", name=op.f("ck_answer_one_shot")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_answer")),
        sa.UniqueConstraint("wish_id", "clip_id", name=op.f("uq_answer_wish_id_clip_id")),
        sa.UniqueConstraint("wish_id", "moment_id", name=op.f("uq_answer_wish_id_moment_id")),
    )
    op.create_index(op.f("ix_answer_clip_id"), "answer", ["clip_id"])
    op.create_index(op.f("ix_answer_moment_id"), "answer", ["moment_id"])
    op.create_table(
        "threshold",
        sa.Column("id", IDENTITY, nullable=False),
        _key("production_id", "production.id"),
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_threshold")),
        sa.UniqueConstraint("production_id", "name", name=op.f("uq_threshold_production_id_name")),
    )


def _make_releases() -> None:
    op.create_table(
        "release",
        sa.Column("id", IDENTITY, nullable=False),
        _key("production_id", "production.id"),
        sa.Column("kind", sa.String(32), nullable=False),
        _key("person_id", "person.id", nullable=True),
        *map(_text, ("name", "guardian")),
        sa.Column("signed_on", sa.Date(), nullable=True),
        *map(_text, ("media", "territory")),
        sa.Column("until", sa.Date(), nullable=True),
        sa.Column("cut_downs", sa.Boolean(), nullable=True),
        sa.Column("no_name", sa.Boolean(), server_default=sa.false(), nullable=False),
        sa.Column("hide_face", sa.Boolean(), server_default=sa.false(), nullable=False),
        _text("restrictions"),
        sa.Column("withdrawn_on", sa.Date(), nullable=True),
        _text("form"),
        sa.Column("language", sa.String(64), nullable=False),
        _text("file_name"),
        sa.Column("file_hash", sa.String(100), nullable=False),
        sa.Column("file_bytes", sa.BigInteger(), nullable=True),
        _text("note"),
        *_edited(),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_release")),
    )
    op.create_index(op.f("ix_release_production_id"), "release", ["production_id"])
    op.create_index(op.f("ix_release_person_id"), "release", ["person_id"])
    op.create_table(
        "release_clip",
        _key("release_id", "release.id"),
        _key("clip_id", "clip.id"),
        sa.PrimaryKeyConstraint("release_id", "clip_id", name=op.f("pk_release_clip")),
    )
    op.create_index(op.f("ix_release_clip_clip_id"), "release_clip", ["clip_id"])


def _sqlite_triggers() -> Iterator[str]:
    for table, clips in SOURCES:
        old, new = clips.format(row="old"), clips.format(row="new")
        for name, event, rows in (
            ("added", "INSERT", new),
            ("removed", "DELETE", old),
            ("changed", "UPDATE", f"{old} UNION {new}"),
        ):
            yield (
                f"CREATE TRIGGER touched_{table}_{name} AFTER {event} ON {table} BEGIN "
                f"INSERT INTO touched (clip_id) {rows}; END"
            )


def _postgres_triggers() -> Iterator[str]:
    fill = "INSERT INTO touched (clip_id, tx) SELECT c, pg_current_xact_id()::text::bigint FROM ({}) t(c);"
    for table, clips in SOURCES:
        old, new = clips.format(row="OLD"), clips.format(row="NEW")
        yield f"""CREATE FUNCTION touched_{table}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
            IF TG_OP = 'INSERT' THEN {fill.format(new)}
            ELSIF TG_OP = 'DELETE' THEN {fill.format(old)}
            ELSE {fill.format(f"{old} UNION {new}")}
            END IF;
            RETURN NULL; END $$"""
        yield (
            f"CREATE TRIGGER touched_{table} AFTER INSERT OR DELETE OR UPDATE ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION touched_{table}()"
        )
