"""Every text that a search for words looks through, clip by clip, and where each comes from."""

from __future__ import annotations

import enum
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import (
    BindParameter,
    CompoundSelect,
    Integer,
    Select,
    Table,
    bindparam,
    literal,
    select,
    union_all,
)
from sqlalchemy.orm import Session

from shared.models import (
    Camera,
    ChannelMap,
    Clip,
    ClipCue,
    ClipFile,
    File,
    Lens,
    LogEntry,
    Microphone,
    Moment,
    Person,
    Production,
    Reel,
    ShootingDay,
    Tag,
    entry_person,
    entry_tag,
)
from shared.query_fields import TERM_FIELDS, TEXT_FIELDS
from shared.vocabulary import Term

_DENIAL = "no "  # "no good" must not be found by "good"


class Origin(enum.StrEnum):
    """Why a clip has a text."""

    SAID = "said"  # a person wrote or chose it
    KNOWN = "known"  # it comes with the kit or with a term
    NAME = "name"  # of a file, a reel, a number: looked for as it is written

    @property
    def has_stems(self) -> bool:
        return self is not Origin.NAME


@dataclass(frozen=True, slots=True)
class Text:
    """One text of a clip. `field` is the query language's field, or what it belongs to ("moment", "file")."""

    field: str
    text: str
    origin: Origin = Origin.SAID


@dataclass(frozen=True, slots=True)
class ClipKnown:
    """Everything logged and known of one clip that a search for words looks through, its moments included."""

    texts: tuple[Text, ...]
    terms: tuple[tuple[str, str], ...] = ()  # field and code
    language: str = "en"  # the production's: that of its log

    def all_texts(self, terms: Mapping[tuple[str, str], Term]) -> list[Text]:
        """The texts and what the terms are called. `terms` are the vocabulary's, by field and code."""
        return [*self.texts, *(text for field, code in self.terms for text in _names(terms, field, code))]


def _names(terms: Mapping[tuple[str, str], Term], field: str, code: str) -> Iterator[Text]:
    """Code, label and aliases, save those that deny something."""
    term = terms.get((field, code))  # none: the production dropped the term
    if term is not None:
        yield Text(field, term.label)
    yield Text(field, code)
    if term is not None:
        yield from (Text(field, one, Origin.KNOWN) for one in term.aliases if not one.startswith(_DENIAL))


_OF_CLIP: tuple[tuple[str, Origin, Any], ...] = (
    *((field, Origin.SAID, getattr(LogEntry, field)) for field in TEXT_FIELDS),
    ("name", Origin.NAME, Clip.name),
    ("reel", Origin.NAME, Reel.name),
    ("camera", Origin.NAME, Camera.letter),
    ("camera", Origin.KNOWN, Camera.name),
    ("camera", Origin.KNOWN, Camera.kind),
    ("lens", Origin.KNOWN, Lens.name),
    ("day", Origin.NAME, ShootingDay.number),
    ("date", Origin.NAME, ShootingDay.date),
)
_TERM_COLUMNS = tuple(getattr(LogEntry, field) for field in TERM_FIELDS)
_CLIPS: BindParameter[Any] = bindparam("clips", expanding=True)
# Each list comes as clip, text and two numbers to sort by; where these are the same, the text decides.
_SAME = literal(0, Integer)
_BY_TEXT = (_SAME, _SAME)
_TEXT_COLUMNS = tuple(getattr(LogEntry, field) for field in TEXT_FIELDS)


def read_known(session: Session, clip_ids: Sequence[int]) -> dict[int, ClipKnown]:
    """At most a fixed number of statements, whatever the number of clips. Texts in the order in which an
    excerpt is best taken from them.
    """
    lists: dict[int, list[Text]] = defaultdict(list)
    terms: dict[int, list[tuple[str, str]]] = defaultdict(list)
    # Most clips have no moment. Where none in the log has one, a planner that knows nothing of that table
    # begins with every tag there is: a seventh of a second, at each edit of a large log.
    moments = _read_moments(session, clip_ids, lists, terms)
    _read_lists(session, clip_ids, lists, of_moments=moments)
    first_term = 2 + len(_OF_CLIP)
    return {
        row[0]: ClipKnown(
            texts=(*_texts(row[2:first_term]), *lists[row[0]]),
            terms=(*_codes(row[first_term:]), *terms[row[0]]),
            language=row[1],
        )
        for row in session.execute(_clip_rows(), {_CLIPS.key: clip_ids})
    }


def _read_lists(
    session: Session, clip_ids: Sequence[int], into: dict[int, list[Text]], *, of_moments: bool
) -> None:
    found = session.execute(_list_rows(of_moments=of_moments), {_CLIPS.key: clip_ids}).all()
    kinds = _lists(of_moments=of_moments)
    # Sorted here: asked for names in order, SQLite reads every name there is to find these few.
    for clip_id, text, _, _, number in sorted(found, key=lambda row: (row[4], row[2], row[3], row[1])):
        field, origin, _ = kinds[number]
        into[clip_id].append(Text(field, text, origin))


# Each edit of one clip asks all of this: a question is put together once, and all lists are one question.


