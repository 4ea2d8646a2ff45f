"""A query as conditions on clips, built from expressions alone; no SQL is put together from text.

Every condition stands by itself on `clip`: what belongs to other tables is asked by IN or EXISTS.
A term that is negated holds wherever the term does not, also where nothing is known: `-kind:interview`
includes clips nobody has logged.
"""

from __future__ import annotations

import datetime as dt
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from sqlalchemy import ColumnElement, Integer, Select, column, func, literal_column, or_, select, table, true
from sqlalchemy.orm import InstrumentedAttribute, Session

from shared.catalogue.lookup import Known, list_known, pick_known
from shared.catalogue.ranges import Condition, covers, lasts, read_span, runs_at, shot_within
from shared.errors import QueryError, UsageError
from shared.models import (
    Clip,
    ClipFile,
    ClipMedia,
    ClipText,
    File,
    Finding,
    LogEntry,
    Production,
    Still,
    entry_person,
    entry_tag,
)
from shared.query import Exactly, Query, Term, Value, Words, parse_query
from shared.query_fields import FIELDS, TERM_FIELDS, TEXT_FIELDS, FieldKind, read_dates, read_day
from shared.vocabulary import Vocabulary
from shared.words import split_words

# SQLite's index: a virtual table, which has a column of its own name to match against.
_CLIP_WORDS = table("clip_words", column("rowid", Integer), column("clip_words"))
_SIMPLE: ColumnElement[Any] = literal_column("'simple'")  # as the index of the migration has it


@dataclass(frozen=True, slots=True)
class Scope:
    """Where a query is asked."""

    session: Session
    production: Production
    vocabulary: Vocabulary
    query: Query
    _known: dict[str, list[Known]] = field(default_factory=dict)

    def known(self, name: str) -> list[Known]:
        """What a field can name here, read once a query."""
        if name not in self._known:
            self._known[name] = list_known(self.session, self.production, name)
        return self._known[name]

    @contextmanager
    def at(self, place: Value) -> Iterator[None]:
        """Point an error at the value that caused it."""
        try:
            yield
        except UsageError as error:
            raise QueryError(
                error.message, query=self.query.text, column=place.column, remedy=error.remedy
            ) from error


def build_conditions(
    session: Session, production: Production, query: str | Query, vocabulary: Vocabulary
) -> list[Condition]:
    """Conditions on Clip that all must hold; the first is the production.

    Raises QueryError for text that is no query and for values that do not exist in the production.
    """
    parsed = parse_query(query) if isinstance(query, str) else query
    scope = Scope(session, production, vocabulary, parsed)
    conditions: list[Condition] = [Clip.production_id == production.id]
    wanted = [term for term in parsed.terms if isinstance(term, Words) and not term.negated]
    if wanted:
        conditions.append(_has_words(session, wanted))
    conditions.extend(_hold(scope, term) for term in parsed.terms if term not in wanted)
    return conditions


def _hold(scope: Scope, term: Term) -> Condition:
    if isinstance(term, Words):
        condition = _has_words(scope.session, [term])
    else:
        condition = or_(*(_match(scope, term.field, value) for value in term.values))
    # "Is not true" is more than "is false": where a column is empty a condition is neither.
    return condition.is_not(true()) if term.negated else condition


def _match(scope: Scope, name: str, value: Value) -> Condition:
    with scope.at(value):
        return _MATCHERS[FIELDS[name].kind](scope, name, value)


# -- words -----------------------------------------------------------------------------------------


def _has_words(session: Session, wanted: Iterable[Words]) -> Condition:
    if session.get_bind().dialect.name == "sqlite":
        expression = " AND ".join(map(_fts5_phrase, wanted))
        return _clip_among(select(_CLIP_WORDS.c.rowid).where(_CLIP_WORDS.c.clip_words.match(expression)))
    vector = func.to_tsvector(_SIMPLE, ClipText.words)
    matches = (vector.bool_op("@@")(_tsquery(words)) for words in wanted)
    return _clip_among(select(ClipText.clip_id).where(*matches))


