"""The words that clips are found by: written after an offload and after every change of the log."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from sqlalchemy import Select, insert, select, update
from sqlalchemy.orm import Session

from shared.catalogue.chunks import in_chunks
from shared.models import (
    Camera,
    Clip,
    ClipFile,
    ClipText,
    File,
    Lens,
    LogEntry,
    Person,
    Reel,
    ShootingDay,
    Tag,
    entry_person,
    entry_tag,
)
from shared.query_fields import TERM_FIELDS, TEXT_FIELDS
from shared.vocabulary import Term, Vocabulary
from shared.words import BOUNDARY, split_words

_CHUNK = 2000  # clips whose words are in memory at one time
_DENIAL = "no "  # "no good" must not be found by "good"

_TEXTS = (
    Clip.name,
    Reel.name,
    Camera.letter,
    Camera.name,
    Camera.kind,
    Lens.name,
    ShootingDay.number,
    ShootingDay.date,
    *(getattr(LogEntry, field) for field in TEXT_FIELDS),
)


@dataclass(frozen=True, slots=True)
class ClipKnown:
    """Everything logged and known of one clip that a search for words looks through."""

    texts: tuple[str, ...]  # names, paths, notes …
    terms: tuple[tuple[str, str], ...] = ()  # field and code


def clip_words(known: ClipKnown, vocabulary: Vocabulary) -> str:
    """The words of one clip: its texts, and each term's code, label and aliases (save those that
    deny something), all folded. Between two of them stands a boundary, so that no phrase is found across.
    """
    return _join_words(known, _index_terms(vocabulary))


def refresh_text(session: Session, clip_ids: Iterable[int], vocabulary: Vocabulary) -> int:
    """Write the words of these clips anew, in the caller's transaction; return how many had changed.

    `vocabulary` is the production's, see `log.production_vocabulary`.
    """
    terms = _index_terms(vocabulary)
    changed = 0
    for chunk in in_chunks(clip_ids, _CHUNK):
        known = _read_known(session, chunk)
        changed += _write_words(session, {key: _join_words(one, terms) for key, one in known.items()})
    return changed


def _index_terms(vocabulary: Vocabulary) -> Mapping[tuple[str, str], Term]:
    return {(term.field, term.code): term for term in vocabulary.all_terms}


def _join_words(known: ClipKnown, terms: Mapping[tuple[str, str], Term]) -> str:
    texts = list(known.texts)
    for field, code in known.terms:
        texts.append(code)
        term = terms.get((field, code))  # none: the production dropped the term
        if term is not None:
            texts.append(term.label)
            texts.extend(alias for alias in term.aliases if not alias.startswith(_DENIAL))
    phrases = dict.fromkeys(map(_fold_phrase, texts))
    phrases.pop("", None)
    return f" {BOUNDARY} ".join(phrases)


@lru_cache(maxsize=4096)
def _fold_phrase(text: str) -> str:
    """Most texts stand on many clips: a term, a camera, a place."""
    return " ".join(split_words(text))


def _read_known(session: Session, clip_ids: Sequence[int]) -> dict[int, ClipKnown]:
    """A fixed number of statements, whatever the number of clips."""
    lists: dict[int, list[str]] = defaultdict(list)
    for statement in (_paths(clip_ids), _tags(clip_ids), _people(clip_ids)):
        for clip_id, text in session.execute(statement):
            lists[clip_id].append(text)
    columns = select(Clip.id, *_TEXTS, *(getattr(LogEntry, field) for field in TERM_FIELDS))
    rows = (
        columns.join(Reel, Reel.id == Clip.reel_id)
        .outerjoin(Camera, Camera.id == Clip.camera_id)
        .outerjoin(Lens, Lens.id == Clip.lens_id)
        .outerjoin(ShootingDay, ShootingDay.id == Clip.day_id)
        .outerjoin(LogEntry, LogEntry.clip_id == Clip.id)
        .where(Clip.id.in_(clip_ids))
    )
    last_text = 1 + len(_TEXTS)
    return {
        row[0]: ClipKnown(
            texts=(*(str(text) for text in row[1:last_text] if text is not None), *lists[row[0]]),
            terms=tuple((f, code) for f, code in zip(TERM_FIELDS, row[last_text:], strict=True) if code),
        )
        for row in session.execute(rows)
    }


def _paths(clip_ids: Sequence[int]) -> Select[*tuple[Any, ...]]:
    paths = select(ClipFile.clip_id, File.path).join(File, File.id == ClipFile.file_id)
    return paths.where(ClipFile.clip_id.in_(clip_ids)).order_by(ClipFile.ordinal, ClipFile.id)


def _tags(clip_ids: Sequence[int]) -> Select[*tuple[Any, ...]]:
    tags = select(LogEntry.clip_id, Tag.name).join(entry_tag, entry_tag.c.entry_id == LogEntry.id)
    return (
        tags.join(Tag, Tag.id == entry_tag.c.tag_id).where(LogEntry.clip_id.in_(clip_ids)).order_by(Tag.name)
    )


def _people(clip_ids: Sequence[int]) -> Select[*tuple[Any, ...]]:
    people = select(LogEntry.clip_id, Person.name).join(entry_person, entry_person.c.entry_id == LogEntry.id)
    joined = people.join(Person, Person.id == entry_person.c.person_id)
    return joined.where(LogEntry.clip_id.in_(clip_ids)).order_by(Person.name)


def _write_words(session: Session, words: Mapping[int, str]) -> int:
    """Insert or update, never replace: SQLite fires no delete trigger for a row that is replaced, and
    the index would keep the old words.
    """
    stored = select(ClipText.clip_id, ClipText.words).where(ClipText.clip_id.in_(words))
    present = dict(session.execute(stored).all())
    new = [{"clip_id": key, "words": text} for key, text in words.items() if key not in present]
    other = [{"clip_id": key, "words": text} for key, text in words.items() if present.get(key, text) != text]
    if new:
        session.execute(insert(ClipText), new)
    if other:
        session.execute(update(ClipText), other)  # by primary key
    return len(new) + len(other)