@cache
def _clip_rows() -> Select[*tuple[Any, ...]]:
    columns = select(
        Clip.id, Production.language, *(column for _, _, column in _OF_CLIP), *_TERM_COLUMNS
    ).join(Production, Production.id == Clip.production_id)
    return (
        columns.join(Reel, Reel.id == Clip.reel_id)
        .outerjoin(Camera, Camera.id == Clip.camera_id)
        .outerjoin(Lens, Lens.id == Clip.lens_id)
        .outerjoin(ShootingDay, ShootingDay.id == Clip.day_id)
        .outerjoin(LogEntry, LogEntry.clip_id == Clip.id)
        .where(Clip.id.in_(_CLIPS))
    )


@cache
def _moment_rows() -> Select[*tuple[Any, ...]]:
    return (
        select(Moment.clip_id, Moment.name, *_TEXT_COLUMNS, *_TERM_COLUMNS)
        .outerjoin(LogEntry, LogEntry.moment_id == Moment.id)
        .where(Moment.clip_id.in_(_CLIPS))
        .order_by(Moment.in_frame, Moment.id)
    )


@cache
def _list_rows(*, of_moments: bool) -> CompoundSelect[*tuple[Any, ...]]:
    lists = enumerate(_lists(of_moments=of_moments))
    return union_all(*(rows.add_columns(literal(number, Integer)) for number, (_, _, rows) in lists))


@cache
def _lists(*, of_moments: bool) -> tuple[tuple[str, Origin, Select[*tuple[Any, ...]]], ...]:
    """What a clip may have several of, in the order of `ClipKnown.texts`."""
    tags, people = (
        [("tag", Origin.SAID, _of_moment(Tag, entry_tag, "tag_id"))] if of_moments else [],
        [("person", Origin.SAID, _of_moment(Person, entry_person, "person_id"))] if of_moments else [],
    )
    return (
        ("tag", Origin.SAID, _of_entry(Tag, entry_tag, "tag_id")),
        *tags,
        ("person", Origin.SAID, _of_entry(Person, entry_person, "person_id")),
        *people,
        ("person", Origin.SAID, _on_channel(Person, ChannelMap.person_id)),
        ("person", Origin.SAID, _speaking(Person.name)),
        ("speaker", Origin.SAID, _speaking(ClipCue.speaker)),
        ("microphone", Origin.KNOWN, _on_channel(Microphone, ChannelMap.microphone_id)),
        ("file", Origin.NAME, _paths()),
    )


def _texts(values: Sequence[Any]) -> Iterator[Text]:
    for (field, origin, _), value in zip(_OF_CLIP, values, strict=True):
        if value is not None and value != "":
            yield Text(field, str(value), origin)


def _codes(codes: Sequence[str | None]) -> Iterator[tuple[str, str]]:
    return ((field, code) for field, code in zip(TERM_FIELDS, codes, strict=True) if code)


def _read_moments(
    session: Session,
    clip_ids: Sequence[int],
    texts: dict[int, list[Text]],
    terms: dict[int, list[tuple[str, str]]],
) -> bool:
    """Names of moments, and what was said of each, as the clip's own. Returns whether there is any."""
    last_text = 2 + len(_TEXT_COLUMNS)
    found = session.execute(_moment_rows(), {_CLIPS.key: clip_ids}).all()
    for row in found:
        texts[row[0]].extend(Text("moment", text) for text in row[1:last_text] if text)
        terms[row[0]].extend(_codes(row[last_text:]))
    return bool(found)


def _linked(model: type[Tag] | type[Person], link: Table, key: str) -> Select[*tuple[Any, ...]]:
    named = select(model.name).join(link, link.c[key] == model.id)
    return named.join(LogEntry, LogEntry.id == link.c.entry_id)


def _of_entry(model: type[Tag] | type[Person], link: Table, key: str) -> Select[*tuple[Any, ...]]:
    """Tags or people of the clips' own entries."""
    return _with_clip(_linked(model, link, key), LogEntry.clip_id)


def _of_moment(model: type[Tag] | type[Person], link: Table, key: str) -> Select[*tuple[Any, ...]]:
    """Tags or people of the entries of the clips' moments."""
    return _with_clip(_linked(model, link, key).join(Moment, Moment.id == LogEntry.moment_id), Moment.clip_id)


def _with_clip(named: Select[Any], clip_id: Any) -> Select[*tuple[Any, ...]]:
    return named.with_only_columns(clip_id, *named.selected_columns, *_BY_TEXT).where(clip_id.in_(_CLIPS))


def _on_channel(model: type[Microphone] | type[Person], key: Any) -> Select[*tuple[Any, ...]]:
    named = select(ChannelMap.clip_id, model.name, ChannelMap.channel, _SAME).join(model, model.id == key)
    return named.where(ChannelMap.clip_id.in_(_CLIPS))


def _speaking(name: Any) -> Select[*tuple[Any, ...]]:
    """Who speaks in the transcripts: people who were named, or the names that the sources write."""
    rows = select(ClipCue.clip_id, name, *_BY_TEXT).where(ClipCue.clip_id.in_(_CLIPS), name != "").distinct()
    if name is Person.name:
        rows = rows.join(Person, Person.id == ClipCue.person_id)
    return rows


def _paths() -> Select[*tuple[Any, ...]]:
    paths = select(ClipFile.clip_id, File.path, ClipFile.ordinal, ClipFile.id)
    return paths.join(File, File.id == ClipFile.file_id).where(ClipFile.clip_id.in_(_CLIPS))
