"""The media files of a card as they are grouped into clips: what is asked of each, kept small."""

from __future__ import annotations

import json
from array import array
from collections.abc import Mapping
from typing import Any

from ingest.media.facts import Facts
from ingest.spans import BODY_FIELDS, MediaFile
from ingest.table import Strings, Table, Wholes

REFERENCE = "time_reference_samples"
# Facts by which files of one camera and one setting differ, and those that they have in common.
_OWN = ("frames", "samples", "start_frame")
_COMMON = (
    *("container", "video_codec", "width", "height", "rate_num", "rate_den", "rate_mode", "drop_frame"),
    *("bit_depth", "chroma", "transfer", "recorded_field"),
    *("audio_codec", "audio_channels", "audio_tracks", "audio_rate", "audio_bits"),
)
USED_FACTS = (*_COMMON, *_OWN, "recorded_raw", "more")
"""What `clips`, `spans`, `missing` and `capture` ask of a file's facts. Nothing else is kept."""

_NO_FACTS = 0


class MediaFiles(Table[MediaFile]):
    """Media files at some hundred bytes each: what files have in common is kept once. `ids`: the row of each
    in the catalogue, 0 where it has none."""

    def __init__(self) -> None:
        self.ids = array("q")
        self._paths = Strings()
        self._sizes, self._mtimes = array("q"), array("q")
        self._problems: dict[int, str] = {}
        self._common: list[dict[str, Any]] = [{}]
        self._number_of: dict[tuple[object, ...], int] = {}
        self._which = array("L")  # by file: its common facts, `_NO_FACTS` where it has none
        self._own = {name: Wholes() for name in (*_OWN, REFERENCE)}
        self._stamps = Strings()

    def __len__(self) -> int:
        return len(self._sizes)

    def append(self, file: MediaFile, file_id: int = 0) -> None:
        """Take a file. Of its facts `USED_FACTS` are kept, of `more` what says which device made it, at what
        rate it was taken, and when."""
        if file.problem is not None:
            self._problems[len(self)] = file.problem
        self._which.append(_NO_FACTS if file.facts is None else self._number_common(file.facts))
        facts = file.facts or Facts()
        for name in _OWN:
            self._own[name].append(getattr(facts, name))
        self._own[REFERENCE].append(facts.more.get(REFERENCE) if _has_reference(facts) else None)
        self._stamps.append(_stamp_bytes(facts.recorded_raw))
        self._paths.append(file.path)
        self._mtimes.append(file.mtime_ns)
        self._sizes.append(file.size)
        self.ids.append(file_id)

    def _number_common(self, facts: Facts) -> int:
        values = {name: getattr(facts, name) for name in _COMMON}
        more = _more_used(facts.more)
        if not _has_reference(facts) and REFERENCE in facts.more:
            more[REFERENCE] = facts.more[REFERENCE]
        key = (*values.values(), json.dumps(more, sort_keys=True))
        if key not in self._number_of:
            self._number_of[key] = len(self._common)
            self._common.append({**values, "more": more})
        return self._number_of[key]

    def _row(self, number: int) -> MediaFile:
        return MediaFile(
            self._paths[number],
            self._sizes[number],
            self._mtimes[number],
            self._facts(number),
            self._problems.get(number),
        )

    def _facts(self, number: int) -> Facts | None:
        which = self._which[number]
        if which == _NO_FACTS:
            return None
        common = self._common[which]
        reference = self._own[REFERENCE][number]
        if reference is not None:
            common = {**common, "more": {**common["more"], REFERENCE: reference}}
        own: dict[str, Any] = {name: self._own[name][number] for name in _OWN}
        return Facts(**common, **own, recorded_raw=_stamp_of(self._stamps[number]))


def _has_reference(facts: Facts) -> bool:
    """Whether the sound's place since midnight is a number as it should be, for a column of its own."""
    found = facts.more.get(REFERENCE)
    return type(found) is int and -(2**63) < found < 2**63


def _more_used(more: Mapping[str, Any]) -> dict[str, Any]:
    used: dict[str, Any] = {}
    declared, bext = more.get("declared"), more.get("bext")
    if isinstance(declared, dict):
        used["declared"] = {name: declared[name] for name in BODY_FIELDS if name in declared}
    if isinstance(bext, dict):
        used["bext"] = {"originator": bext.get("originator")}
    if "capture_rate" in more:
        used["capture_rate"] = more["capture_rate"]
    return used


def _stamp_bytes(stamp: str | None) -> bytes:
    return b"" if stamp is None else b"=" + stamp.encode("utf-8", "surrogatepass")


def _stamp_of(kept: bytes) -> str | None:
    return kept[1:].decode("utf-8", "surrogatepass") if kept else None
