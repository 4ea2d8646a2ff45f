"""The rows that the plan is judged by, read in a fixed number of statements whatever the number of clips."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import Session

from shared.models import (
    Camera,
    ChannelMap,
    Clip,
    ClipCue,
    ClipFile,
    ClipMedia,
    File,
    FileRole,
    Finding,
    LogEntry,
    Moment,
    Person,
    Production,
    Reel,
    Severity,
    ShootingDay,
    SoundPair,
    SyncState,
    Tag,
    TakeFacts,
    entry_person,
    entry_tag,
)
from shared.plan.pieces import UNREADABLE, Flag, Said, Span, Take

_SAID = ("kind", "size", "angle", "movement", "rating", "direction", "sensitive", "subject", "place")
_COLUMNS = tuple(getattr(LogEntry, name) for name in (*_SAID, "scene", "note"))

Rows = Select[*tuple[Any, ...]]
Mine = Select[Any] | Sequence[int]
"""The clips that are meant: of a whole production as a statement, of some by their ids."""


def read_takes(session: Session, production: Production, clips: Sequence[int] | None = None) -> list[Take]:
    """Every clip of the production, in the order of time; or only those of `clips`, no more of them than one
    statement can carry."""
    mine: Mine = select(Clip.id).where(Clip.production_id == production.id)
    if clips is not None:
        # Compared here: a planner may otherwise walk the whole production for them.
        owners = session.execute(select(Clip.id, Clip.production_id).where(Clip.id.in_(clips)))
        mine = [key for key, owner in owners if owner == production.id]
    flags = _flags(session, mine)
    unreadable = _unreadable(session, mine)
    entries = None if clips is None else _entries_of(session, mine)
    entry_tags = _by_entry(session, entry_tag, Tag, entry_tag.c.tag_id, production.id, entries)
    entry_people = _by_entry(session, entry_person, Person, entry_person.c.person_id, production.id, entries)
    moments = _moments(session, mine, entry_tags, entry_people)
    voices, unknown = _voices(session, mine)
    channels = _channels(session, mine)
    paired, matched = (
        set(session.scalars(select(side).where(side.in_(mine), SoundPair.state != SyncState.NO_MATCH)))
        for side in (SoundPair.picture_clip_id, SoundPair.sound_clip_id)
    )
    rows: Rows = (
        select(
            Clip.id, Reel.name, Clip.name, ShootingDay.number, Camera.letter, Clip.media, Clip.rate_num,
            Clip.rate_den, Clip.frames, LogEntry.id, *_COLUMNS,
        )
        .join(Reel, Reel.id == Clip.reel_id)
        .outerjoin(ShootingDay, ShootingDay.id == Clip.day_id)
        .outerjoin(Camera, Camera.id == Clip.camera_id)
        .outerjoin(LogEntry, LogEntry.clip_id == Clip.id)
        .where(Clip.production_id == production.id if clips is None else Clip.id.in_(mine))
        .order_by(Clip.shot_at.is_(None), Clip.shot_at, Clip.id)
    )  # fmt: skip
    takes = []
    for key, reel, name, day, camera, media, num, den, frames, entry, *said in session.execute(rows):
        own = flags.get(key, ())
        why = unreadable.get(key, "") or _says_unreadable(media, own)
        takes.append(
            Take(
                id=key,
                name=f"{reel}/{name.rpartition('/')[2]}",
                day=day,
                camera=camera or "",
                media=media,
                per_second=Fraction(num, den) if num and den else None,
                frames=frames,
                logged=entry is not None,
                said=_said(said, entry_tags.get(entry, ()), entry_people.get(entry, ())),
                flags=tuple(own),
                unreadable=why,
                moments=tuple(moments.get(key, ())),
                voices=tuple(dict.fromkeys(voices.get(key, ()))),
                paired=key in paired,
                unknown_voices=unknown.get(key, 0),
                reel=reel,
                channels=channels.get(key),
                matched=key in matched,
            )
        )
    return takes


def _said(values: Sequence[Any], tags: Iterable[str], people: Iterable[str]) -> Said:
    *said, scene, note = values
    given = dict(zip(_SAID, said, strict=True))
    texts = {name: given.pop(name) or "" for name in ("subject", "place")}
    return Said(
        **given,
        **texts,
        beat=scene or "",
        note=note or "",
        tags=tuple(sorted(tags)),
        people=tuple(sorted(people)),
    )


def _flags(session: Session, mine: Mine) -> dict[int, list[Flag]]:
    """Open findings by clip: its own, and its files'."""
    columns = (
        Finding.code, Finding.severity, Finding.message, Finding.rule, Finding.value, Finding.unit,
        Finding.in_frame, Finding.out_frame,
    )  # fmt: skip
    still_open = Finding.dismissed.is_(None)
    of_clip: Rows = select(Finding.clip_id, *columns).where(Finding.clip_id.in_(mine), still_open)
    of_file: Rows = (
        select(ClipFile.clip_id, *columns)
        .join(Finding, Finding.file_id == ClipFile.file_id)
        .where(ClipFile.clip_id.in_(mine), Finding.clip_id.is_(None), still_open)
    )
    found: dict[int, list[Flag]] = defaultdict(list)
    for rows in (of_clip, of_file):
        for key, code, severity, message, rule, value, unit, first, end in session.execute(
            rows.order_by(Finding.id)
        ):
            span = (first, end) if first is not None and end is not None and end > first else None
            found[key].append(Flag(code, severity, message, rule, value, unit, span))
    return found


