"""Everything a hand-over says, read from the catalogue once; after this no format asks the database."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import func, select
from sqlalchemy.orm import Session, joinedload, selectinload

from api.handover.profile import EVERYTHING, Profile
from api.handover.speech import Speech, read_speech
from api.handover.timing import Timing, own_start, time_clip
from shared.catalogue.channels import Channel, channels_of
from shared.catalogue.chunks import in_chunks
from shared.catalogue.log import production_vocabulary
from shared.catalogue.pairs import PairRow, pairs_of
from shared.catalogue.releases import list_releases
from shared.errors import UsageError
from shared.models import (
    Answer,
    AnswerState,
    Clip,
    ClipFile,
    ClipMedia,
    Copy,
    File,
    FileRole,
    Finding,
    LogEntry,
    Moment,
    Production,
    Release,
    ShootingDay,
    TakeFacts,
    WantedShot,
)
from shared.vocabulary import Vocabulary

_WATCHED = (FileRole.ESSENCE, FileRole.PROXY)
_AT_ONCE = 500  # clips loaded by one round of statements


@dataclass(frozen=True, slots=True)
class Part:
    """One essence file's share of a clip. `offset`: from the clip's first frame; `start`: timecode as a
    count; `count`: its length. In frames of the clip's rate, or samples if it is sound-only; None: unknown.
    """

    file: File
    facts: TakeFacts | None
    offset: int | None
    start: int | None
    count: int | None


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment with what was said of it."""

    moment: Moment
    entry: LogEntry | None


@dataclass(frozen=True, slots=True)
class Shot:
    """One clip with all that is known of it. `parts`: its essence files in order; where there is only a
    proxy of the take, that.
    """

    clip: Clip
    entry: LogEntry | None
    timing: Timing
    parts: tuple[Part, ...]
    marks: tuple[Mark, ...]
    findings: tuple[Finding, ...]  # of the clip and its files; those a person dismissed are left out
    channels: tuple[Channel, ...]
    pairs: tuple[PairRow, ...]  # what its sound was found to match
    # Whom and which place the catalogue names, whatever the profile leaves out: releases are found by these.
    named: tuple[str, ...] = ()
    logged_place: str = ""

    @property
    def is_proxy(self) -> bool:
        """Whether the take itself is missing, and a proxy all there is."""
        roles = {row.role for row in self.clip.files}
        return FileRole.PROXY in roles and FileRole.ESSENCE not in roles

    @property
    def facts(self) -> TakeFacts | None:
        """What the first of its essence files says of itself."""
        return self.parts[0].facts if self.parts else None


@dataclass(frozen=True, slots=True)
class Handover:
    """What is handed over: `shots` in time order, those of unknown time last."""

    production: Production
    days: tuple[ShootingDay, ...]
    shots: tuple[Shot, ...]
    pairs: tuple[PairRow, ...]
    vocabulary: Vocabulary
    query: str
    made_at: dt.datetime
    releases: tuple[Release, ...] = ()
    wishes: Mapping[int, tuple[str, ...]] = field(default_factory=dict)  # by clip: what it answers
    profile: Profile = EVERYTHING  # what is left out of the log's words
    speech: Mapping[int, Speech] = field(default_factory=dict)  # by clip: what is said in it

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        return zoneinfo.ZoneInfo(self.production.zone)

    @property
    def made_here(self) -> dt.datetime:
        """When it was made, by the production's wall clock."""
        return self.made_at.astimezone(self.zone)