def _fts5_phrase(words: Words) -> str:
    """An FTS5 string (sqlite.org/fts5.html, section 3.1). Its words have letters and digits only, so
    nothing in it can be an operator or end the string.
    """
    return '"' + " ".join(split_words(words.text)) + '"' + ("*" if words.prefix else "")


def _tsquery(words: Words) -> ColumnElement[Any]:
    *whole, last = split_words(words.text)
    if not words.prefix:
        return func.phraseto_tsquery(_SIMPLE, " ".join([*whole, last]))
    beginning = func.to_tsquery(_SIMPLE, f"'{last}':*")
    if not whole:
        return beginning
    return func.tsquery_phrase(func.phraseto_tsquery(_SIMPLE, " ".join(whole)), beginning)


def contains(text: InstrumentedAttribute[str], part: str) -> Condition:
    """Whether a text holds a part, whatever its case.

    SQLite compares without case for ASCII only, and names on a card may carry accents as marks of
    their own; so the usual spellings of other letters are asked for one by one.
    """
    cases = {part, part.lower(), part.upper(), part.title(), part.capitalize()}
    forms = {unicodedata.normalize(form, case) for case in cases for form in ("NFC", "NFD")}
    spellings = {part} if part.isascii() else forms
    return or_(*(text.icontains(spelling, autoescape=True) for spelling in sorted(spellings)))


# -- fields ----------------------------------------------------------------------------------------


def _clip_among(clip_ids: Select[int] | Select[int | None]) -> Condition:
    # On its own: a statement around it may read the same tables for another reason.
    return Clip.id.in_(clip_ids.correlate(None))


def _entry_with(*conditions: Condition) -> Condition:
    entries = select(LogEntry.clip_id).where(LogEntry.clip_id.is_not(None), *conditions)
    return _clip_among(entries)


def _entry_among(entry_ids: Select[int]) -> Condition:
    return _entry_with(LogEntry.id.in_(entry_ids.correlate(None)))


def _match_term(scope: Scope, name: str, value: Value) -> Condition:
    return _entry_with(getattr(LogEntry, name).in_(_codes(scope.vocabulary, name, value)))


def _codes(vocabulary: Vocabulary, name: str, value: Value) -> list[str]:
    if isinstance(value, Exactly):
        return [vocabulary.resolve(name, value.text).code]
    terms = vocabulary.terms(name)
    ranks = {term.code: term.rank for term in terms if term.rank is not None}
    if len(ranks) < len(terms):
        raise UsageError(f"the terms of {name} have no order", remedy=f"List them with commas: {name}:a,b.")

    def read_rank(text: str) -> tuple[int, int]:
        rank = ranks[vocabulary.resolve(name, text).code]
        return rank, rank

    span = read_span(value, read_rank, 1)
    return [code for code, rank in ranks.items() if covers(span, rank)]


def _match_name(scope: Scope, name: str, value: Value) -> Condition:
    assert isinstance(value, Exactly), "the grammar gives names no order"
    picked = pick_known(scope.known(name), name, value.text)
    return _NAME_MATCHERS[name]([one.id for one in picked], [one.names[0] for one in picked])


def _tagged(ids: list[int], _names: list[str]) -> Condition:
    return _entry_among(select(entry_tag.c.entry_id).where(entry_tag.c.tag_id.in_(ids)))


def _shows_person(ids: list[int], _names: list[str]) -> Condition:
    return _entry_among(select(entry_person.c.entry_id).where(entry_person.c.person_id.in_(ids)))


def has_finding(*conditions: Condition) -> Condition:
    """A finding of the clip or of one of its files that nobody has dismissed."""
    still_open = (*conditions, Finding.dismissed.is_(None))
    of_clip = select(Finding.clip_id).where(Finding.clip_id.is_not(None), *still_open)
    of_file = select(ClipFile.clip_id).join(Finding, Finding.file_id == ClipFile.file_id).where(*still_open)
    return or_(_clip_among(of_clip), _clip_among(of_file))


