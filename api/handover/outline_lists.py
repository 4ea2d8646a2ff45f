"""An outline as edit decision lists: one for the picture, with the cover cut in, and one for the sound.

A list has one rate, the production's, and one picture track. A cut of another rate is labelled by its own
label: hours, minutes and seconds as the clip has them, and of its frames those that fit (frame 30 of 50 is
frame 15 of 25); its exact frames stand in a comment. A label that drop-frame leaves out becomes the next one.
What has no clip is black, reel `BL` (common practice, no source). A photograph is its one frame, held.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from api.handover.cmx import Event
from api.handover.paper_edit import PaperEdit, Piece, pieces_of
from api.handover.text import file_name
from api.handover.timeline import part_start
from api.handover.timing import sample_rate
from shared.outline.compare import say_item
from shared.outline.running import Placed, Segment, picture_cuts
from shared.timecode import Rate, Timecode, frames_to_text, text_to_frames


def picture_events(edit: PaperEdit) -> list[Event]:
    """What is seen, from cut to cut."""
    return [
        event
        for cut in picture_cuts(edit.layout)
        for event in _events(edit, cut.item, cut.segment, cut.start, cut.frames, "V")
    ]


def sound_events(edit: PaperEdit) -> list[Event]:
    """What is heard: the sound of every range in order, whatever lies over its picture."""
    found: list[Event] = []
    for one in edit.layout.placed:
        if not one.segments:
            found += _events(edit, one, None, one.start, one.frames, "A")
        for segment in one.segments:
            heard = None if segment.is_still else segment
            found += _events(edit, one, heard, segment.start, segment.frames, "A")
    return found


def _events(
    edit: PaperEdit, one: Placed, segment: Segment | None, start: int, frames: int, track: str
) -> Iterator[Event]:
    """The events that fill a stretch whole: files where they are known, black elsewhere."""
    at = start
    pieces = pieces_of(segment, edit.shots[segment.clip]) if segment is not None else []
    outline = edit.layout.outline
    for piece in pieces:
        if piece.start > at:
            yield _black(one, piece.start - at, track)
        begin = list_start(piece, outline.rate, outline.drop_frame)
        notes = tuple(_notes(piece, outline.rate, one))
        yield Event(piece.shot.clip.reel.name, begin, piece.frames, track, notes, held=piece.is_still)
        at = piece.start + piece.frames
    if at < start + frames:
        yield _black(one, start + frames - at, track)


def _black(one: Placed, frames: int, track: str) -> Event:
    return Event(None, 0, frames, track, (f"{one.number}: {say_item(one.item)}",))


def _notes(piece: Piece, rate: Rate, one: Placed) -> Iterable[str]:
    yield f"FROM CLIP NAME: {file_name(piece.part.file)}"
    if piece.is_still:
        yield f"A PHOTOGRAPH: ONE PICTURE WITHOUT TIMECODE, HELD FOR {piece.frames} FRAMES"
    elif piece.part.start is None:
        yield "NO TIMECODE IN THE FILE: COUNTED FROM ITS FIRST FRAME"
    begin = (part_start(piece.shot, piece.part) or 0) + piece.first
    own = piece.shot.timing.rate
    hertz = sample_rate(piece.shot.clip)
    if hertz is not None:
        yield f"SAMPLES {begin} TO {begin + piece.count} AT {hertz} HZ, OUT EXCLUSIVE"
    elif own is not None and own != rate:
        yield f"FRAMES {begin} TO {begin + piece.count} AT {own} A SECOND, OUT EXCLUSIVE"
    yield f"{one.number}: {say_item(one.item)}"


def list_start(piece: Piece, rate: Rate, drop_frame: bool) -> int:
    """The first frame of a piece as a count of the list's own timecode, by the rule above."""
    if piece.is_still:
        return 0
    begin = (part_start(piece.shot, piece.part) or 0) + piece.first
    hertz = sample_rate(piece.shot.clip)
    day = rate.frames_per_day(drop_frame)
    if hertz is not None:
        return rate.seconds_to_frames(begin / hertz) % day
    own, own_drop = piece.shot.timing.rate, piece.shot.timing.drop_frame
    if own is None or (own == rate and own_drop == drop_frame):
        return begin % day
    label = str(Timecode.wrapped(begin, own, own_drop))
    frame = int(label[9:]) * rate.nominal // own.nominal
    return _count_of(label[:8], frame, rate, drop_frame)


def _count_of(clock: str, frame: int, rate: Rate, drop_frame: bool) -> int:
    """The count of a label, or of the next one that exists."""
    if drop_frame and clock[6:8] == "00" and clock[4] != "0":
        frame = max(frame, 4 if rate.nominal > 30 else 2)
    width = len(frames_to_text(0, rate.nominal)) - 9
    return text_to_frames(f"{clock}{';' if drop_frame else ':'}{frame:0{width}}", rate.nominal, drop_frame)