def gather_handover(
    session: Session, production: Production, clips: Iterable[Clip], *, query: str, made_at: dt.datetime
) -> Handover:
    """Read all about these clips. Raises UsageError when there are none."""
    ids = list(dict.fromkeys(clip.id for clip in clips))
    if not ids:
        raise UsageError("there is no clip to hand over", remedy="Ask for less: `rushlight find` lists them.")
    vocabulary = production_vocabulary(session, production)
    pairs = pairs_of(session, ids)
    reading = _Reading(session, production, vocabulary, _by_clip(pairs))
    shots = [shot for chunk in in_chunks(ids, _AT_ONCE) for shot in _gather(reading, chunk)]
    return Handover(
        production=production,
        days=tuple(production.days),
        shots=tuple(sorted(shots, key=_time_order)),
        pairs=tuple(pairs),
        vocabulary=vocabulary,
        query=query,
        made_at=made_at,
        releases=tuple(list_releases(session, production)),
        wishes=_read_wishes(session, production),
        speech=read_speech(session, (shot.clip for shot in shots)),
    )


def _read_wishes(session: Session, production: Production) -> dict[int, tuple[str, ...]]:
    """By clip, the wanted shots that a person said it answers, by itself or by a moment of it."""
    rows = (
        select(func.coalesce(Answer.clip_id, Moment.clip_id), WantedShot.code, WantedShot.what)
        .join(WantedShot, WantedShot.id == Answer.wish_id)
        .outerjoin(Moment, Moment.id == Answer.moment_id)
        .where(WantedShot.production_id == production.id, Answer.state == AnswerState.CONFIRMED)
        .order_by(WantedShot.position, WantedShot.id)
    )
    found: dict[int, dict[str, None]] = defaultdict(dict)
    for clip, code, what in session.execute(rows):
        if clip is not None:
            found[clip][f"{code} {what}"] = None
    return {clip: tuple(said) for clip, said in found.items()}


def _time_order(shot: Shot) -> tuple[bool, dt.datetime, str, str, int]:
    clip = shot.clip
    known = clip.shot_at or dt.datetime.max.replace(tzinfo=dt.UTC)
    return clip.shot_at is None, known, clip.reel.name, clip.name, clip.id


@dataclass(frozen=True, slots=True)
class _Reading:
    """What is the same for every clip."""

    session: Session
    production: Production
    vocabulary: Vocabulary
    pairs: Mapping[int, tuple[PairRow, ...]]


def _by_clip(pairs: Sequence[PairRow]) -> dict[int, tuple[PairRow, ...]]:
    found: dict[int, tuple[PairRow, ...]] = defaultdict(tuple)
    for pair in pairs:
        found[pair.picture_id] += (pair,)
        found[pair.sound_id] += (pair,)
    return dict(found)


def _gather(reading: _Reading, ids: list[int]) -> list[Shot]:
    session, production = reading.session, reading.production
    clips = session.scalars(
        select(Clip)
        .where(Clip.id.in_(ids), Clip.production_id == production.id)
        .options(
            joinedload(Clip.reel),
            joinedload(Clip.camera),
            joinedload(Clip.lens),
            joinedload(Clip.day),
            selectinload(Clip.stills),
            selectinload(Clip.findings),
            selectinload(Clip.files)
            .joinedload(ClipFile.file)
            .selectinload(File.copies)
            .joinedload(Copy.destination),
        )
    ).all()
    file_ids = [row.file_id for clip in clips for row in clip.files]
    facts = {
        one.file_id: one
        for chunk in in_chunks(file_ids)
        for one in session.scalars(select(TakeFacts).where(TakeFacts.file_id.in_(chunk)))
    }
    of_files: dict[int, list[Finding]] = defaultdict(list)
    for chunk in in_chunks(file_ids):
        for finding in session.scalars(
            select(Finding).where(Finding.file_id.in_(chunk)).order_by(Finding.id)
        ):
            assert finding.file_id is not None, "asked for by it"
            of_files[finding.file_id].append(finding)
    entries, marks = _log_of(session, ids)
    channels = channels_of(session, clips, reading.vocabulary)
    shots = []
    for clip in clips:
        parts, entry = _parts(clip, facts), entries.get(clip.id)
        shots.append(
            Shot(
                clip=clip,
                entry=entry,
                timing=time_clip(clip, production, parts[0].start if parts else None),
                parts=parts,
                marks=tuple(marks[clip.id]),
                findings=_open_findings(clip, of_files),
                channels=tuple(channels[clip.id]),
                pairs=reading.pairs.get(clip.id, ()),
                named=_named(entry, marks[clip.id], channels[clip.id]),
                logged_place=entry.place if entry is not None else "",
            )
        )
    return shots


