"""Rows for tests: plain functions with sensible defaults. Each adds its row and flushes it.

Anything can be set by name; numbers and names that must differ are counted on by themselves.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import Any, TypeVar

from sqlalchemy import func, insert, select
from sqlalchemy.orm import Session

from shared.models import (
    Base,
    Camera,
    ChannelMap,
    Clip,
    ClipFile,
    ClipMedia,
    Copy,
    CopyState,
    Destination,
    File,
    FileRole,
    Finding,
    Lens,
    LogEntry,
    Microphone,
    Offload,
    OffloadState,
    Person,
    Production,
    Reel,
    Severity,
    ShootingDay,
    SoundPair,
    Still,
    StillKind,
    SyncMethod,
    Tag,
    TakeFacts,
)

Row = TypeVar("Row", bound=Base)

FIRST_DAY = dt.date(2026, 5, 1)
FIRST_TIME = dt.datetime(2026, 5, 1, 8, 0, tzinfo=dt.UTC)


def _add(session: Session, row: Row) -> Row:
    session.add(row)
    session.flush()
    return row


def _next(session: Session, model: type[Base]) -> int:
    return (session.scalar(select(func.count()).select_from(model)) or 0) + 1


# -- the production and its kit ---------------------------------------------------------------------


def make_production(session: Session, **values: Any) -> Production:
    number = _next(session, Production)
    name = values.pop("name", "The Chain Ferry" if number == 1 else f"Production {number}")
    defaults: dict[str, Any] = {
        "slug": name.lower().replace(" ", "-"),
        "rate_num": 25,
        "rate_den": 1,
        "zone": "Europe/Copenhagen",
    }
    return _add(session, Production(name=name, **(defaults | values)))


def make_day(session: Session, production: Production, **values: Any) -> ShootingDay:
    number = values.pop("number", None) or _next(session, ShootingDay)
    defaults: dict[str, Any] = {"date": FIRST_DAY + dt.timedelta(days=number - 1)}
    return _add(session, ShootingDay(production_id=production.id, number=number, **(defaults | values)))


def make_camera(session: Session, production: Production, **values: Any) -> Camera:
    letter = values.pop("letter", None) or chr(ord("A") + _next(session, Camera) - 1)
    return _add(session, Camera(production_id=production.id, letter=letter, **values))


def make_lens(session: Session, production: Production, name: str = "35 mm", **values: Any) -> Lens:
    return _add(session, Lens(production_id=production.id, name=name, **values))


def make_microphone(
    session: Session, production: Production, name: str = "Lavalier 1", **values: Any
) -> Microphone:
    return _add(session, Microphone(production_id=production.id, name=name, **values))


def make_person(session: Session, production: Production, name: str = "Ada Wren", **values: Any) -> Person:
    return _add(session, Person(production_id=production.id, name=name, **values))


def make_tag(session: Session, production: Production, name: str = "ferry") -> Tag:
    return _add(session, Tag(production_id=production.id, name=name))


# -- what was offloaded -----------------------------------------------------------------------------


def make_reel(session: Session, production: Production, **values: Any) -> Reel:
    name = values.pop("name", None) or f"A{_next(session, Reel):03}"
    defaults: dict[str, Any] = {"algorithm": "xxh128", "folder": f"{production.slug}/{name}"}
    return _add(session, Reel(production_id=production.id, name=name, **(defaults | values)))


def make_offload(session: Session, reel: Reel, **values: Any) -> Offload:
    defaults: dict[str, Any] = {"source": "/media/card", "state": OffloadState.DONE}
    return _add(session, Offload(reel_id=reel.id, **(defaults | values)))


def make_file(session: Session, reel: Reel, path: str | None = None, **values: Any) -> File:
    """A file of a reel, in the reel's last offload, which is made when there is none."""
    number = _next(session, File)
    path = path or f"DCIM/100CLIPS/C{number:04}.MP4"
    offload_id = session.scalar(select(func.max(Offload.id)).where(Offload.reel_id == reel.id))
    defaults: dict[str, Any] = {
        "path_bytes": path.encode(),
        "size": 1000 + number,
        "mtime_ns": 1_777_622_400_000_000_000 + number * 60_000_000_000,
        "algorithm": reel.algorithm,
        "digest": f"{number:032x}",
        "offload_id": offload_id or make_offload(session, reel).id,
    }
    return _add(session, File(reel_id=reel.id, path=path, **(defaults | values)))


def make_destination(session: Session, path: str | None = None, **values: Any) -> Destination:
    path = path or f"/drives/{_next(session, Destination)}"
    return _add(session, Destination(path=path, **values))


def make_copy(session: Session, file: File, destination: Destination | None = None, **values: Any) -> Copy:
    destination = destination or make_destination(session)
    defaults: dict[str, Any] = {"state": CopyState.VERIFIED, "verified_at": FIRST_TIME}
    return _add(session, Copy(file_id=file.id, destination_id=destination.id, **(defaults | values)))