def _match_text(_scope: Scope, name: str, value: Value) -> Condition:
    assert isinstance(value, Exactly), "the grammar gives texts no order"
    if name != "name":
        return _entry_with(contains(getattr(LogEntry, name), value.text))
    in_file = (
        select(ClipFile.id)
        .join(File, File.id == ClipFile.file_id)
        .where(ClipFile.clip_id == Clip.id, contains(File.path, value.text))
    )
    return or_(contains(Clip.name, value.text), in_file.correlate(Clip).exists())


def _match_day(scope: Scope, _name: str, value: Value) -> Condition:
    days = scope.known("day")
    if isinstance(value, Exactly):
        picked = pick_known(days, "day", str(read_day(value.text)))
    else:
        span = read_span(value, lambda text: (read_day(text), read_day(text)), 1)
        picked = [day for day in days if covers(span, int(day.names[0]))]
    return Clip.day_id.in_([day.id for day in picked])


def _match_date(scope: Scope, _name: str, value: Value) -> Condition:
    """By the date of the shooting day; a clip of no day by its own time."""
    span = read_span(value, read_dates, dt.timedelta(days=1))
    ids = [day.id for day in scope.known("day") if day.date and covers(span, day.date)]
    return or_(Clip.day_id.in_(ids), Clip.day_id.is_(None) & shot_within(scope.production, value))


def _match_choice(_scope: Scope, name: str, value: Value) -> Condition:
    assert isinstance(value, Exactly), "the grammar gives choices no order"
    choice = value.text.lower()
    if name == "media":
        return Clip.media == ClipMedia(choice)
    there = has(choice)
    return there if name == "has" else there.is_not(true())


def has(what: str) -> Condition:
    """Clips that have `what`, one of `query_fields.PRESENCE`."""
    if what in TERM_FIELDS:
        return _entry_with(getattr(LogEntry, what).is_not(None))
    if what in TEXT_FIELDS:
        return _entry_with(getattr(LogEntry, what) != "")
    return _PRESENCE[what]()


_PRESENCE: Mapping[str, Callable[[], Condition]] = MappingProxyType(
    {
        "log": _entry_with,
        "finding": has_finding,
        "still": lambda: _clip_among(select(Still.clip_id)),
        "tag": lambda: _entry_among(select(entry_tag.c.entry_id)),
        "person": lambda: _entry_among(select(entry_person.c.entry_id)),
        "camera": lambda: Clip.camera_id.is_not(None),
        "lens": lambda: Clip.lens_id.is_not(None),
        "day": lambda: Clip.day_id.is_not(None),
        "date": lambda: Clip.shot_at.is_not(None),
        "timecode": lambda: Clip.start_frame.is_not(None) & (Clip.media == ClipMedia.VIDEO),
    }
)
_NAME_MATCHERS: Mapping[str, Callable[[list[int], list[str]], Condition]] = MappingProxyType(
    {
        "camera": lambda ids, _names: Clip.camera_id.in_(ids),
        "lens": lambda ids, _names: Clip.lens_id.in_(ids),
        "reel": lambda ids, _names: Clip.reel_id.in_(ids),
        "tag": _tagged,
        "person": _shows_person,
        "finding": lambda _ids, codes: has_finding(Finding.code.in_(codes)),
    }
)
_MATCHERS: Mapping[FieldKind, Callable[[Scope, str, Value], Condition]] = MappingProxyType(
    {
        FieldKind.TERM: _match_term,
        FieldKind.NAME: _match_name,
        FieldKind.TEXT: _match_text,
        FieldKind.DAY: _match_day,
        FieldKind.DATE: _match_date,
        FieldKind.CHOICE: _match_choice,
        FieldKind.DURATION: lambda _scope, _name, value: lasts(value),
        FieldKind.RATE: lambda _scope, _name, value: runs_at(value),
    }
)
