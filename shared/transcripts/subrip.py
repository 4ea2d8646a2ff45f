"""SRT: a numbered block, `HH:MM:SS,mmm --> HH:MM:SS,mmm`, then lines of text. No formal standard exists.

Common practice, no source: a full stop for the comma, a missing number, and markup such as <i> are met in
files that programs write, and are taken.
"""

from __future__ import annotations

import re

from shared.transcripts.model import Cue, Transcript
from shared.transcripts.webvtt import blocks, split_lines

_TIME = r"(\d{1,3}):([0-5]?\d):([0-5]?\d)[,.](\d{1,3})"
_ARROW = re.compile(rf"^\s*{_TIME}\s*-->\s*{_TIME}(?:\s+.*)?$")
_MARKUP = re.compile(r"</?(?:i|b|u|font)(?:\s[^>]*)?>|\{\\an?\d\}", re.IGNORECASE)


def read_srt(text: str, name: str) -> Transcript:
    """Read a whole file; a block without readable times is left out, with a warning that names its line."""
    cues: list[Cue] = []
    warnings: list[str] = []
    for first, block in blocks(split_lines(text.removeprefix("\ufeff"))):
        at = next((n for n, line in enumerate(block[:2]) if "-->" in line), None)
        match = _ARROW.match(block[at]) if at is not None else None
        if at is None or match is None:
            warnings.append(f"line {first}: no readable times; left out")
            continue
        start, end = _micro(match.groups()[:4]), _micro(match.groups()[4:])
        if end <= start:
            warnings.append(f"line {first + at}: it ends before it begins; left out")
            continue
        plain = [stripped for line in block[at + 1 :] if (stripped := _MARKUP.sub("", line).strip())]
        if plain:
            cues.append(Cue(start, end, "\n".join(plain)))
    return Transcript(tuple(sorted(cues, key=lambda cue: cue.start)), None, tuple(warnings))


def is_srt(text: str) -> bool:
    return any(_ARROW.match(line) for line in split_lines(text)[:20])


def _micro(parts: tuple[str, ...]) -> int:
    hours, minutes, seconds = (int(part) for part in parts[:3])
    return ((hours * 60 + minutes) * 60 + seconds) * 1_000_000 + int(parts[3].ljust(3, "0")) * 1000
