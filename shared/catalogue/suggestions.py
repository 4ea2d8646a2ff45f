"""What measurements suggest for the log, beside what people say; taken over only when a person says so."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.chunks import in_chunks
from shared.catalogue.journal import CLIP, Values, read_values, record
from shared.catalogue.set_values import set_values
from shared.models import ChangeSet, Clip, Production, Suggestion
from shared.vocabulary import Vocabulary

FIELDS = ("kind", "size", "movement", "support", "tag")


@dataclass(frozen=True, slots=True)
class Open:
    """A suggestion for a field that nobody has filled, with its clip."""

    clip: Clip
    suggestion: Suggestion


def open_suggestions(session: Session, clip_ids: Iterable[int], least: float = 0.0) -> list[Open]:
    """Suggestions of these clips with a confidence of `least` or more, in the order given.

    Where a person has filled the field, or given the tag, there is none: their word stands.
    """
    found: list[Open] = []
    for chunk in in_chunks(clip_ids):
        rows = session.scalars(
            select(Suggestion)
            .where(Suggestion.clip_id.in_(chunk), Suggestion.confidence >= least)
            .options(joinedload(Suggestion.clip).joinedload(Clip.reel))
            .order_by(Suggestion.id)
        ).all()
        said = read_values(session, {row.clip_id for row in rows}, FIELDS)
        place = {key: number for number, key in enumerate(chunk)}
        rows = [row for row in rows if _is_open(row, said[row.clip_id])]
        rows = sorted(rows, key=lambda row: (place[row.clip_id], FIELDS.index(row.field)))
        found += [Open(row.clip, row) for row in rows]
    return found


def _is_open(row: Suggestion, said: Values) -> bool:
    if row.field == "tag":
        return row.value not in said["tag"]
    return row.field in said and not said[row.field]


def accept_suggestions(
    session: Session,
    production: Production,
    chosen: Sequence[Open],
    vocabulary: Vocabulary,
    by: str,
    summary: str = "",
) -> ChangeSet | None:
    """Put these into the log as this person's word, as one edit of the journal. None: nothing differed."""
    wanted: dict[int, Values] = defaultdict(dict)
    ids = {one.clip.id for one in chosen}
    before = read_values(session, ids, FIELDS)
    for one in chosen:
        row = one.suggestion
        value = [*before[row.clip_id]["tag"], row.value] if row.field == "tag" else row.value
        wanted[row.clip_id][row.field] = value
    set_values(session, production, wanted, vocabulary, by)
    after = read_values(session, ids, FIELDS)
    return record(session, production, by, summary or "suggestions accepted", CLIP, before, after)
