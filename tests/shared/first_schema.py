"""A catalogue as the first schema had it: every table of revision 0001 with rows, as plain values.

Written down once and never changed with the models: what an older program left on a disk does not change.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from alembic import command
from sqlalchemy import Connection, Engine, MetaData, text

from tests.schema import config_of

FIRST = "0001"
AT = dt.datetime(2026, 5, 1, 8, 0)
# By table, in an order in which each row finds what it points at. `clip_text` fills the full-text index.
ROWS: dict[str, list[dict[str, Any]]] = {
    "production": [
        {"id": 1, "name": "The Chain Ferry", "slug": "the-chain-ferry", "rate_num": 25, "rate_den": 1,
         "drop_frame": False, "zone": "Europe/Copenhagen", "day_starts_minutes": 240, "language": "en",
         "created_at": AT},
    ],
    "shooting_day": [
        {"id": 1, "production_id": 1, "number": 1, "date": dt.date(2026, 5, 1), "goal": "the winch"},
    ],
    "lens": [
        {"id": 1, "production_id": 1, "name": "35 mm", "focal_min_mm": 35, "focal_max_mm": 35,
         "max_aperture": "f/1.8"},
    ],
    "camera": [
        {"id": 1, "production_id": 1, "letter": "A", "name": "Main camera", "kind": "camera",
         "zone_rule": "local", "clock_correction_ms": -3_600_000, "default_lens_id": 1},
    ],
    "microphone": [{"id": 1, "production_id": 1, "name": "Lavalier", "kind": "lavalier"}],
    "person": [{"id": 1, "production_id": 1, "name": "Ada Wren", "role": "ferrywoman"}],
    "tag": [{"id": 1, "production_id": 1, "name": "ferry"}],
    "production_term": [
        {"id": 1, "production_id": 1, "field": "kind", "code": "crossing", "label": "Crossing",
         "definition": "the ferry from quay to quay", "aliases": "passage"},
    ],
    "card": [
        {"id": 1, "label": "A01", "volume_serial": "1234-ABCD", "volume_name": "CARD", "filesystem": "exfat",
         "capacity_bytes": 2**37, "created_at": AT},
    ],
    "reel": [
        {"id": 1, "production_id": 1, "card_id": 1, "camera_id": 1, "day_id": 1, "name": "A001",
         "algorithm": "xxh128", "folder": "the-chain-ferry/day-1/A001", "created_at": AT},
    ],
    "destination": [{"id": 1, "path": "/drives/north", "name": "North", "created_at": AT}],
    "offload": [
        {"id": 1, "reel_id": 1, "source": "/media/card", "state": "done", "started_at": AT, "ended_at": AT,
         "bytes_read": 2**40, "bytes_written": 2**41, "report": {"reel": "A001", "ä": [1, None]}},
    ],
    "file": [
        {"id": 1, "reel_id": 1, "path": "DCIM/\\xffC0001.MOV", "path_bytes": b"DCIM/\xffC0001.MOV",
         "size": 2**40, "mtime_ns": 1_777_622_400_000_000_000, "algorithm": "xxh128", "digest": "0" * 32,
         "problem": None, "offload_id": 1},
    ],
    "copy": [
        {"id": 1, "file_id": 1, "destination_id": 1, "state": "verified", "verified_at": AT,
         "mtime_ns": 1_777_622_400_000_000_000, "problem": None},
    ],
    "clip": [
        {"id": 1, "production_id": 1, "reel_id": 1, "camera_id": 1, "lens_id": 1, "day_id": 1,
         "name": "DCIM/C0001", "media": "video", "shot_at": AT, "shot_source": "container",
         "shot_certainty": "stated", "day_by_hand": True, "rate_num": 25, "rate_den": 1, "frames": 100,
         "start_frame": 90_000, "drop_frame": False},
    ],
    "clip_file": [{"id": 1, "clip_id": 1, "file_id": 1, "role": "essence", "ordinal": 0}],
    "take_facts": [{"id": 1, "file_id": 1, "width": 3840, "height": 2160, "more": {"zoom": [1, 2]}}],
    "still": [
        {"id": 1, "clip_id": 1, "ordinal": 0, "kind": "frame", "frame": 10, "path": "1/a.jpg", "width": 640,
         "height": 360},
    ],
    "finding": [
        {"id": 1, "clip_id": 1, "file_id": None, "code": "soft-focus", "severity": "warning",
         "message": "soft focus", "value": 0.1, "unit": "", "rule": "below 0.2", "created_at": AT},
    ],
    "moment": [{"id": 1, "clip_id": 1, "in_frame": 10, "out_frame": 20, "name": "the chain slips"}],
    "log_entry": [
        {"id": 1, "clip_id": 1, "moment_id": None, "kind": "interview", "rating": "good",
         "subject": "hands at the winch", "place": "Fähre", "scene": "", "language": "", "note": "50 % done",
         "version": 3, "updated_at": AT, "updated_by": "cli"},
    ],
    "entry_tag": [{"entry_id": 1, "tag_id": 1}],
    "entry_person": [{"entry_id": 1, "person_id": 1}],
    "clip_text": [{"clip_id": 1, "words": "DCIM/C0001 hands at the winch Fahre 50 % done ferry Ada Wren"}],
    "request": [
        {"id": 1, "kind": "handover", "state": "queued", "payload": {"query": ""}, "progress": {},
         "result": {}, "created_at": AT},
    ],
}  # fmt: skip


def make_first(engine: Engine) -> None:
    """An empty database becomes a catalogue of the first schema, with these rows."""
    command.upgrade(config_of(engine), FIRST)
    there = MetaData()
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        there.reflect(connection)
        for table, rows in ROWS.items():
            connection.execute(there.tables[table].insert(), rows)
            _count_on(connection, table)


def _count_on(connection: Connection, table: str) -> None:
    """PostgreSQL counts ids by itself, and does not see those that were given."""
    if connection.dialect.name == "postgresql" and "id" in ROWS[table][0]:
        sequence = f"pg_get_serial_sequence('{table}', 'id')"
        connection.execute(text(f"SELECT setval({sequence}, {len(ROWS[table])})"))


def kept_rows() -> dict[str, list[dict[str, Any]]]:
    """What no later schema may change. The words for the search are made anew from the rest by some."""
    return {table: rows for table, rows in ROWS.items() if table != "clip_text"}


def read_rows(engine: Engine) -> dict[str, list[dict[str, Any]]]:
    """The same tables and columns, as they stand now."""
    there = MetaData()
    with engine.connect() as connection:
        there.reflect(connection)
        return {
            table: [
                {name: row[name] for name in ROWS[table][0]}
                for row in connection.execute(there.tables[table].select()).mappings()
            ]
            for table in kept_rows()
        }
