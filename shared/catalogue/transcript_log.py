"""Transcripts as the log's JSON Lines carry them: whole, with every correction and the people who speak.

Frames count from the clip's first. What a file says is checked field by field: somebody may have written it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from shared.catalogue.journal import Values
from shared.catalogue.log import same_name
from shared.catalogue.transcript_edits import LONGEST_NAME
from shared.catalogue.transcript_rows import CONFIDENCE, TRANSCRIPT
from shared.errors import UsageError
from shared.models import ClipTranscript, TranscriptOrigin
from shared.transcripts.read import LARGEST
from shared.words import find_unusable, show_short

VERSION = 1  # of what `to_json` writes; another one is refused, never guessed

_LARGEST = 10**15  # frames or microseconds
_LONGEST_TEXT = LARGEST
_WIDTHS = {"language": 64, "file_name": 255, "file_hash": 100}
_HEAD = ("version", "part", "offset", *_WIDTHS, "origin", "cues")
_NEEDED = ("start", "end", "start_us", "end_us", "text")
# What a cue's fields are called in a file, and in the snapshot of its row. One that is empty is left out.
_COLUMNS = {
    "start": "start_frame",
    "end": "end_frame",
    "start_us": "start_us",
    "end_us": "end_us",
    "text": "text",
    "speaker": "speaker",
    "person": "person",
    "corrected": "corrected",
    "words": "spoken",
    "confidence_mean": "confidence_mean",
    "confidence_least": "confidence_least",
}


@dataclass(frozen=True, slots=True)
class Carried:
    """A transcript on its way between two catalogues. `text`: the JSON, which takes a fifth of what it takes
    as objects, and is the same where the transcript is."""

    part: int
    text: str

    @property
    def values(self) -> Values:
        """As a row of the kind `TRANSCRIPT` is filled, without its clip."""
        said = json.loads(self.text)
        return {
            "part": self.part,
            "offset_frames": said["offset"],
            **{name: said.get(name, "") for name in _WIDTHS},
            "origin": said["origin"],
            "cues": [_as_row(cue) for cue in said["cues"]],
        }

    @property
    def summary(self) -> str:
        """In words, for people."""
        said = json.loads(self.text)
        corrected = sum(cue.get("corrected", False) for cue in said["cues"])
        part = f"part {self.part}, " if self.part else ""
        source = show_short(said["file_name"])[1:-1] if "file_name" in said else "a file without a name"
        return f"{part}of {source}: {len(said['cues'])} cues, {corrected} corrected by a person"

    def says_the_same(self, other: Carried) -> bool:
        """Whether both are the same transcript, whatever the case in which its people are written."""
        return self.text == other.text or _folded(self.text) == _folded(other.text)


def carry(session: Session, transcript: ClipTranscript) -> Carried:
    """A transcript of the catalogue."""
    values = TRANSCRIPT.read(session, transcript)
    return _carried(values["part"], values["offset_frames"], values, values["cues"])


def _carried(part: int, offset: int, head: Mapping[str, Any], cues: Iterable[Mapping[str, Any]]) -> Carried:
    said: dict[str, Any] = {"version": VERSION, "part": part, "offset": offset}
    said |= {name: head[name] for name in (*_WIDTHS, "origin") if head.get(name)}
    said["cues"] = [_from_row(cue) for cue in cues]
    return Carried(part, json.dumps(said, ensure_ascii=False))


def _from_row(row: Mapping[str, Any]) -> dict[str, Any]:
    cue = {name: row.get(column) for name, column in _COLUMNS.items()}
    return {name: value for name, value in cue.items() if name in _NEEDED or not _is_empty(value)}


def _is_empty(value: object) -> bool:
    return value is None or value is False or value == ""


def _as_row(cue: Mapping[str, Any]) -> Values:
    empty = {"speaker": "", "person": None, "spoken": None, "corrected": False}
    return empty | {column: cue[name] for name, column in _COLUMNS.items() if name in cue}


# -- reading ----------------------------------------------------------------------------------------


def read_carried(value: object) -> Carried:
    """What a file says. Raises UsageError, naming the place in it, for what `carry` does not write."""
    said = _object(value, "a transcript")
    if type(said.get("version")) is not int or said["version"] != VERSION:
        version = show_short(json.dumps(said.get("version")))[1:-1]
        raise _refuse(
            f"version {version} of a transcript is not known here, only {VERSION}: export it again with this "
            "program, or install the one that wrote it"
        )
    _check_names(said, _HEAD, "a transcript")
    part, offset = (_whole(said, name, "the transcript") for name in ("part", "offset"))
    for name, width in _WIDTHS.items():
        _check_string(said, name, "the transcript", width)
    if said.get("origin") not in list(TranscriptOrigin):
        raise _refuse(f"origin must be one of {', '.join(TranscriptOrigin)}")
    cues = said.get("cues")
    if not isinstance(cues, list) or not cues:
        raise _refuse("there are no cues")
    rows = [_read_cue(cue, f"cue {number}") for number, cue in enumerate(cues, start=1)]
    return _carried(part, offset, said, sorted(rows, key=lambda row: row["start_frame"]))


def _read_cue(value: object, place: str) -> Values:
    cue = _object(value, place)
    _check_names(cue, tuple(_COLUMNS), place)
    start, end, start_us, end_us = (
        _whole(cue, name, place) for name in ("start", "end", "start_us", "end_us")
    )
    if end <= start or end_us < start_us:
        raise _refuse(f"{place} ends before it begins")
    _check_string(cue, "text", place, _LONGEST_TEXT, needed=True)
    _check_string(cue, "speaker", place, _LONGEST_TEXT)
    _check_string(cue, "person", place, LONGEST_NAME)
    if type(cue.get("corrected", False)) is not bool:
        raise _refuse(f"corrected of {place} must be true or false")
    sure = [cue[name] for name in CONFIDENCE if name in cue]
    if len(sure) == 1 or not all(type(one) in (int, float) and 0 <= one <= 1 for one in sure):
        raise _refuse(f"{' and '.join(CONFIDENCE)} of {place} must both be numbers from 0 to 1")
    words = cue.get("words", [])
    if not isinstance(words, list) or not all(_is_word(word, start, end) for word in words):
        raise _refuse(
            f"each of the words of {place} must be its text, first frame and frame after its last within the "
            "cue, and begin and end in µs"
        )
    return _as_row(cue)


def _is_word(word: object, first: int, last: int) -> bool:
    if not isinstance(word, list) or len(word) != 5:
        return False
    text, start, end, *microseconds = word
    return (
        isinstance(text, str)
        and find_unusable(text) is None
        and type(start) is int
        and type(end) is int
        and first <= start <= end <= last
        and all(one is None or (type(one) is int and 0 <= one <= _LARGEST) for one in microseconds)
    )


def _object(value: object, place: str) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise _refuse(f"{place} must be an object")
    return value


def _check_names(value: Mapping[str, Any], known: tuple[str, ...], place: str) -> None:
    for name in value:
        if name not in known:
            raise _refuse(f"{place} has no field {show_short(name)}; there are: {', '.join(known)}")


def _whole(value: Mapping[str, Any], name: str, place: str) -> int:
    found = value.get(name)
    if type(found) is not int or not 0 <= found <= _LARGEST:
        raise _refuse(f"{name} of {place} must be a whole number")
    return found


def _check_string(value: Mapping[str, Any], name: str, place: str, most: int, needed: bool = False) -> None:
    found = value.get(name, "")
    if not isinstance(found, str) or len(found) > most or (needed and not found.strip()):
        raise _refuse(f"{name} of {place} must be a text of {most} characters at most")
    if find_unusable(found) is not None:
        raise _refuse(f"{name} of {place} holds a control character")


def _refuse(message: str) -> UsageError:
    return UsageError(message)


def _folded(text: str) -> str:
    """The JSON with the names of people as they are compared."""
    said = json.loads(text)
    for cue in said["cues"]:
        if "person" in cue:
            cue["person"] = same_name(cue["person"])
    return json.dumps(said)
