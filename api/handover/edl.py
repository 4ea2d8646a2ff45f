"""The clips as edit decision lists, for software that reads nothing newer.

A list has one rate and one way of counting, so there is one for each that was shot, in time order. Clips
without a timecode start at 00:00:00:00 and say so in a comment. Photographs, sounds without picture, and
clips of more than 60 frames a second are in the shot log and the timeline only. An outline has a list for its
picture and one for its sound, at the production's rate.
"""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from api.handover.cmx import Event, can_be_listed, name_reels, write_lists
from api.handover.folder import Draft
from api.handover.outline_lists import picture_events, sound_events
from api.handover.paper_edit import PaperEdit
from api.handover.shots import Handover, Part, Shot
from api.handover.text import file_name
from api.handover.timeline import part_start
from shared.models import ClipMedia
from shared.timecode import Rate

FOLDER = "edit_lists"
REELS_NAME = f"{FOLDER}/reels.csv"


def write_edit_lists(draft: Draft, handover: Handover, edits: Sequence[PaperEdit] = ()) -> None:
    """Write `edit_lists/` with the lists and the table of reel names; nothing where no clip fits in one."""
    lists = [*_clip_lists(handover), *(one for edit in edits for one in _outline_lists(handover, edit))]
    reels = name_reels(event.reel for one in lists for event in one.events if event.reel is not None)
    for one in lists:
        texts = write_lists(one.title, one.events, one.rate, one.drop_frame, reels)
        for number, text in enumerate(texts, 1):
            draft.write(f"{FOLDER}/{one.stem}_{number}.edl", text.encode("ascii"))
    if reels:
        draft.write(REELS_NAME, _table(reels))


@dataclass(frozen=True, slots=True)
class _List:
    """Events of one rate and way of counting; `stem`: its files' name without number."""

    stem: str
    title: str
    events: Sequence[Event]
    rate: Rate
    drop_frame: bool


def _clip_lists(handover: Handover) -> Iterator[_List]:
    groups: dict[tuple[Rate, bool], list[Event]] = defaultdict(list)
    for shot in handover.shots:
        if shot.timing.rate is not None and shot.clip.media is ClipMedia.VIDEO and not shot.is_proxy:
            groups[shot.timing.rate, shot.timing.drop_frame].extend(_events(shot, shot.timing.rate))
    for (rate, drop_frame), events in sorted(groups.items(), key=lambda one: (one[0][0].fraction, one[0][1])):
        if events:
            name = rate.label + ("df" if drop_frame else "")
            yield _List(name, f"{handover.production.name} {name}", events, rate, drop_frame)


def _outline_lists(handover: Handover, edit: PaperEdit) -> Iterator[_List]:
    """The outline's picture and its sound; nothing where an event has no place in a list."""
    outline = edit.layout.outline
    for what, events in (("picture", picture_events(edit)), ("sound", sound_events(edit))):
        if all(can_be_listed(outline.rate, event.count, outline.drop_frame) for event in events):
            title = f"{handover.production.name} {outline.name} {what}"
            stem = f"outline_{edit.stem}_{what}"
            yield _List(stem, title, events, outline.rate, outline.drop_frame)


def _events(shot: Shot, rate: Rate) -> Iterator[Event]:
    for part in shot.parts:
        if part.count is None or not can_be_listed(rate, part.count, shot.timing.drop_frame):
            continue
        yield Event(shot.clip.reel.name, part_start(shot, part) or 0, part.count, "V", _notes(shot, part))


def _notes(shot: Shot, part: Part) -> tuple[str, ...]:
    notes = [f"FROM CLIP NAME: {file_name(part.file)}"]
    if part.start is None:
        notes.append("NO TIMECODE IN THE FILE: COUNTED FROM ITS FIRST FRAME")
    return tuple(notes)


def _table(reels: dict[str, str]) -> bytes:
    """RFC 4180. A reel's name is letters, digits, "-" and "_", so no cell can be taken for a formula."""
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(("reel_in_list", "reel"))
    table.writerows((short, reel) for reel, short in reels.items())
    return out.getvalue().encode()
