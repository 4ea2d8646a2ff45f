"""Read a transcript in whichever of the formats it is, told from its content, not from its name."""

from __future__ import annotations

from collections.abc import Callable

from shared.errors import UsageError
from shared.transcripts.model import Transcript
from shared.transcripts.plain import is_plain, read_plain
from shared.transcripts.spoken_json import read_spoken_json
from shared.transcripts.subrip import is_srt, read_srt
from shared.transcripts.webvtt import is_webvtt, read_webvtt

FORMATS = ("webvtt", "srt", "text", "json")
LARGEST = 64 * 1024 * 1024  # bytes; a day of speech is a few
_READERS: dict[str, Callable[[str, str], Transcript]] = {
    "webvtt": read_webvtt,
    "srt": read_srt,
    "text": read_plain,
    "json": read_spoken_json,
}


def read_transcript(content: bytes, name: str, encoding: str | None = None) -> Transcript:
    """Read the bytes of a file called `name`. Raises UsageError, naming the file, with the remedy.

    The text is UTF-8 (UTF-16 with its mark) unless `encoding` says otherwise; nothing is guessed.
    """
    if len(content) > LARGEST:
        raise UsageError("too large for a transcript", path=name, remedy="Is it the right file?")
    text = _decode(content, name, encoding)
    form = format_of(text)
    if form is None:
        raise UsageError(
            "no transcript that can be read",
            path=name,
            remedy="WebVTT, SRT, JSON with times in seconds, or lines that begin with a time (00:01:12).",
        )
    found = _READERS[form](text, name)
    if not found.cues:
        raise UsageError("no timed words in it", path=name, remedy="Is it the right file?")
    return found


def format_of(text: str) -> str | None:
    if is_webvtt(text):
        return "webvtt"
    if text.lstrip("\ufeff \t\r\n")[:1] in ("{", "["):
        # A line of plain text may begin with a bracket too: [00:01:12] words.
        return "text" if is_plain(text) and not text.rstrip().endswith(("}", "]")) else "json"
    if is_srt(text):
        return "srt"
    return "text" if is_plain(text) else None


def _decode(content: bytes, name: str, encoding: str | None) -> str:
    if encoding is None:
        encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8"
    try:
        return content.decode(encoding)
    except UnicodeDecodeError as error:
        raise UsageError(
            f"byte {error.start} is no {encoding}",
            path=name,
            remedy="Name its encoding (such as --encoding windows-1252), or save it as UTF-8.",
        ) from error
    except LookupError as error:
        raise UsageError(f"no such encoding: {encoding}", remedy="Such as utf-8 or windows-1252.") from error