def _unreadable(session: Session, mine: Mine) -> dict[int, str]:
    """Clips with a file that the card did not give, or that was never read whole, with the reason."""
    rows = (
        select(ClipFile.clip_id, File.problem)
        .join(File, File.id == ClipFile.file_id)
        .where(
            ClipFile.clip_id.in_(mine),
            ClipFile.role == FileRole.ESSENCE,
            or_(File.problem.is_not(None), File.digest.is_(None)),
        )
    )
    return {key: problem or "never read whole from the card" for key, problem in session.execute(rows)}


def _says_unreadable(media: ClipMedia, flags: Iterable[Flag]) -> str:
    for flag in flags:
        if flag.code in UNREADABLE and flag.severity is Severity.FAULT:
            return flag.message
    return "no parser could read it" if media is ClipMedia.UNKNOWN else ""


def _entries_of(session: Session, mine: Mine) -> list[int]:
    """The log entries of clips and of moments in them."""
    of_moments = select(LogEntry.id).join(Moment, Moment.id == LogEntry.moment_id)
    return [
        *session.scalars(select(LogEntry.id).where(LogEntry.clip_id.in_(mine))),
        *session.scalars(of_moments.where(Moment.clip_id.in_(mine))),
    ]


def _by_entry(
    session: Session, link: Any, model: Any, key: Any, production_id: int, entries: Sequence[int] | None
) -> Mapping[int, list[str]]:
    """`entries`: only of these; None: of all."""
    rows = (
        select(link.c.entry_id, model.name)
        .join(model, model.id == key)
        .where(model.production_id == production_id)
    )
    if entries is not None:
        rows = rows.where(link.c.entry_id.in_(entries))
    found: dict[int, list[str]] = defaultdict(list)
    for entry, name in session.execute(rows):
        found[entry].append(name)
    return found


def _moments(
    session: Session,
    mine: Mine,
    tags: Mapping[int, list[str]],
    people: Mapping[int, list[str]],
) -> dict[int, list[Span]]:
    rows: Rows = (
        select(
            Moment.clip_id, Moment.id, Moment.in_frame, Moment.out_frame, Moment.name, LogEntry.id, *_COLUMNS
        )
        .outerjoin(LogEntry, LogEntry.moment_id == Moment.id)
        .where(Moment.clip_id.in_(mine))
        .order_by(Moment.clip_id, Moment.in_frame, Moment.id)
    )
    found: dict[int, list[Span]] = defaultdict(list)
    for clip, key, first, end, name, entry, *said in session.execute(rows):
        found[clip].append(
            Span(key, first, end, name, _said(said, tags.get(entry, ()), people.get(entry, ())))
        )
    return found


def _voices(session: Session, mine: Mine) -> tuple[dict[int, list[str]], dict[int, int]]:
    """Who is heard on a clip's channels or speaks in its transcript, and how many channels have a microphone
    and nobody's name."""
    rows = (
        select(ChannelMap.clip_id, Person.name)
        .join(Person, Person.id == ChannelMap.person_id)
        .where(ChannelMap.clip_id.in_(mine))
    )
    found: dict[int, list[str]] = defaultdict(list)
    speakers = (
        select(ClipCue.clip_id, Person.name)
        .join(Person, Person.id == ClipCue.person_id)
        .where(ClipCue.clip_id.in_(mine))
        .distinct()
        .order_by(ClipCue.clip_id, Person.name)
    )
    for key, name in (*session.execute(rows), *session.execute(speakers)):
        found[key].append(name)
    nameless = (
        select(ChannelMap.clip_id, func.count())
        .where(
            ChannelMap.clip_id.in_(mine),
            ChannelMap.person_id.is_(None),
            ChannelMap.microphone_id.is_not(None),
        )
        .group_by(ChannelMap.clip_id)
    )
    return found, dict(session.execute(nameless).all())


def _channels(session: Session, mine: Mine) -> dict[int, int]:
    """How many channels of sound a clip has, where its files say."""
    rows = (
        select(ClipFile.clip_id, func.max(TakeFacts.audio_channels))
        .join(TakeFacts, TakeFacts.file_id == ClipFile.file_id)
        .where(
            ClipFile.clip_id.in_(mine),
            ClipFile.role == FileRole.ESSENCE,
            TakeFacts.audio_channels.is_not(None),
        )
        .group_by(ClipFile.clip_id)
    )
    return {key: count for key, count in session.execute(rows) if count is not None}
