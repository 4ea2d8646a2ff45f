"""The first released schema."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

# SQLite numbers rows by itself only for a column declared exactly INTEGER.
IDENTITY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

# The index reads its text from clip_text and is kept by triggers, so that no write can forget it.
SQLITE_WORDS = (
    """CREATE VIRTUAL TABLE clip_words USING fts5(
        words, content='clip_text', content_rowid='clip_id', tokenize="unicode61 remove_diacritics 2")""",
    """CREATE TRIGGER clip_words_added AFTER INSERT ON clip_text BEGIN
        INSERT INTO clip_words(rowid, words) VALUES (new.clip_id, new.words); END""",
    """CREATE TRIGGER clip_words_removed AFTER DELETE ON clip_text BEGIN
        INSERT INTO clip_words(clip_words, rowid, words) VALUES ('delete', old.clip_id, old.words); END""",
    """CREATE TRIGGER clip_words_changed AFTER UPDATE ON clip_text BEGIN
        INSERT INTO clip_words(clip_words, rowid, words) VALUES ('delete', old.clip_id, old.words);
        INSERT INTO clip_words(rowid, words) VALUES (new.clip_id, new.words); END""",
)


def upgrade() -> None:
    _create_tables()
    if op.get_bind().dialect.name == "sqlite":
        for statement in SQLITE_WORDS:
            op.execute(statement)
    else:
        op.execute("CREATE INDEX clip_words ON clip_text USING gin (to_tsvector('simple', words))")


def downgrade() -> None:
    raise NotImplementedError("the first schema has nothing before it; restore a backup instead")


def _create_tables() -> None:
    op.create_table(
        "card",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("label", sa.String(length=100), nullable=True),
        sa.Column("volume_serial", sa.String(length=64), nullable=True),
        sa.Column("volume_name", sa.String(length=255), nullable=True),
        sa.Column("filesystem", sa.String(length=32), nullable=True),
        sa.Column("capacity_bytes", sa.BigInteger(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_card")),
        sa.UniqueConstraint("label", name=op.f("uq_card_label")),
    )
    op.create_index(op.f("ix_card_volume_serial"), "card", ["volume_serial"], unique=False)
    op.create_table(
        "destination",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_destination")),
        sa.UniqueConstraint("path", name=op.f("uq_destination_path")),
    )
    op.create_table(
        "production",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("slug", sa.String(length=80), nullable=False),
        sa.Column("rate_num", sa.BigInteger(), nullable=False),
        sa.Column("rate_den", sa.BigInteger(), nullable=False),
        sa.Column("drop_frame", sa.Boolean(), nullable=False),
        sa.Column("zone", sa.String(length=64), nullable=False),
        sa.Column("day_starts_minutes", sa.BigInteger(), nullable=False),
        sa.Column("language", sa.String(length=16), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_production")),
        sa.UniqueConstraint("name", name=op.f("uq_production_name")),
        sa.UniqueConstraint("slug", name=op.f("uq_production_slug")),
    )
    op.create_table(
        "request",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("payload", sa.JSON(), nullable=False),
        sa.Column("progress", sa.JSON(), nullable=False),
        sa.Column("result", sa.JSON(), nullable=False),
        sa.Column("error", sa.Text(), nullable=True),
        sa.Column("worker", sa.String(length=100), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("heartbeat_at", sa.DateTime(), nullable=True),
        sa.Column("ended_at", sa.DateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_request")),
    )
    op.create_index("ix_request_state", "request", ["state", "id"], unique=False)
    op.create_table(
        "lens",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("focal_min_mm", sa.BigInteger(), nullable=True),
        sa.Column("focal_max_mm", sa.BigInteger(), nullable=True),
        sa.Column("max_aperture", sa.String(length=16), nullable=False),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_lens_production_id_production")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lens")),
        sa.UniqueConstraint("production_id", "name", name=op.f("uq_lens_production_id_name")),
    )
    op.create_table(
        "microphone",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_microphone_production_id_production")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_microphone")),
        sa.UniqueConstraint("production_id", "name", name=op.f("uq_microphone_production_id_name")),
    )
    op.create_table(
        "person",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("role", sa.String(length=200), nullable=False),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_person_production_id_production")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        sa.UniqueConstraint("production_id", "name", name=op.f("uq_person_production_id_name")),
    )
    op.create_table(
        "production_term",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("field", sa.String(length=32), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("label", sa.String(length=100), nullable=False),
        sa.Column("definition", sa.Text(), nullable=False),
        sa.Column("aliases", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_production_term_production_id_production")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_production_term")),
        sa.UniqueConstraint(
            "production_id", "field", "code", name=op.f("uq_production_term_production_id_field_code")
        ),
    )
    op.create_table(
        "shooting_day",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("goal", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_shooting_day_production_id_production")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shooting_day")),
        sa.UniqueConstraint("production_id", "date", name=op.f("uq_shooting_day_production_id_date")),
        sa.UniqueConstraint("production_id", "number", name=op.f("uq_shooting_day_production_id_number")),
    )
    op.create_table(
        "tag",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_tag_production_id_production")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tag")),
        sa.UniqueConstraint("production_id", "name", name=op.f("uq_tag_production_id_name")),
    )
    op.create_table(
        "camera",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("letter", sa.String(length=8), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("zone_rule", sa.String(length=32), nullable=False),
        sa.Column("clock_correction_ms", sa.BigInteger(), nullable=False),
        sa.Column("default_lens_id", IDENTITY, nullable=True),
        sa.ForeignKeyConstraint(
            ["default_lens_id"], ["lens.id"], name=op.f("fk_camera_default_lens_id_lens")
        ),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_camera_production_id_production")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_camera")),
        sa.UniqueConstraint("production_id", "letter", name=op.f("uq_camera_production_id_letter")),
    )
    op.create_table(
        "reel",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("card_id", IDENTITY, nullable=True),
        sa.Column("camera_id", IDENTITY, nullable=True),
        sa.Column("day_id", IDENTITY, nullable=True),
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("algorithm", sa.String(length=16), nullable=False),
        sa.Column("folder", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["camera_id"], ["camera.id"], name=op.f("fk_reel_camera_id_camera")),
        sa.ForeignKeyConstraint(["card_id"], ["card.id"], name=op.f("fk_reel_card_id_card")),
        sa.ForeignKeyConstraint(["day_id"], ["shooting_day.id"], name=op.f("fk_reel_day_id_shooting_day")),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_reel_production_id_production")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reel")),
        sa.UniqueConstraint("production_id", "name", name=op.f("uq_reel_production_id_name")),
    )
    op.create_table(
        "clip",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("production_id", IDENTITY, nullable=False),
        sa.Column("reel_id", IDENTITY, nullable=False),
        sa.Column("camera_id", IDENTITY, nullable=True),
        sa.Column("lens_id", IDENTITY, nullable=True),
        sa.Column("day_id", IDENTITY, nullable=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("media", sa.String(length=32), nullable=False),
        sa.Column("shot_at", sa.DateTime(), nullable=True),
        sa.Column("shot_source", sa.String(length=64), nullable=False),
        sa.Column("shot_certainty", sa.String(length=16), nullable=False),
        sa.Column("day_by_hand", sa.Boolean(), nullable=False),
        sa.Column("rate_num", sa.BigInteger(), nullable=True),
        sa.Column("rate_den", sa.BigInteger(), nullable=True),
        sa.Column("frames", sa.BigInteger(), nullable=True),
        sa.Column("start_frame", sa.BigInteger(), nullable=True),
        sa.Column("drop_frame", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["camera_id"], ["camera.id"], name=op.f("fk_clip_camera_id_camera")),
        sa.ForeignKeyConstraint(["day_id"], ["shooting_day.id"], name=op.f("fk_clip_day_id_shooting_day")),
        sa.ForeignKeyConstraint(["lens_id"], ["lens.id"], name=op.f("fk_clip_lens_id_lens")),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name=op.f("fk_clip_production_id_production")
        ),
        sa.ForeignKeyConstraint(["reel_id"], ["reel.id"], name=op.f("fk_clip_reel_id_reel")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_clip")),
        sa.UniqueConstraint("reel_id", "name", name=op.f("uq_clip_reel_id_name")),
    )
    op.create_index("ix_clip_day_id", "clip", ["day_id"], unique=False)
    op.create_index("ix_clip_production_id_shot_at", "clip", ["production_id", "shot_at", "id"], unique=False)
    op.create_table(
        "offload",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("reel_id", IDENTITY, nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=False),
        sa.Column("ended_at", sa.DateTime(), nullable=True),
        sa.Column("bytes_read", sa.BigInteger(), nullable=False),
        sa.Column("bytes_written", sa.BigInteger(), nullable=False),
        sa.Column("report", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["reel_id"], ["reel.id"], name=op.f("fk_offload_reel_id_reel")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_offload")),
    )
    op.create_index(op.f("ix_offload_reel_id"), "offload", ["reel_id"], unique=False)
    op.create_table(
        "clip_text",
        sa.Column("clip_id", IDENTITY, nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name=op.f("fk_clip_text_clip_id_clip")),
        sa.PrimaryKeyConstraint("clip_id", name=op.f("pk_clip_text")),
    )
    op.create_table(
        "file",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("reel_id", IDENTITY, nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("path_bytes", sa.LargeBinary(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("mtime_ns", sa.BigInteger(), nullable=False),
        sa.Column("algorithm", sa.String(length=16), nullable=False),
        sa.Column("digest", sa.String(length=100), nullable=True),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("offload_id", IDENTITY, nullable=False),
        sa.ForeignKeyConstraint(["offload_id"], ["offload.id"], name=op.f("fk_file_offload_id_offload")),
        sa.ForeignKeyConstraint(["reel_id"], ["reel.id"], name=op.f("fk_file_reel_id_reel")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_file")),
        sa.UniqueConstraint("reel_id", "path_bytes", name=op.f("uq_file_reel_id_path_bytes")),
    )
    op.create_index("ix_file_digest", "file", ["digest"], unique=False)
    op.create_table(
        "moment",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("clip_id", IDENTITY, nullable=False),
        sa.Column("in_frame", sa.BigInteger(), nullable=False),
        sa.Column("out_frame", sa.BigInteger(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.CheckConstraint("out_frame > in_frame", name=op.f("ck_moment_not_empty")),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name=op.f("fk_moment_clip_id_clip")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_moment")),
    )
    op.create_index(op.f("ix_moment_clip_id"), "moment", ["clip_id"], unique=False)
    op.create_table(
        "still",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("clip_id", IDENTITY, nullable=False),
        sa.Column("ordinal", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("frame", sa.BigInteger(), nullable=True),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("width", sa.BigInteger(), nullable=False),
        sa.Column("height", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name=op.f("fk_still_clip_id_clip")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_still")),
        sa.UniqueConstraint("clip_id", "ordinal", name=op.f("uq_still_clip_id_ordinal")),
    )
    op.create_table(
        "clip_file",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("clip_id", IDENTITY, nullable=False),
        sa.Column("file_id", IDENTITY, nullable=False),
        sa.Column("role", sa.String(length=32), nullable=False),
        sa.Column("ordinal", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name=op.f("fk_clip_file_clip_id_clip")),
        sa.ForeignKeyConstraint(["file_id"], ["file.id"], name=op.f("fk_clip_file_file_id_file")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_clip_file")),
        sa.UniqueConstraint("file_id", name=op.f("uq_clip_file_file_id")),
    )
    op.create_index(op.f("ix_clip_file_clip_id"), "clip_file", ["clip_id"], unique=False)
    op.create_table(
        "copy",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("file_id", IDENTITY, nullable=False),
        sa.Column("destination_id", IDENTITY, nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("verified_at", sa.DateTime(), nullable=True),
        sa.Column("mtime_ns", sa.BigInteger(), nullable=True),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["destination_id"], ["destination.id"], name=op.f("fk_copy_destination_id_destination")
        ),
        sa.ForeignKeyConstraint(["file_id"], ["file.id"], name=op.f("fk_copy_file_id_file")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_copy")),
        sa.UniqueConstraint("file_id", "destination_id", name=op.f("uq_copy_file_id_destination_id")),
    )
    op.create_index(op.f("ix_copy_destination_id"), "copy", ["destination_id"], unique=False)
    op.create_table(
        "finding",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("clip_id", IDENTITY, nullable=True),
        sa.Column("file_id", IDENTITY, nullable=True),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("severity", sa.String(length=32), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(length=32), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("in_frame", sa.BigInteger(), nullable=True),
        sa.Column("out_frame", sa.BigInteger(), nullable=True),
        sa.Column("dismissed", sa.Text(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name=op.f("fk_finding_clip_id_clip")),
        sa.ForeignKeyConstraint(["file_id"], ["file.id"], name=op.f("fk_finding_file_id_file")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
    )
    op.create_index(op.f("ix_finding_clip_id"), "finding", ["clip_id"], unique=False)
    op.create_index("ix_finding_code", "finding", ["code"], unique=False)
    op.create_index(op.f("ix_finding_file_id"), "finding", ["file_id"], unique=False)
    op.create_table(
        "log_entry",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("clip_id", IDENTITY, nullable=True),
        sa.Column("moment_id", IDENTITY, nullable=True),
        sa.Column("kind", sa.String(length=64), nullable=True),
        sa.Column("size", sa.String(length=64), nullable=True),
        sa.Column("angle", sa.String(length=64), nullable=True),
        sa.Column("movement", sa.String(length=64), nullable=True),
        sa.Column("support", sa.String(length=64), nullable=True),
        sa.Column("audio", sa.String(length=64), nullable=True),
        sa.Column("rating", sa.String(length=64), nullable=True),
        sa.Column("reason", sa.String(length=64), nullable=True),
        sa.Column("int_ext", sa.String(length=64), nullable=True),
        sa.Column("time_of_day", sa.String(length=64), nullable=True),
        sa.Column("direction", sa.String(length=64), nullable=True),
        sa.Column("sync", sa.String(length=64), nullable=True),
        sa.Column("sensitive", sa.String(length=64), nullable=True),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("scene", sa.Text(), nullable=False),
        sa.Column("language", sa.String(length=64), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("updated_at", sa.DateTime(), nullable=False),
        sa.Column("updated_by", sa.String(length=100), nullable=False),
        sa.CheckConstraint("(clip_id IS NULL) <> (moment_id IS NULL)", name=op.f("ck_log_entry_one_subject")),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name=op.f("fk_log_entry_clip_id_clip")),
        sa.ForeignKeyConstraint(["moment_id"], ["moment.id"], name=op.f("fk_log_entry_moment_id_moment")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_log_entry")),
        sa.UniqueConstraint("clip_id", name=op.f("uq_log_entry_clip_id")),
        sa.UniqueConstraint("moment_id", name=op.f("uq_log_entry_moment_id")),
    )
    op.create_index("ix_log_entry_angle", "log_entry", ["angle"], unique=False)
    op.create_index("ix_log_entry_kind", "log_entry", ["kind"], unique=False)
    op.create_index("ix_log_entry_movement", "log_entry", ["movement"], unique=False)
    op.create_index("ix_log_entry_rating", "log_entry", ["rating"], unique=False)
    op.create_index("ix_log_entry_size", "log_entry", ["size"], unique=False)
    op.create_table(
        "take_facts",
        sa.Column("id", IDENTITY, nullable=False),
        sa.Column("file_id", IDENTITY, nullable=False),
        sa.Column("container", sa.String(length=64), nullable=True),
        sa.Column("video_codec", sa.String(length=64), nullable=True),
        sa.Column("width", sa.BigInteger(), nullable=True),
        sa.Column("height", sa.BigInteger(), nullable=True),
        sa.Column("rotation", sa.BigInteger(), nullable=True),
        sa.Column("pixel_aspect", sa.String(length=32), nullable=True),
        sa.Column("rate_num", sa.BigInteger(), nullable=True),
        sa.Column("rate_den", sa.BigInteger(), nullable=True),
        sa.Column("rate_mode", sa.String(length=16), nullable=True),
        sa.Column("frames", sa.BigInteger(), nullable=True),
        sa.Column("start_timecode", sa.String(length=16), nullable=True),
        sa.Column("start_frame", sa.BigInteger(), nullable=True),
        sa.Column("drop_frame", sa.Boolean(), nullable=True),
        sa.Column("timecode_source", sa.String(length=32), nullable=True),
        sa.Column("bit_depth", sa.BigInteger(), nullable=True),
        sa.Column("chroma", sa.String(length=16), nullable=True),
        sa.Column("colour_primaries", sa.String(length=64), nullable=True),
        sa.Column("transfer", sa.String(length=64), nullable=True),
        sa.Column("matrix", sa.String(length=64), nullable=True),
        sa.Column("colour_range", sa.String(length=16), nullable=True),
        sa.Column("scan", sa.String(length=32), nullable=True),
        sa.Column("audio_codec", sa.String(length=64), nullable=True),
        sa.Column("audio_channels", sa.BigInteger(), nullable=True),
        sa.Column("audio_tracks", sa.BigInteger(), nullable=True),
        sa.Column("audio_rate", sa.BigInteger(), nullable=True),
        sa.Column("audio_bits", sa.BigInteger(), nullable=True),
        sa.Column("samples", sa.BigInteger(), nullable=True),
        sa.Column("recorded_raw", sa.String(length=64), nullable=True),
        sa.Column("recorded_field", sa.String(length=64), nullable=True),
        sa.Column("recorded_zone", sa.String(length=32), nullable=True),
        sa.Column("more", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["file_id"], ["file.id"], name=op.f("fk_take_facts_file_id_file")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_take_facts")),
        sa.UniqueConstraint("file_id", name=op.f("uq_take_facts_file_id")),
    )
    op.create_table(
        "entry_person",
        sa.Column("entry_id", IDENTITY, nullable=False),
        sa.Column("person_id", IDENTITY, nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["log_entry.id"], name=op.f("fk_entry_person_entry_id_log_entry")
        ),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_entry_person_person_id_person")),
        sa.PrimaryKeyConstraint("entry_id", "person_id", name=op.f("pk_entry_person")),
    )
    op.create_index(op.f("ix_entry_person_person_id"), "entry_person", ["person_id"], unique=False)
    op.create_table(
        "entry_tag",
        sa.Column("entry_id", IDENTITY, nullable=False),
        sa.Column("tag_id", IDENTITY, nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["log_entry.id"], name=op.f("fk_entry_tag_entry_id_log_entry")),
        sa.ForeignKeyConstraint(["tag_id"], ["tag.id"], name=op.f("fk_entry_tag_tag_id_tag")),
        sa.PrimaryKeyConstraint("entry_id", "tag_id", name=op.f("pk_entry_tag")),
    )
    op.create_index(op.f("ix_entry_tag_tag_id"), "entry_tag", ["tag_id"], unique=False)