def _named(entry: LogEntry | None, marks: Sequence[Mark], channels: Sequence[Channel]) -> tuple[str, ...]:
    """Everybody who is named of the clip, of a moment of it, or on a channel of its sound."""
    entries = (entry, *(mark.entry for mark in marks))
    logged = [person.name for one in entries if one is not None for person in one.people]
    heard = [channel.person for channel in channels if channel.person]
    return tuple(dict.fromkeys((*logged, *heard)))


def _log_of(session: Session, ids: list[int]) -> tuple[dict[int, LogEntry], dict[int, list[Mark]]]:
    whole = select(LogEntry).options(selectinload(LogEntry.tags), selectinload(LogEntry.people))
    entries = {
        entry.clip_id: entry
        for entry in session.scalars(whole.where(LogEntry.clip_id.in_(ids)))
        if entry.clip_id is not None
    }
    moments = session.scalars(
        select(Moment).where(Moment.clip_id.in_(ids)).order_by(Moment.in_frame, Moment.id)
    ).all()
    said = {
        entry.moment_id: entry
        for chunk in in_chunks(moment.id for moment in moments)
        for entry in session.scalars(whole.where(LogEntry.moment_id.in_(chunk)))
    }
    marks: dict[int, list[Mark]] = defaultdict(list)
    for moment in moments:
        marks[moment.clip_id].append(Mark(moment, said.get(moment.id)))
    return entries, marks


def _open_findings(clip: Clip, of_files: dict[int, list[Finding]]) -> tuple[Finding, ...]:
    found = {one.id: one for one in clip.findings}
    for row in clip.files:
        found |= {one.id: one for one in of_files[row.file_id]}
    return tuple(one for _, one in sorted(found.items()) if one.dismissed is None)


def _parts(clip: Clip, facts: dict[int, TakeFacts]) -> tuple[Part, ...]:
    """A file of a spanning clip that carries a timecode of its own is taken at its word; one that carries
    none follows the file before it.
    """
    by_role = ([row.file for row in clip.files if row.role is role] for role in _WATCHED)
    files = next((found for found in by_role if found), [])
    if not files:
        return ()
    # The catalogue's own numbers go first: they may have been corrected since the file was read.
    first = clip.start_frame if clip.start_frame is not None else own_start(clip, facts.get(files[0].id))
    if len(files) == 1:
        return (Part(files[0], facts.get(files[0].id), 0, first, clip.frames),)
    parts: list[Part] = []
    offset: int | None = 0
    for file in files:
        own = facts.get(file.id)
        count = _count(clip, own)
        start = own_start(clip, own) if parts else first
        if start is None and first is not None and offset is not None:
            start = first + offset
        parts.append(Part(file, own, offset, start, count))
        offset = None if offset is None or count is None else offset + count
    return _fill_last(clip, parts)


def _count(clip: Clip, facts: TakeFacts | None) -> int | None:
    """A file's length in the clip's own unit."""
    if facts is None:
        return None
    return facts.samples if clip.media is ClipMedia.AUDIO else facts.frames


def _fill_last(clip: Clip, parts: Sequence[Part]) -> tuple[Part, ...]:
    """Where the last file does not say how long it is, it holds what the clip has left."""
    last = parts[-1]
    if last.count is None and last.offset is not None and clip.frames is not None:
        left = clip.frames - last.offset
        last = Part(last.file, last.facts, last.offset, last.start, left if left > 0 else None)
    return (*parts[:-1], last)
