"""What a wave file's own chunks add to MediaInfo's facts, and correct in them. Runs in the child process.

MediaInfo gives the time reference of `bext` as a decimal of seconds, takes a whole BW64 file for one cut
short (seen with version 24.12), and may fail on a file altogether.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any, BinaryIO

from ingest.media.facts import FAULT, TEXT_LIMITS, WARNING, Facts, Noticed
from ingest.media.numbers import LARGEST
from ingest.media.sidecar import words_of
from ingest.media.stamps import LOCAL
from ingest.sound.chunks import Chunk, add_chunks, content_of, read_chunks
from shared.errors import MediaError

_MOST_IXML = 2**20
_LARGE = (b"RF64", b"BW64")


def complete_wave(file: BinaryIO, facts: Facts, noticed: Sequence[Noticed]) -> tuple[Facts, list[Noticed]]:
    """`facts` with the chunks `bext` and iXML, and what is wrong with the file by its own sizes."""
    try:
        chunks = list(read_chunks(file))
    except MediaError:
        return facts, list(noticed)
    file.seek(0)
    form = file.read(4)
    facts = _with_date(add_chunks(file, facts))
    found = [*noticed, *_reference_conflict(file, chunks, facts)]
    if form in _LARGE:
        # Their true sizes stand in the ds64 chunk (EBU Tech 3306, ITU-R BS.2088).
        missing = sum(chunk.size - chunk.there for chunk in chunks)
        found = [one for one in found if one.code != "file-truncated"]
        found += [_cut_short(missing)] if 0 < missing < LARGEST else []
    return facts, found


def _with_date(facts: Facts) -> Facts:
    """The origination of `bext` (EBU Tech 3285 names no zone), where no other stamp was found."""
    bext = facts.more.get("bext")
    if facts.recorded_raw is not None or not isinstance(bext, dict):
        return facts
    date, time = (str(bext.get(f"origination_{name}", "")) for name in ("date", "time"))
    if len(date) != 10 or len(time) != 8 or date.startswith("0000"):
        return facts
    # Other signs than "-" and ":" between the digits are allowed there.
    raw = f"{date[:4]}-{date[5:7]}-{date[8:]} {time[:2]}:{time[3:5]}:{time[6:]}"
    stamp: dict[str, Any] = {
        "recorded_raw": raw[: TEXT_LIMITS["recorded_raw"]],
        "recorded_field": "bext origination",
    }
    return dataclasses.replace(facts, **stamp, recorded_zone=LOCAL)


def _reference_conflict(file: BinaryIO, chunks: Sequence[Chunk], facts: Facts) -> list[Noticed]:
    """iXML repeats the time reference of `bext`, in two halves of 32 bits (iXML specification, SPEED)."""
    chunk = next((one for one in chunks if one.name == b"iXML"), None)
    reference = facts.more.get("time_reference_samples")
    if chunk is None or not isinstance(reference, int):
        return []
    content = content_of(file, chunk, _MOST_IXML)
    try:
        words: dict[str, Any] = dict(words_of(content[content.find(b"<") : content.rfind(b">") + 1]))
        high, low = (int(words[f"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_{half}"]) for half in ("HI", "LO"))
    except (MediaError, KeyError, ValueError):
        return []
    other = (high << 32) + low
    if other == reference:
        return []
    return [
        Noticed(
            "timecode-conflict",
            WARNING,
            f"The first sample is number {reference} of the day in bext, but {other} in iXML; bext is used.",
            rule="All places of one file should agree.",
        )
    ]


def _cut_short(missing: int) -> Noticed:
    return Noticed(
        "file-truncated",
        FAULT,
        f"The file ends before its own header says it does: {missing} bytes are missing. "
        "Keep it and have it repaired.",
        value=missing,
        unit="bytes",
        rule="A recording that was not closed lacks its end or its index.",
    )
