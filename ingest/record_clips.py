"""Log what was described: group a reel's files into clips and write them with their facts and stills.

A reel may hold a hundred thousand media files: rows are read and written some hundred at a time, and only
what the grouping asks of every file stays in memory.
"""

from __future__ import annotations

from array import array
from collections.abc import Container, Iterator, Mapping

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session

from ingest.capture import find_captures
from ingest.clip_rows import ClipRows
from ingest.clips import group_clips
from ingest.media.facts import FACT_NAMES, Described, Facts
from ingest.media.kinds import kind_of
from ingest.media_files import USED_FACTS, MediaFiles
from ingest.orders import Problem
from ingest.recheck import recheck
from ingest.spans import MediaFile
from shared.catalogue.chunks import in_chunks
from shared.catalogue.reels import file_ids
from shared.catalogue.terms import production_vocabulary
from shared.catalogue.text import refresh_text
from shared.db import Sessions, writing
from shared.models import File, Reel, TakeFacts
from shared.names import display
from shared.vocabulary import load_vocabulary

AT_ONCE = 200  # clips, or files, whose rows are in memory at one time


def log_clips(sessions: Sessions, reel_id: int, described: Mapping[bytes, Described]) -> tuple[Problem, ...]:
    """Write the reel's clips. A clip known from an earlier offload keeps its id and its log."""
    with writing(sessions) as session:
        reel = session.get_one(Reel, reel_id)
        _write_facts(session, reel_id, described)
        clip_ids = _write_clips(session, reel, described)
        recheck(session, reel.production)
        vocabulary = production_vocabulary(session, reel.production, load_vocabulary())
        refresh_text(session, clip_ids, vocabulary)
    return tuple(_problems(described))


def _problems(described: Mapping[bytes, Described]) -> Iterator[Problem]:
    for path in sorted(described):
        for noticed in described[path].noticed:
            if noticed.severity == "fault":
                yield Problem("media", display(path), noticed.message)


def _write_facts(session: Session, reel_id: int, described: Mapping[bytes, Described]) -> None:
    for paths in in_chunks(described, AT_ONCE):
        ids = file_ids(session, reel_id, paths)
        rows = [
            {"file_id": ids[path], **{name: getattr(facts, name) for name in FACT_NAMES}}
            for path in paths
            if (facts := described[path].facts) is not None
        ]
        if rows:
            read = [row["file_id"] for row in rows]
            session.execute(delete(TakeFacts).where(TakeFacts.file_id.in_(read)))
            session.execute(insert(TakeFacts), rows)


def _write_clips(session: Session, reel: Reel, described: Mapping[bytes, Described]) -> array[int]:
    """Group the reel's files and write the clips; returns their ids in the order of their paths."""
    files = read_files(session, reel.id, described)
    grouped = group_clips(files)
    captures = find_captures(grouped, files)
    rows = ClipRows(session, reel, files, described)
    clip_ids = array("q")
    for some in in_chunks(grouped, AT_ONCE):
        clip_ids.extend(rows.write(some, captures))
    return clip_ids


def read_files(session: Session, reel_id: int, described: Container[bytes]) -> MediaFiles:
    """Every file of the reel that may be part of a clip, with its facts: those read now, and those an earlier
    offload read. In the order of their paths, each under the id of its row."""
    facts = [getattr(TakeFacts, name) for name in USED_FACTS]
    statement = (
        select(File.path_bytes, File.id, File.size, File.mtime_ns, File.problem, TakeFacts.id, *facts)
        .outerjoin(TakeFacts, TakeFacts.file_id == File.id)
        .where(File.reel_id == reel_id)
        .order_by(File.path_bytes)
        .execution_options(yield_per=AT_ONCE)
    )
    files = MediaFiles()
    for path, file_id, size, mtime_ns, problem, known, *values in session.execute(statement):
        # There may be very many files that are part of no clip.
        if kind_of(path) is not None or path in described:
            said = None if known is None else Facts(**dict(zip(USED_FACTS, values, strict=True)))
            files.append(MediaFile(path, size, mtime_ns, said, problem), file_id)
    return files
