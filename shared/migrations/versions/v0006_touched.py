"""Which clips have changed: written by triggers on every table that decides how a clip is found."""

from __future__ import annotations

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

# SQLite numbers rows by itself only for a column declared exactly INTEGER.
IDENTITY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

KEPT = 100_000  # rows; older ones are pruned
PRUNED_EVERY = 1000  # rows
PRUNING_LOCK = 864_000_006  # any number that stays the same, see PostgreSQL's advisory locks

OWN = "SELECT {row}.clip_id WHERE {row}.clip_id IS NOT NULL"
OF_ENTRY = (
    "SELECT coalesce(e.clip_id, m.clip_id) FROM log_entry e LEFT JOIN moment m ON m.id = e.moment_id "
    "WHERE e.id = {row}.entry_id"
)
A_NAME = "SELECT CAST(NULL AS BIGINT)"  # something that clips point at; written as no clip
CLIP_COLUMNS = (
    "production_id, reel_id, camera_id, lens_id, day_id, name, media, shot_at, rate_num, rate_den, frames, "
    "start_frame"
)
ENTRY_COLUMNS = (
    "clip_id, moment_id, kind, size, angle, movement, support, audio, rating, reason, int_ext, time_of_day, "
    "direction, sync, sensitive, subject, place, scene, language, note"
)

# Table, columns whose change counts (all: any), and the clips that a row belongs to.
SOURCES = (
    ("clip", CLIP_COLUMNS, "SELECT {row}.id"),
    ("clip_file", "", OWN),
    ("clip_text", "", OWN),
    ("file", "path", "SELECT clip_id FROM clip_file WHERE file_id = {row}.id"),
    ("still", "clip_id", OWN),
    ("moment", "clip_id", OWN),
    ("channel_map", "clip_id, person_id", OWN),
    (
        "finding",
        "clip_id, file_id, code, dismissed",
        f"{OWN} UNION SELECT clip_id FROM clip_file WHERE file_id = {{row}}.file_id",
    ),
    ("log_entry", ENTRY_COLUMNS, f"{OWN} UNION SELECT clip_id FROM moment WHERE id = {{row}}.moment_id"),
    ("entry_tag", "", OF_ENTRY),
    ("entry_person", "", OF_ENTRY),
    *(
        (name, "", A_NAME)
        for name in ("production", "shooting_day", "camera", "lens", "reel", "person", "tag")
    ),
)


def upgrade() -> None:
    op.create_table(
        "touched",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("clip_id", sa.BigInteger(), nullable=True),
        sa.Column("tx", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_touched")),
    )
    op.create_index("ix_touched_tx", "touched", ["tx"])
    sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in sqlite_triggers() if sqlite else postgres_triggers():
        op.execute(sa.text(statement.replace(":", r"\:")))


def sqlite_triggers() -> Iterator[str]:
    for table, columns, clips in SOURCES:
        old, new = clips.format(row="old"), clips.format(row="new")
        changed = f"UPDATE OF {columns}" if columns else "UPDATE"
        for name, event, rows in (
            ("added", "INSERT", new),
            ("removed", "DELETE", old),
            ("changed", changed, f"{old} UNION {new}"),
        ):
            yield (
                f"CREATE TRIGGER touched_{table}_{name} AFTER {event} ON {table} BEGIN "
                f"INSERT INTO touched (clip_id) {rows}; END"
            )
    yield (
        f"CREATE TRIGGER touched_pruned AFTER INSERT ON touched WHEN new.id % {PRUNED_EVERY} = 0 BEGIN "
        f"DELETE FROM touched WHERE id <= new.id - {KEPT}; END"
    )


def postgres_triggers() -> Iterator[str]:
    """See `shared/facets/changes.py` for why rows carry their transaction, and which may be pruned."""
    yield "INSERT INTO touched (tx) VALUES (pg_current_xact_id()::text::bigint)"
    for table, columns, clips in SOURCES:
        old, new = clips.format(row="OLD"), clips.format(row="NEW")
        fill = (
            "INSERT INTO touched (clip_id, tx) SELECT c, pg_current_xact_id()::text::bigint FROM ({}) t(c);"
        )
        changed = f"UPDATE OF {columns}" if columns else "UPDATE"
        yield f"""CREATE FUNCTION touched_{table}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
            IF TG_OP = 'INSERT' THEN {fill.format(new)}
            ELSIF TG_OP = 'DELETE' THEN {fill.format(old)}
            ELSE {fill.format(f"{old} UNION {new}")}
            END IF;
            RETURN NULL; END $$"""
        yield (
            f"CREATE TRIGGER touched_{table} AFTER INSERT OR DELETE OR {changed} ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION touched_{table}()"
        )
    yield f"""CREATE FUNCTION touched_pruned() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
        IF pg_try_advisory_xact_lock({PRUNING_LOCK}) THEN
            DELETE FROM touched
                WHERE tx < (SELECT tx FROM touched ORDER BY tx DESC OFFSET {KEPT} LIMIT 1)
                  AND tx < pg_snapshot_xmin(pg_current_snapshot())::text::bigint;
        END IF;
        RETURN NULL; END $$"""
    yield (
        f"CREATE TRIGGER touched_pruned AFTER INSERT ON touched FOR EACH ROW "
        f"WHEN (NEW.id % {PRUNED_EVERY} = 0) EXECUTE FUNCTION touched_pruned()"
    )
