"""Timed words: read from and written to the formats that people and recognisers use."""

from shared.transcripts.model import Cue, Transcript, Word
from shared.transcripts.read import FORMATS, read_transcript
from shared.transcripts.write import write_srt, write_text, write_webvtt

__all__ = [
    "FORMATS",
    "Cue",
    "Transcript",
    "Word",
    "read_transcript",
    "write_srt",
    "write_text",
    "write_webvtt",
]
