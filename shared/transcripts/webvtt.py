"""WebVTT, as published by the W3C ("WebVTT: The Web Video Text Tracks Format").

Read leniently where the standard's parser is lenient (a cue that can't be read is left out, with a warning);
what has no WebVTT signature is refused. Styles, regions and cue settings are not about words and are dropped.
"""

from __future__ import annotations

import html
import re

from shared.transcripts.model import Cue, Transcript, Word, unreadable

_TIME = r"(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})"
_ARROW = re.compile(rf"^\s*{_TIME}\s*-->\s*{_TIME}(?:\s+.*)?$")
_STAMP = re.compile(rf"^{_TIME}$")
_TAG = re.compile(r"<([^>]*)(?:>|$)")
_HEADER = re.compile(r"^WEBVTT(?:[ \t].*)?$")
_ASIDE = re.compile(r"^(?:NOTE|STYLE|REGION)(?![^ \t])(?!.*-->)")
_LANGUAGE = re.compile(r"^Language:\s*(\S+)\s*$", re.IGNORECASE)


def is_webvtt(text: str) -> bool:
    return (
        _HEADER.match(text.removeprefix("\ufeff").splitlines()[0] if text.strip("\ufeff") else "") is not None
    )


def read_webvtt(text: str, name: str) -> Transcript:
    """Read a whole file. Raises UsageError, naming the line, for a file that is no WebVTT."""
    lines = split_lines(text.removeprefix("\ufeff").replace("\0", "\ufffd"))
    if not lines or not _HEADER.match(lines[0]):
        raise unreadable(name, 1, 'a WebVTT file begins with "WEBVTT"')
    language = None
    cues: list[Cue] = []
    warnings: list[str] = []
    for first, block in blocks(lines):
        if first == 1:
            language = next((m[1] for line in block if (m := _LANGUAGE.match(line))), None)
        elif re.match(r"^(NOTE|STYLE|REGION)(\s|$)", block[0]) and not any(
            "-->" in line for line in block[:1]
        ):
            continue
        else:
            _read_block(first, block, cues, warnings)
    return Transcript(tuple(sorted(cues, key=lambda cue: cue.start)), language, tuple(warnings))


def _read_block(first: int, block: list[str], cues: list[Cue], warnings: list[str]) -> None:
    at = next((n for n, line in enumerate(block[:2]) if "-->" in line), None)
    if at is None:
        warnings.append(f"line {first}: no times; left out")
        return
    match = _ARROW.match(block[at])
    if match is None:
        warnings.append(f"line {first + at}: the times can't be read; left out")
        return
    start, end = _micro(match.groups()[:4]), _micro(match.groups()[4:])
    if end <= start:
        warnings.append(f"line {first + at}: it ends before it begins; left out")
        return
    cues.extend(_cues_of(start, end, "\n".join(block[at + 1 :])))


def _cues_of(start: int, end: int, text: str) -> list[Cue]:
    """One cue for each voice: a cue may hold several."""
    found: list[Cue] = []
    speaker: str | None = None
    plain = ""
    words: list[Word] = []
    stamp: int | None = None
    piece = ""

    def end_piece() -> None:
        nonlocal piece, plain
        if stamp is not None and piece.strip():
            if words and words[-1].end is None:
                words[-1] = Word(words[-1].start, stamp, words[-1].text)
            words.append(Word(stamp, None, piece.strip()))
        plain += piece
        piece = ""

    def end_voice() -> None:
        nonlocal plain
        end_piece()
        if plain.strip():
            found.append(Cue(start, end, _tidy(plain), speaker, tuple(words)))
        plain = ""
        words.clear()

    at = 0
    for match in _TAG.finditer(text):
        piece += html.unescape(text[at : match.start()])
        at = match.end()
        tag = match[1]
        if _STAMP.match(tag):
            end_piece()
            stamp = _micro(_STAMP.match(tag).groups())  # type: ignore[union-attr]
        elif re.match(r"v(?:\.[^ \t]*)?(?:[ \t]|$)", tag):
            end_voice()
            speaker = html.unescape(tag.partition(" ")[2].strip()) or None
        elif tag == "/v":
            end_voice()
            speaker = None
    piece += html.unescape(text[at:])
    end_voice()
    return found


def _tidy(text: str) -> str:
    return "\n".join(line.strip() for line in text.strip().splitlines() if line.strip())


def _micro(parts: tuple[str | None, ...]) -> int:
    hours, minutes, seconds, thousandths = (int(part or 0) for part in parts)
    return ((hours * 60 + minutes) * 60 + seconds) * 1_000_000 + thousandths * 1000


def split_lines(text: str) -> list[str]:
    """Lines as the standard has them: CR LF, LF or CR, and nothing else, ends one."""
    return re.split(r"\r\n|\n|\r", text)


def blocks(lines: list[str]) -> list[tuple[int, list[str]]]:
    """What stands between blank lines, each with the number of its first line, counted from 1."""
    found: list[tuple[int, list[str]]] = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        if number > 1 and found and lines[number - 2].strip():
            found[-1][1].append(line)
        else:
            found.append((number, [line]))
    return found
