"""Plain words of a query as conditions on clips.

`clip_text.words` holds a clip's texts as they are written (folded), then the stems of what people said of it
and of what its terms are called, each behind a mark, then what is heard in it, as it is written and as stems.
So one index answers four questions: exactly these words; these words in any form; did a person say them of
the clip; and are they heard in it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Integer,
    Select,
    column,
    func,
    literal,
    literal_column,
    or_,
    select,
    table,
)
from sqlalchemy.orm import Session

from shared.catalogue.ranges import Condition
from shared.models import Clip, ClipText
from shared.query import Words
from shared.stems import stem_words
from shared.words import HEARD, KNOWN, SAID, SPOKEN, split_words

LONGEST_WORD = 200  # characters; PostgreSQL leaves out words above 2 KiB

_LONG = (HEARD, SPOKEN)  # what these marks stand before may be hours of speech

# SQLite's index: a virtual table, which has a column of its own name to match against.
_CLIP_WORDS = table("clip_words", column("rowid", Integer), column("clip_words"))
_SIMPLE: ColumnElement[Any] = literal_column("'simple'")  # as the index of the migration has it


@dataclass(frozen=True, slots=True)
class Phrase:
    """Stored words in this order. `prefix`: the last may go on."""

    words: tuple[str, ...]
    prefix: bool = False


def has_words(session: Session, wanted: Iterable[Words], language: str) -> Condition:
    """Clips in which all of these stand, whether the terms are negated or not."""
    return holds_phrases(session, [written_or_stem(words, language) for words in wanted])


def were_said(session: Session, wanted: Iterable[Words], language: str) -> Condition:
    """Clips of which a person said all of these."""
    return holds_phrases(session, [[_stem_phrase(SAID, words, language)] for words in wanted])


def are_heard(session: Session, text: str, language: str) -> Condition:
    """Clips in whose transcript these words stand in this order, in any form."""
    words = Words(text)
    return holds_phrases(session, [[_heard_phrase(words), _stem_phrase(SPOKEN, words, language)]])


def written_or_stem(words: Words, language: str) -> list[Phrase]:
    """What a term is looked for as; any of them will do."""
    written = Phrase(short_words(split_words(words.text)), words.prefix)
    if words.exact or words.prefix:
        return [written, _heard_phrase(words)]
    stems = (_stem_phrase(mark, words, language) for mark in (SAID, KNOWN, SPOKEN))
    return [written, _heard_phrase(words), *stems]


def _heard_phrase(words: Words) -> Phrase:
    return Phrase(tuple(HEARD + word for word in short_words(split_words(words.text))), words.prefix)


def _stem_phrase(mark: str, words: Words, language: str) -> Phrase:
    stems = short_words(stem_words(words.text, language))
    return Phrase(tuple(mark + stem for stem in stems), words.prefix)


def short_words(words: Iterable[str]) -> tuple[str, ...]:
    """The words cut to the length that both databases keep."""
    return tuple(word[:LONGEST_WORD] for word in words)


def holds_phrases(session: Session, wanted: Iterable[Iterable[Phrase]]) -> Condition:
    """Clips whose stored words hold, of each of these lists, at least one phrase."""
    return Clip.id.in_(_clips_with(session, wanted).correlate(None))


def _clips_with(session: Session, wanted: Iterable[Iterable[Phrase]]) -> Select[int]:
    if session.get_bind().dialect.name == "sqlite":
        expression = " AND ".join("(" + " OR ".join(map(_fts5_phrase, one)) + ")" for one in wanted)
        return select(_CLIP_WORDS.c.rowid).where(_CLIP_WORDS.c.clip_words.match(expression))
    vector = func.to_tsvector(_SIMPLE, ClipText.words)
    matches = (or_(*(_matches(vector, phrase) for phrase in one)) for one in wanted)
    return select(ClipText.clip_id).where(*matches)


def _fts5_phrase(phrase: Phrase) -> str:
    """An FTS5 string (sqlite.org/fts5.html, section 3.1). Its words have letters and digits only, so
    nothing in it can be an operator or end the string.
    """
    return '"' + " ".join(phrase.words) + '"' + ("*" if phrase.prefix else "")


def _matches(vector: ColumnElement[Any], phrase: Phrase) -> ColumnElement[bool]:
    """A text for words knows 16,383 places and 256 of each word (PostgreSQL manual, 12.11 "Limitations"): too
    few for an hour of speech. There the index finds the words, and the text itself tells their order.
    """
    if len(phrase.words) == 1 or phrase.words[0][0] not in _LONG:
        return vector.bool_op("@@")(_tsquery(phrase))
    *whole, last = phrase.words
    every = func.plainto_tsquery(_SIMPLE, " ".join(whole if phrase.prefix else phrase.words))
    end = "%" if phrase.prefix else " %"
    in_order = (literal(" ") + ClipText.words + literal(" ")).like(f"% {' '.join((*whole, last))}{end}")
    return vector.bool_op("@@")(every) & in_order


def _tsquery(phrase: Phrase) -> ColumnElement[Any]:
    *whole, last = phrase.words
    if not phrase.prefix:
        return func.phraseto_tsquery(_SIMPLE, " ".join(phrase.words))
    beginning = func.to_tsquery(_SIMPLE, f"'{last}':*")
    if not whole:
        return beginning
    return func.tsquery_phrase(func.phraseto_tsquery(_SIMPLE, " ".join(whole)), beginning)
