"""Taking a log out of the catalogue, clip by clip, so that it means the same clips on another machine."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from shared.catalogue.assignments import LIST_FIELDS
from shared.catalogue.chunks import in_chunks
from shared.catalogue.clip_rows import length_text
from shared.catalogue.journal import Values, moment_log
from shared.catalogue.log_files import SAID, Record, Value
from shared.catalogue.search import Cursor, find_clips
from shared.catalogue.transcript_log import carry
from shared.catalogue.transcripts import transcripts_of
from shared.models import Clip, ClipFile, ClipTranscript, File, FileRole, LogEntry, Moment, Production
from shared.vocabulary import Vocabulary

_PAGE = 1000


def export_log(
    session: Session, production: Production, query: str, vocabulary: Vocabulary, *, spoken: bool = False
) -> Iterator[Record]:
    """A record of each clip that a query finds, and after it one of each of its moments, and with `spoken` of
    each of its transcripts; as shot.

    Raises QueryError at the first record for a query that can't be read.
    """
    after: Cursor | None = None
    while True:
        page = find_clips(session, production, query, vocabulary, limit=_PAGE, after=after)
        ids = [clip.id for clip in page.clips]
        firsts, moments = _first_files(session, ids), log_moments(session, ids)
        talking = _talking(session, ids) if spoken else ()
        for clip in page.clips:
            key, size = firsts.get(clip.id, ("", 0))
            known = _known(clip)
            values = moment_log(page.entries.get(clip.id))
            if clip.lens is not None and not clip.lens_assumed:
                values["lens"] = clip.lens.name
            yield Record(0, key, size, None, _as_said(values), known=known)
            for moment, entry in moments[clip.id]:
                span = (moment.in_frame, moment.out_frame)
                yield Record(0, key, size, span, _as_said(moment_log(entry)), moment.name, known)
            for transcript in transcripts_of(session, clip.id) if clip.id in talking else ():
                yield Record(0, key, size, None, {}, known=known, transcript=carry(session, transcript))
        if page.next is None:
            return
        after = Cursor.parse(page.next)
        session.expunge_all()


def _known(clip: Clip) -> dict[str, str]:
    start = clip.start_timecode
    return {
        "reel": clip.reel.name,
        "clip": clip.name,
        "day": str(clip.day.number) if clip.day is not None else "",
        "start": str(start) if start is not None else "",
        "length": length_text(clip) or "",
    }


def _as_said(values: Values) -> dict[str, Value]:
    return {
        name: tuple(values[name]) if name in LIST_FIELDS else str(values[name])
        for name in SAID
        if values.get(name)
    }


def _first_files(session: Session, clip_ids: Sequence[int]) -> dict[int, tuple[str, int]]:
    """The hash and the size of each clip's first file, where it was read whole."""
    found: dict[int, tuple[str, int]] = {}
    for chunk in in_chunks(clip_ids):
        rows = select(ClipFile.clip_id, File.algorithm, File.digest, File.size).join(File)
        for clip_id, algorithm, digest, size in session.execute(
            rows.where(
                ClipFile.clip_id.in_(chunk),
                ClipFile.role == FileRole.ESSENCE,
                ClipFile.ordinal == 0,
                File.digest.is_not(None),
            )
        ):
            found[clip_id] = (f"{algorithm}:{digest}", size)
    return found


def _talking(session: Session, clip_ids: Sequence[int]) -> set[int]:
    """Those of these clips that have a transcript."""
    found = session.scalars(select(ClipTranscript.clip_id).where(ClipTranscript.clip_id.in_(clip_ids)))
    return set(found)


def log_moments(session: Session, clip_ids: Iterable[int]) -> dict[int, list[tuple[Moment, LogEntry | None]]]:
    """The moments of clips with what is said of each, in their order."""
    found: dict[int, list[tuple[Moment, LogEntry | None]]] = defaultdict(list)
    for chunk in in_chunks(clip_ids):
        rows = session.execute(
            select(Moment, LogEntry)
            .outerjoin(LogEntry, LogEntry.moment_id == Moment.id)
            .where(Moment.clip_id.in_(chunk))
            .options(selectinload(LogEntry.tags), selectinload(LogEntry.people))
            .order_by(Moment.clip_id, Moment.in_frame, Moment.out_frame, Moment.id)
        )
        for moment, entry in rows:
            found[moment.clip_id].append((moment, entry))
    return found