# -- clips and their log ----------------------------------------------------------------------------


def make_clip(session: Session, reel: Reel, path: str | None = None, **values: Any) -> Clip:
    """A clip of one file, four seconds at 25 frames a second, shot a minute after the one before."""
    number = _next(session, Clip)
    path = path or f"DCIM/100CLIPS/C{number:04}.MP4"
    defaults: dict[str, Any] = {
        "production_id": reel.production_id,
        "camera_id": reel.camera_id,
        "day_id": reel.day_id,
        "name": str(PurePosixPath(path).with_suffix("")),
        "media": ClipMedia.VIDEO,
        "shot_at": FIRST_TIME + dt.timedelta(minutes=number - 1),
        "rate_num": 25,
        "rate_den": 1,
        "frames": 100,
    }
    clip = _add(session, Clip(reel_id=reel.id, **(defaults | values)))
    make_clip_file(session, clip, make_file(session, reel, path))
    return clip


def make_clip_file(session: Session, clip: Clip, file: File, **values: Any) -> ClipFile:
    defaults: dict[str, Any] = {"role": FileRole.ESSENCE}
    return _add(session, ClipFile(clip_id=clip.id, file_id=file.id, **(defaults | values)))


def make_facts(session: Session, file: File, **values: Any) -> TakeFacts:
    defaults: dict[str, Any] = {
        "container": "MPEG-4",
        "video_codec": "AVC",
        "width": 1920,
        "height": 1080,
        "rate_num": 25,
        "rate_den": 1,
        "frames": 100,
    }
    return _add(session, TakeFacts(file_id=file.id, **(defaults | values)))


def make_entry(
    session: Session, clip: Clip, *, tags: Sequence[Tag] = (), people: Sequence[Person] = (), **values: Any
) -> LogEntry:
    return _add(session, LogEntry(clip_id=clip.id, tags=list(tags), people=list(people), **values))


def make_still(session: Session, clip: Clip, **values: Any) -> Still:
    ordinal = values.pop("ordinal", None)
    if ordinal is None:
        ordinal = session.scalar(select(func.count()).select_from(Still).where(Still.clip_id == clip.id)) or 0
    defaults: dict[str, Any] = {
        "kind": StillKind.FRAME,
        "frame": 10,
        "path": f"{clip.id}/{ordinal}.jpg",
        "width": 640,
        "height": 360,
    }
    return _add(session, Still(clip_id=clip.id, ordinal=ordinal, **(defaults | values)))


def make_finding(session: Session, clip: Clip | None = None, **values: Any) -> Finding:
    defaults: dict[str, Any] = {
        "clip_id": None if clip is None else clip.id,
        "code": "no-signal",
        "severity": Severity.WARNING,
        "message": "no signal on channel 2",
    }
    return _add(session, Finding(**(defaults | values)))


def make_channel(session: Session, clip: Clip, channel: int = 1, **values: Any) -> ChannelMap:
    return _add(session, ChannelMap(clip_id=clip.id, channel=channel, **values))


def make_pair(session: Session, picture: Clip, sound: Clip, **values: Any) -> SoundPair:
    """A pair that matches: the picture begins two seconds into the sound."""
    defaults: dict[str, Any] = {
        "overlap_ms": 4000,
        "offset_samples": 96_000,
        "rate": 48_000,
        "confidence": 0.9,
        "method": SyncMethod.SOUND,
    }
    ids = {"picture_clip_id": picture.id, "sound_clip_id": sound.id}
    return _add(session, SoundPair(**ids, **(defaults | values)))


def make_many_clips(session: Session, production: Production, count: int) -> list[int]:
    """Clips by the thousand, each with a file, a minute apart; their ids. No statement for each."""
    reel = make_reel(session, production)
    offload = make_offload(session, reel)
    paths = [f"DCIM/100CLIPS/C{number:05}.MP4" for number in range(count)]
    common = {"reel_id": reel.id, "mtime_ns": 0, "size": 1, "algorithm": "xxh128", "offload_id": offload.id}
    session.execute(insert(File), [common | {"path": path, "path_bytes": path.encode()} for path in paths])
    own = {"production_id": production.id, "reel_id": reel.id, "media": ClipMedia.VIDEO}
    times = (FIRST_TIME + dt.timedelta(minutes=number) for number in range(count))
    rows = [own | {"name": path[:-4], "shot_at": time} for path, time in zip(paths, times, strict=True)]
    session.execute(insert(Clip), rows)
    clip_ids = list(session.scalars(select(Clip.id).where(Clip.reel_id == reel.id).order_by(Clip.id)))
    file_ids = session.scalars(select(File.id).where(File.reel_id == reel.id).order_by(File.id))
    links = [
        {"clip_id": clip_id, "file_id": file_id, "role": FileRole.ESSENCE}
        for clip_id, file_id in zip(clip_ids, file_ids, strict=True)
    ]
    session.execute(insert(ClipFile), links)
    return clip_ids
