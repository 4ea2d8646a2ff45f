"""Write a transcript: WebVTT (W3C) with voices, SRT, or plain text.

Times are rounded to the millisecond as whole numbers, so that 59,999.5 ms carries into the minute.
"""

from __future__ import annotations

from collections.abc import Iterable

from shared.transcripts.model import Cue

_MILLI = 1000


def write_webvtt(cues: Iterable[Cue], language: str | None = None, note: str | None = None) -> str:
    """A whole file. `note` becomes a comment at its head."""
    header = "WEBVTT\n" + (f"Language: {language}\n" if language else "")
    head = [header] if note is None else [header, f"NOTE\n{_one_block(note)}\n"]
    return "\n".join([*head, *map(_webvtt_cue, cues)])


def _webvtt_cue(cue: Cue) -> str:
    times = f"{_clock(cue.start, '.')} --> {_clock(_end(cue), '.')}"
    return f"{times}\n{_voice(cue)}{_escape(_one_block(cue.text))}\n"


def write_srt(cues: Iterable[Cue]) -> str:
    """A whole file, in UTF-8 by common practice; the speaker stands before the words."""
    blocks = []
    for number, cue in enumerate(cues, 1):
        words = f"{cue.speaker}: {cue.text}" if cue.speaker else cue.text
        words = _one_block(words).replace("-->", "- ->")
        blocks.append(f"{number}\n{_clock(cue.start, ',')} --> {_clock(_end(cue), ',')}\n{words}\n")
    return "\n".join(blocks)


def write_text(cues: Iterable[Cue]) -> str:
    """A line for each cue: time, speaker, words."""
    lines = []
    for cue in cues:
        speaker = f"{cue.speaker}: " if cue.speaker else ""
        lines.append(f"{_clock(cue.start, '.')} {speaker}{' '.join(cue.text.split())}\n")
    return "".join(lines)


def _end(cue: Cue) -> int:
    """At least a millisecond after the start: the formats know nothing shorter."""
    return max(cue.end, cue.start + _MILLI)


def _clock(time: int, point: str) -> str:
    total = (time + _MILLI // 2) // _MILLI
    seconds, thousandths = divmod(total, 1000)
    minutes, second = divmod(seconds, 60)
    hour, minute = divmod(minutes, 60)
    return f"{hour:02d}:{minute:02d}:{second:02d}{point}{thousandths:03d}"


def _voice(cue: Cue) -> str:
    if not cue.speaker:
        return ""
    return f"<v {_escape(' '.join(cue.speaker.split()))}>"


def _escape(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _one_block(text: str) -> str:
    """Without blank lines, which would end the block."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return "\n".join(line for line in lines if line.strip())
