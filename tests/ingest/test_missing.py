"""Parts of a recording that are not on the card: told when the files there prove it, and never otherwise."""

from __future__ import annotations

import datetime as dt

import pytest

from ingest.clips import GroupedClip, group_clips
from ingest.media.facts import Facts, Noticed
from ingest.spans import MediaFile

FULL = 4_294_000_000  # a little below 4 GiB - 1, the largest file of FAT32 (published FAT specification)
START = int(dt.datetime(2026, 5, 12, 9, tzinfo=dt.UTC).timestamp())


def part(name: str, start: int, seconds: int, *, size: int = FULL, timecode: bool = True) -> MediaFile:
    """A file of 25 frames a second that begins `start` seconds into the card."""
    facts = Facts(
        container="MPEG-4",
        video_codec="AVC",
        width=1920,
        height=1080,
        rate_num=25,
        rate_den=1,
        frames=seconds * 25,
        start_frame=(3600 * 9 + start) * 25 if timecode else None,
    )
    return MediaFile(name.encode(), size, (START + start + seconds) * 10**9, facts)


def missing(*files: MediaFile) -> list[tuple[str, Noticed]]:
    def told(clip: GroupedClip) -> list[tuple[str, Noticed]]:
        return [(clip.name, one) for one in clip.noticed if one.code == "part-missing"]

    return [one for clip in group_clips(files) for one in told(clip)]


SMALL = 700_000_000


def test_whole_recordings_miss_nothing() -> None:
    whole = [part("C0001.MP4", 0, 340), part("C0002.MP4", 340, 340), part("C0003.MP4", 680, 55, size=SMALL)]
    assert len(group_clips(whole)) == 1
    assert missing(*whole) == []


def test_a_last_part_at_the_size_limit_is_dangling() -> None:
    ((clip, noticed),) = missing(part("C0001.MP4", 0, 340), part("C0002.MP4", 340, 340))
    assert (clip, noticed.value, noticed.unit, noticed.severity) == ("C0001", 1, "files", "warning")
    assert "C0002.MP4 stops at the size limit" in noticed.message


@pytest.mark.parametrize(
    "beside",
    [
        part("C0002.MP4", 2000, 10, size=SMALL),  # the next number is there: another take
        part("C0009.MP4", 5000, 900, size=9_000_000_000),  # larger files: nothing is cut at the limit
    ],
)
def test_a_full_size_alone_proves_nothing(beside: MediaFile) -> None:
    assert missing(part("C0001.MP4", 0, 340), beside) == []


def test_a_deleted_take_is_no_missing_part() -> None:
    files = [part(f"C000{n}.MP4", 400 * n, 60, size=SMALL) for n in (1, 2, 4, 7)]
    assert missing(*files) == []


@pytest.mark.parametrize("left_out", [1, 3])
def test_a_gap_as_long_as_the_parts_left_out(left_out: int) -> None:
    after = 340 * (1 + left_out)
    ((clip, noticed),) = missing(
        part("C0001.MP4", 0, 340), part(f"C000{2 + left_out}.MP4", after, 55, size=SMALL)
    )
    assert (clip, noticed.value) == ("C0001", left_out)
    assert f"{340 * left_out}.0 s" in noticed.message and "0002" in noticed.message


def test_a_gap_of_another_length_is_another_take() -> None:
    files = [part("C0001.MP4", 0, 340), part("C0003.MP4", 900, 55, size=SMALL)]
    (only,) = missing(*files)  # the full file dangles still
    assert "stops at the size limit" in only[1].message


def test_chapters_left_out() -> None:
    take = [part("VA010034.MP4", 0, 340), part("VA020034.MP4", 340, 55, size=SMALL)]
    other = [part("VA010035.MP4", 2000, 340), part("VA030035.MP4", 2680, 55, size=SMALL)]
    found = missing(*take, *other)
    assert [(clip, one.value) for clip, one in found if "VA020035" in one.message] == [("VA010035", 1)]
    assert all("0034" not in clip for clip, _ in found)
    ((clip, noticed),) = missing(*take, part("VA030036.MP4", 4000, 55, size=SMALL))
    assert (clip, noticed.value) == ("VA030036", 2)
    assert "VA010036, VA020036" in noticed.message


def test_names_of_times_are_no_chapters() -> None:
    files = [part(f"{hour:02}1500.MP4", hour * 3600, 55, size=SMALL) for hour in (1, 2, 4)]
    assert missing(*files) == []


def test_an_unreadable_part_claims_nothing() -> None:
    assert missing(MediaFile(b"C0001.MP4", FULL, START * 10**9, None)) == []
