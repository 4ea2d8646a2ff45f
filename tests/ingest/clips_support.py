"""Files of an imagined card."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from ingest.clips import GroupedClip, MediaFile, group_clips
from ingest.media.facts import Facts

NOON = 1_778_587_200 * 10**9  # 2026-05-12 12:00:00 UTC
SECOND = 10**9
FULL = 2**32 - 1  # the largest file of FAT32 (published FAT specification)

VIDEO = Facts(
    container="MPEG-4",
    video_codec="AVC",
    width=1920,
    height=1080,
    rate_num=25,
    rate_den=1,
    frames=250,
    drop_frame=False,
    audio_codec="PCM",
    audio_channels=2,
)
SOUND = Facts(container="Wave", audio_codec="PCM", audio_channels=2, audio_rate=48_000, samples=480_000)
PHOTO = Facts(container="JPEG", video_codec="JPEG", width=4000, height=3000)


def video(path: str, size: int = 10_000_000, mtime_ns: int = NOON, **facts: Any) -> MediaFile:
    return MediaFile(path.encode(), size, mtime_ns, replace(VIDEO, **facts))


def sound(path: str, mtime_ns: int = NOON, reference: int | None = None) -> MediaFile:
    more = {} if reference is None else {"time_reference_samples": reference}
    return MediaFile(path.encode(), 3_000_000, mtime_ns, replace(SOUND, more=more))


def photo(path: str) -> MediaFile:
    return MediaFile(path.encode(), 200_000, NOON, PHOTO)


def other(path: str, size: int = 500) -> MediaFile:
    return MediaFile(path.encode(), size, NOON)


def roles(clip: GroupedClip) -> list[tuple[str, str]]:
    assert [member.ordinal for member in clip.members] == list(range(len(clip.members)))
    return [(member.path.decode(), str(member.role)) for member in clip.members]


def names(files: Iterable[MediaFile]) -> list[str]:
    return [clip.name for clip in group_clips(list(files))]
