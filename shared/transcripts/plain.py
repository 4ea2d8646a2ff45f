"""Plain text with times, as people type it: a time at the beginning of a line, a speaker and a colon, words.

    00:01:12 Ranger: The chain is older than the boat.
    [1:15.5] It goes on here.

A time is hours, minutes, seconds since the start of the media, with or without a fraction; what follows
belongs to it until the next one. Common practice, no source.
"""

from __future__ import annotations

import re

from shared.transcripts.model import MICRO, Cue, Transcript, unreadable
from shared.transcripts.webvtt import split_lines

_LINE = re.compile(r"^\s*[\[(]?(?:(\d{1,3}):)?(\d{1,3}):([0-5]\d)(?:[.,](\d{1,6}))?[\])]?\s*[-–—]?\s*(.*)$")
_SPEAKER = re.compile(r"^([^\W\d_][^:\n]{0,40}):\s+(.*)$")
LAST_SECONDS = 5  # how long the last line is taken to last, where nothing says when it ends


def is_plain(text: str) -> bool:
    return any(_LINE.match(line) for line in split_lines(text))


def read_plain(text: str, name: str) -> Transcript:
    """Read a whole file. Raises UsageError when no line begins with a time, or the times go backwards."""
    found: list[tuple[int, str | None, list[str]]] = []
    warnings: list[str] = []
    for number, line in enumerate(split_lines(text.removeprefix("\ufeff")), 1):
        match = _LINE.match(line)
        if match is None:
            if line.strip() and found:
                found[-1][2].append(line.strip())
            elif line.strip():
                warnings.append(f"line {number}: before the first time; left out")
            continue
        start = _micro(match)
        if found and start < found[-1][0]:
            raise unreadable(name, number, "the time is before that of the line above")
        speaker, words = _speaker(match[5].strip())
        found.append((start, speaker, [words] if words else []))
    if not found:
        raise unreadable(name, 1, "no line begins with a time", "Write times as 00:01:12 before the words.")
    ends = [start for start, _, _ in found[1:]] + [found[-1][0] + LAST_SECONDS * MICRO]
    cues = [
        Cue(start, max(end, start + 1000), "\n".join(words), speaker)
        for (start, speaker, words), end in zip(found, ends, strict=True)
        if words
    ]
    return Transcript(tuple(cues), None, tuple(warnings))


def _speaker(text: str) -> tuple[str | None, str]:
    match = _SPEAKER.match(text)
    return (match[1].strip(), match[2].strip()) if match else (None, text)


def _micro(match: re.Match[str]) -> int:
    hours, minutes, seconds = int(match[1] or 0), int(match[2]), int(match[3])
    return ((hours * 60 + minutes) * 60 + seconds) * MICRO + int((match[4] or "0").ljust(6, "0"))
