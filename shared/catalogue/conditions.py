"""A query as conditions on clips, built from expressions alone; no SQL is put together from text.

Every condition stands by itself on `clip`: what belongs to other tables is asked by IN or EXISTS.
A term that is negated holds wherever the term does not, also where nothing is known: `-kind:interview`
includes clips nobody has logged.
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from types import MappingProxyType

from sqlalchemy import Select, or_, select, true
from sqlalchemy.orm import InstrumentedAttribute, Session

from shared.catalogue.lookup import Known, list_known, pick_known
from shared.catalogue.ranges import Condition, covers, lasts, read_span, runs_at, shot_within
from shared.catalogue.release_standing import is_cleared, today_of
from shared.catalogue.word_search import are_heard, has_words
from shared.errors import QueryError, UsageError
from shared.models import (
    Answer,
    AnswerState,
    ChannelMap,
    Clip,
    ClipCue,
    ClipFile,
    ClipMedia,
    ClipTranscript,
    File,
    Finding,
    LogEntry,
    Moment,
    Production,
    Release,
    Still,
    entry_person,
    entry_tag,
    release_clip,
)
from shared.query import Exactly, Query, Term, Value, Words, parse_query
from shared.query_fields import FIELDS, TERM_FIELDS, TEXT_FIELDS, FieldKind, read_dates, read_day
from shared.vocabulary import Vocabulary

_MOST_BEHIND = 4  # plain words tried as the rest of a value
_STEP = re.compile(r"[0-9]{1,3}")


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
    wanted = plain_words(parsed)
    if wanted:
        conditions.append(has_words(session, wanted, production.language))
    conditions.extend(_hold(scope, term) for term in parsed.terms if term not in wanted)
    return conditions


def plain_words(query: Query) -> list[Words]:
    """The words that a clip must have."""
    return [term for term in query.terms if isinstance(term, Words) and not term.negated]


def _hold(scope: Scope, term: Term) -> Condition:
    if isinstance(term, Words):
        condition = has_words(scope.session, [term], scope.production.language)
    else:
        condition = or_(*(_match(scope, term.field, value) for value in term.values))
    # "Is not true" is more than "is false": where a column is empty a condition is neither.
    return condition.is_not(true()) if term.negated else condition


def _match(scope: Scope, name: str, value: Value) -> Condition:
    with scope.at(value):
        try:
            return _MATCHERS[FIELDS[name].kind](scope, name, value)
        except UsageError as error:
            if (whole := _missing_marks(scope, name, value)) is not None:
                error.remedy = f'Did you mean {name}:"{whole}"? A value of several words needs the marks.'
            raise


def _missing_marks(scope: Scope, name: str, value: Value) -> str | None:
    """The value together with plain words right behind it, if only that exists: `size:close up`."""
    for place, term in enumerate(scope.query.terms):
        if not isinstance(value, Exactly) or isinstance(term, Words) or term.values[-1] is not value:
            continue
        whole = value.text
        for behind in scope.query.terms[place + 1 : place + 1 + _MOST_BEHIND]:
            if not isinstance(behind, Words) or behind.negated or behind.exact or behind.prefix:
                return None
            whole = f"{whole} {behind.text}"
            with suppress(UsageError):
                _MATCHERS[FIELDS[name].kind](scope, name, Exactly(whole))
                return whole
    return None


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
    """Clips whose own entry is so; what is said of a moment inside it does not count."""
    entries = select(LogEntry.clip_id).where(LogEntry.clip_id.is_not(None), *conditions)
    return _clip_among(entries)


def _entry_among(entry_ids: Select[int]) -> Condition:
    """Clips whose own entry is one of these, or the entry of a moment inside it."""
    among = LogEntry.id.in_(entry_ids.correlate(None))
    of_moment = select(Moment.clip_id).join(LogEntry, LogEntry.moment_id == Moment.id).where(among)
    return or_(_entry_with(among), _clip_among(of_moment))


def _match_term(scope: Scope, name: str, value: Value) -> Condition:
    return _entry_with(getattr(LogEntry, name).in_(_codes(scope.vocabulary, name, value)))


def _codes(vocabulary: Vocabulary, name: str, value: Value) -> list[str]:
    terms = vocabulary.terms(name)
    ranks = {term.code: term.rank for term in terms if term.rank is not None}
    if isinstance(value, Exactly):
        return [_resolve(vocabulary, name, value.text, ranks)]
    if len(ranks) < len(terms):
        raise UsageError(f"the terms of {name} have no order", remedy=f"List them with commas: {name}:a,b.")

    def read_rank(text: str) -> tuple[int, int]:
        rank = ranks[_resolve(vocabulary, name, text, ranks)]
        return rank, rank

    span = read_span(value, read_rank, 1)
    return [code for code, rank in ranks.items() if covers(span, rank)]


def _resolve(vocabulary: Vocabulary, name: str, text: str, ranks: Mapping[str, int]) -> str:
    """The code of a term. The terms of a ranked field may also be counted, from 1 for the lowest."""
    if not ranks or not _STEP.fullmatch(text.strip()):
        return vocabulary.resolve(name, text).code
    in_order = sorted(ranks, key=ranks.__getitem__)
    if not 1 <= int(text) <= len(in_order):
        raise UsageError(
            f"{name} has the steps 1 to {len(in_order)}: "
            + ", ".join(f"{step} {code}" for step, code in enumerate(in_order, 1)),
            remedy="Choose one of these, or write its name.",
        )
    return in_order[int(text) - 1]


def _match_name(scope: Scope, name: str, value: Value) -> Condition:
    assert isinstance(value, Exactly), "the grammar gives names no order"
    picked = pick_known(scope.known(name), name, value.text)
    return _NAME_MATCHERS[name]([one.id for one in picked], [one.names[0] for one in picked])


def _tagged(ids: list[int], _names: list[str]) -> Condition:
    return _entry_among(select(entry_tag.c.entry_id).where(entry_tag.c.tag_id.in_(ids)))


def _has_person(ids: list[int], _names: list[str]) -> Condition:
    """Named in the log, as the voice on a channel of the sound, or as who speaks in the transcript."""
    logged = select(entry_person.c.entry_id).where(entry_person.c.person_id.in_(ids))
    return or_(
        _entry_among(logged),
        _clip_among(_voices().where(ChannelMap.person_id.in_(ids))),
        _clip_among(_speakers().where(ClipCue.person_id.in_(ids))),
    )


def _voices() -> Select[int]:
    return select(ChannelMap.clip_id).where(ChannelMap.person_id.is_not(None))


def _speakers() -> Select[int]:
    return select(ClipCue.clip_id).where(ClipCue.person_id.is_not(None))


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


def _match_speech(scope: Scope, _name: str, value: Value) -> Condition:
    assert isinstance(value, Exactly), "the grammar gives words no order"
    return are_heard(scope.session, value.text, scope.production.language)


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


def _match_choice(scope: Scope, name: str, value: Value) -> Condition:
    assert isinstance(value, Exactly), "the grammar gives choices no order"
    choice = value.text.lower()
    if name == "media":
        return Clip.media == ClipMedia(choice)
    there = _is_released(scope) if choice == "release" else has(choice)
    return there if name == "has" else there.is_not(true())


def has(what: str) -> Condition:
    """Clips that have `what`, one of `query_fields.PRESENCE` save "release", which depends on the day."""
    if what in TERM_FIELDS:
        return _entry_with(getattr(LogEntry, what).is_not(None))
    if what in TEXT_FIELDS:
        return _entry_with(getattr(LogEntry, what) != "")
    return _PRESENCE[what]()


def _answers(*conditions: Condition) -> Condition:
    """Clips that a person said to answer a wish, by themselves or by a moment of theirs."""
    said = (Answer.state == AnswerState.CONFIRMED, *conditions)
    of_moment = select(Moment.clip_id).join(Answer, Answer.moment_id == Moment.id).where(*said)
    return or_(
        _clip_among(select(Answer.clip_id).where(Answer.clip_id.is_not(None), *said)), _clip_among(of_moment)
    )


def _is_released(scope: Scope) -> Condition:
    """Clips in which somebody or something was named that needs a release, and all of it is cleared today."""
    today = today_of(scope.production)
    cleared = is_cleared(today)
    people = select(Release.person_id).where(
        Release.production_id == scope.production.id, Release.person_id.is_not(None), cleared
    )
    withdrawn = select(Release.person_id).where(
        Release.production_id == scope.production.id,
        Release.person_id.is_not(None),
        Release.withdrawn_on <= today,
    )
    logged = select(entry_person.c.entry_id)
    open_people = [entry_person.c.person_id.not_in(people) | entry_person.c.person_id.in_(withdrawn)]
    open_voices = [ChannelMap.person_id.not_in(people) | ChannelMap.person_id.in_(withdrawn)]
    linked = select(release_clip.c.clip_id)
    not_cleared = linked.join(Release, Release.id == release_clip.c.release_id).where(~cleared)
    open_speakers = [ClipCue.person_id.not_in(people) | ClipCue.person_id.in_(withdrawn)]
    named = or_(_entry_among(logged), _clip_among(_voices()), _clip_among(_speakers()), _clip_among(linked))
    uncleared = or_(
        _entry_among(logged.where(*open_people)),
        _clip_among(_voices().where(*open_voices)),
        _clip_among(_speakers().where(*open_speakers)),
        _clip_among(not_cleared),
    )
    return named & uncleared.is_not(true())


_PRESENCE: Mapping[str, Callable[[], Condition]] = MappingProxyType(
    {
        "log": _entry_with,
        "finding": has_finding,
        "still": lambda: _clip_among(select(Still.clip_id)),
        "moment": lambda: _clip_among(select(Moment.clip_id)),
        "tag": lambda: _entry_among(select(entry_tag.c.entry_id)),
        "person": lambda: or_(
            _entry_among(select(entry_person.c.entry_id)), _clip_among(_voices()), _clip_among(_speakers())
        ),
        "camera": lambda: Clip.camera_id.is_not(None),
        "lens": lambda: Clip.lens_id.is_not(None),
        "day": lambda: Clip.day_id.is_not(None),
        "date": lambda: Clip.shot_at.is_not(None),
        "wish": _answers,
        "transcript": lambda: _clip_among(select(ClipTranscript.clip_id)),
        "timecode": lambda: Clip.start_frame.is_not(None) & (Clip.media == ClipMedia.VIDEO),
    }
)
_NAME_MATCHERS: Mapping[str, Callable[[list[int], list[str]], Condition]] = MappingProxyType(
    {
        "camera": lambda ids, _names: Clip.camera_id.in_(ids),
        "lens": lambda ids, _names: Clip.lens_id.in_(ids),
        "reel": lambda ids, _names: Clip.reel_id.in_(ids),
        "tag": _tagged,
        "person": _has_person,
        "wish": lambda ids, _names: _answers(Answer.wish_id.in_(ids)),
        "finding": lambda _ids, codes: has_finding(Finding.code.in_(codes)),
    }
)
_MATCHERS: Mapping[FieldKind, Callable[[Scope, str, Value], Condition]] = MappingProxyType(
    {
        FieldKind.TERM: _match_term,
        FieldKind.NAME: _match_name,
        FieldKind.TEXT: _match_text,
        FieldKind.SPEECH: _match_speech,
        FieldKind.DAY: _match_day,
        FieldKind.DATE: _match_date,
        FieldKind.CHOICE: _match_choice,
        FieldKind.DURATION: lambda _scope, _name, value: lasts(value),
        FieldKind.RATE: lambda _scope, _name, value: runs_at(value),
    }
)
