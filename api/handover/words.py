"""What is said in clips, as files that others read beside the media: WebVTT (W3C), SRT or plain text.

Times are real seconds from the clip's beginning, as the formats have them, from its exact frames.
"""

from __future__ import annotations

from collections.abc import Sequence

from api.handover.text import plain_text
from shared.catalogue.transcripts import timed_cues
from shared.models import Clip, ClipCue
from shared.transcripts import Cue, write_srt, write_text, write_webvtt

FORMATS = {".vtt": "webvtt", ".srt": "srt", ".txt": "text"}  # by the file's suffix
MEDIA_TYPES = {
    "webvtt": "text/vtt; charset=utf-8",  # W3C, WebVTT, section 9
    "srt": "application/x-subrip; charset=utf-8",  # common practice, no source
    "text": "text/plain; charset=utf-8",
}


def write_words(form: str, clip: Clip, cues: Sequence[ClipCue], language: str = "") -> str:
    """A whole file. `form`: one of the values of FORMATS."""
    timed = [
        Cue(cue.start, cue.end, plain_text(cue.text), plain_text(cue.speaker) if cue.speaker else None)
        for cue in timed_cues(clip, cues)
    ]
    if form == "webvtt":
        return write_webvtt(timed, language or None)
    return write_srt(timed) if form == "srt" else write_text(timed)
