"""The shot log: a table for people and their spreadsheets, and the same as JSON for programs."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

from api.handover.cells import Value, write_table
from api.handover.columns import COLUMNS, Line
from api.handover.folder import Draft
from api.handover.places import Place, path_below
from api.handover.shots import Handover, Mark, Shot
from shared.models import ClipFile, Finding, LogEntry
from shared.names import display

CSV_NAME = "shot_log.csv"
JSON_NAME = "shot_log.json"
TERM_FIELDS = (
    *("kind", "size", "angle", "movement", "support", "audio", "rating", "reason"),
    *("int_ext", "time_of_day", "direction", "sync", "sensitive"),
)
# As the catalogue has it: shared/models/sound.py, SoundPair.
SYNC_RULE = (
    "The moment p seconds into the picture is sample offset_samples + p * rate * (1 + drift_ppb / 10**9) of "
    "the sound, counted from its first. Below zero the sound began after the picture. A suggested pair is "
    "a measurement that nobody has confirmed."
)
TEXT_FIELDS = ("subject", "place", "scene", "language", "note")


def write_shot_log(draft: Draft, handover: Handover, places: Mapping[int, Place]) -> None:
    """Write `shot_log.csv` and its twin `shot_log.json`: a row and an object a clip, in time order."""
    lines = [Line(handover, shot, places) for shot in handover.shots]
    with draft.create(CSV_NAME) as file:
        rows = ([column.of(line) for column in COLUMNS] for line in lines)
        for piece in write_table([column.title for column in COLUMNS], rows):
            file.write(piece)
    with draft.create(JSON_NAME) as file:
        for text in _json_pieces(handover, lines):
            # A lone half of a pair can't be UTF-8; what this writes for it is JSON's own escape.
            file.write(text.encode("utf-8", "backslashreplace"))


def _json_pieces(handover: Handover, lines: list[Line]) -> Iterator[str]:
    """One clip at a time, each on a line of its own: a long log is never whole in memory twice."""
    production = handover.production
    head = {
        "project": production.name,
        "rate": str(production.rate),
        "drop_frame": production.drop_frame,
        "zone": production.zone,
        "query": handover.query,
        "made_at": handover.made_here.isoformat(timespec="seconds"),
        "out_is_exclusive": True,
        "sync_rule": SYNC_RULE,
        "sync": [pair.as_json() for pair in handover.pairs],
        "columns": {column.key: column.title for column in COLUMNS},
    }
    yield _json(head)[:-1] + ', "clips": [\n'
    for number, line in enumerate(lines):
        yield (",\n" if number else "") + _json(_clip_object(line))
    yield "\n]}\n"


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _clip_object(line: Line) -> dict[str, Any]:
    """Every column by its key, raw: nothing neutralised, numbers as numbers, unknown as null; then lists."""
    shot = line.shot
    return {
        **{column.key: _raw(column.of(line)) for column in COLUMNS},
        "files": [_file_object(shot, row) for row in shot.clip.files],
        "channels": [channel.as_json() for channel in shot.channels],
        "moments": [moment_object(mark) for mark in shot.marks],
        "all_findings": [finding_object(one) for one in shot.findings],
    }


def _raw(value: Value) -> Any:
    if isinstance(value, Decimal):
        return float(value)  # three decimals, which JSON's numbers keep as they are written
    return list(value) if isinstance(value, tuple) else value


def _file_object(shot: Shot, row: ClipFile) -> dict[str, Any]:
    file = row.file
    return {
        "role": row.role.value,
        "path": display(path_below(shot.clip.reel, file)),
        "size": file.size,
        "hash": {"algorithm": file.algorithm, "value": file.digest} if file.digest else None,
        "problem": file.problem,
        "copies": [
            {
                "destination": copy.destination.name or display(os.fsencode(copy.destination.path)),
                "state": copy.state.value,
            }
            for copy in sorted(file.copies, key=lambda copy: copy.destination_id)
        ],
    }


def moment_object(mark: Mark) -> dict[str, Any]:
    """A moment as plain values; frames count from the clip's first, out is exclusive."""
    moment = mark.moment
    return {
        "name": moment.name,
        "in_frame": moment.in_frame,
        "out_frame": moment.out_frame,
        "log": entry_object(mark.entry),
    }


def entry_object(entry: LogEntry | None) -> dict[str, Any] | None:
    """What was logged, as plain values; only what was filled in."""
    if entry is None:
        return None
    said = {name: getattr(entry, name) for name in (*TERM_FIELDS, *TEXT_FIELDS) if getattr(entry, name)}
    people = [{"name": person.name, "role": person.role} for person in entry.people]
    return {**said, "people": people, "tags": [tag.name for tag in entry.tags]}


def finding_object(finding: Finding) -> dict[str, Any]:
    """A finding as plain values; frames count from the clip's first, out is exclusive."""
    return {
        "code": finding.code,
        "severity": finding.severity.value,
        "message": finding.message,
        "value": finding.value if finding.value is None or math.isfinite(finding.value) else None,
        "unit": finding.unit,
        "rule": finding.rule,
        "channel": finding.channel,
        "in_frame": finding.in_frame,
        "out_frame": finding.out_frame,
    }
