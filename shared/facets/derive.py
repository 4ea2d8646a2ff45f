"""From the tables to bitmaps: the clips of each value of each field, of all clips or of some."""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any

from pyroaring import BitMap
from sqlalchemy import BindParameter, Select, String, bindparam, func, select, type_coerce
from sqlalchemy.orm import Session

from shared.catalogue.chunks import in_chunks
from shared.catalogue.facets import finding_links, person_links, tag_links
from shared.models import Clip, ClipTranscript, LogEntry, Still
from shared.query_fields import TERM_FIELDS

Key = int | str  # the id of a row, or a code
Bitmaps = dict[str, dict[Key, BitMap]]  # clips by field and value; True of "log", "still", "transcript"

_Rows = Select[*tuple[Any, ...]]

_BATCH = 20_000  # rows in memory at a time
_OWN = {
    "production": Clip.production_id,
    "media": type_coerce(Clip.media, String),  # the code alone: no member is made for each row
    "day": Clip.day_id,
    "camera": Clip.camera_id,
    "lens": Clip.lens_id,
    "reel": Clip.reel_id,
}


def read_bitmaps(session: Session, clip_ids: BitMap | None = None) -> Bitmaps:
    """The clips of each value. `clip_ids` of a few; those that do not exist have no value."""
    found: dict[str, dict[Key, BitMap]] = defaultdict(lambda: defaultdict(BitMap))
    for fields, of_all, of_some in _statements(session.get_bind().dialect.name):
        if clip_ids is None:
            _gather(session, of_all, {}, fields, found)
        else:
            for chunk in in_chunks(clip_ids):
                _gather(session, of_some, {"clip_ids": chunk}, fields, found)
    return {field: dict(values) for field, values in found.items()}


@cache
def _statements(dialect: str) -> Sequence[tuple[Sequence[str], _Rows, _Rows]]:
    """Fields, and statements of a clip's id and its values of these: of all clips, and of `clip_ids`."""
    some: BindParameter[Any] = bindparam("clip_ids", expanding=True)
    return [
        (fields, rows, rows.where(rows.selected_columns[0].in_(some))) for fields, rows in _all_rows(dialect)
    ]


def _all_rows(dialect: str) -> Iterator[tuple[Sequence[str], _Rows]]:
    # The date in UTC, by which pages in the order of time are found; SQLite keeps times as text.
    text = type_coerce(Clip.shot_at, String)
    date = func.substr(text, 1, 10) if dialect == "sqlite" else func.to_char(Clip.shot_at, "YYYY-MM-DD")
    yield (*_OWN, "shot"), select(Clip.id, *_OWN.values(), date)
    terms = (getattr(LogEntry, field) for field in TERM_FIELDS)
    entries: _Rows = select(LogEntry.clip_id, LogEntry.id > 0, *terms)
    yield ("log", *TERM_FIELDS), entries.where(LogEntry.clip_id.is_not(None))
    yield ("still",), select(Still.clip_id, Still.id > 0)
    yield ("transcript",), select(ClipTranscript.clip_id, ClipTranscript.id > 0)
    for field, links in (("tag", tag_links()), ("person", person_links()), ("finding", finding_links())):
        for rows in links:
            yield (field,), rows


def _gather(
    session: Session,
    rows: _Rows,
    asked: Mapping[str, Any],
    fields: Sequence[str],
    found: dict[str, dict[Key, BitMap]],
) -> None:
    # The driver's own tuples: nothing here needs converting, and SQLAlchemy's rows take four times as long.
    result = session.connection().execute(rows, asked)
    while batch := result.cursor.fetchmany(_BATCH):
        clip_ids, *columns = zip(*batch, strict=True)
        for field, values in zip(fields, columns, strict=True):
            if values.count(values[0]) == len(values):  # as of one production, or of a field nobody uses
                if values[0] is not None:
                    found[field][values[0]] |= BitMap(array("I", clip_ids))
                continue
            grouped: dict[Key, array[int]] = defaultdict(lambda: array("I"))
            for clip_id, value in zip(clip_ids, values, strict=True):
                if value is not None:
                    grouped[value].append(clip_id)
            for value, ids in grouped.items():
                found[field][value] |= BitMap(ids)
    result.close()
