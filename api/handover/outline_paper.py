"""The paper edit: an outline to read, as one self-contained page and as a table for a spreadsheet."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from api.handover.cells import Value, write_table
from api.handover.folder import Draft
from api.handover.paper_edit import PaperEdit
from api.handover.shots import Handover, Shot
from api.handover.text import full_name, one_line, plain_text, say_length
from api.handover.timing import Timing, sample_rate
from shared.models import ItemKind
from shared.outline.judge import STITCHED, Notice
from shared.outline.running import Known, Placed, Segment
from shared.outline.tell import label_of

COLUMNS = (
    *("item", "kind", "part", "starts_at", "length", "frames", "length_is", "speaker", "words", "clip"),
    *("tc_in", "tc_out", "first_frame", "end_frame", "rate", "checked_by", "note", "look_at"),
)  # fmt: skip
KINDS = {
    ItemKind.QUOTE: "quote",
    ItemKind.SCENE: "scene",
    ItemKind.NARRATION: "narration",
    ItemKind.MUSIC: "music",
    ItemKind.TITLE: "title",
}
STILL = "photograph"  # stands where other ranges have their rate
KNOWN = {Known.RECORDED: "recorded", Known.ESTIMATED: "estimated", Known.SET: "set"}
_STYLE = files("api.handover").joinpath("templates", "outline.css").read_text(encoding="utf-8")
_STYLE_HASH = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
# The one style sheet is allowed by its hash (CSP Level 3, 8.4).
_POLICY = f"default-src 'none'; style-src 'sha256-{_STYLE_HASH}'; base-uri 'none'; form-action 'none'"


@dataclass(frozen=True, slots=True)
class RangeRow:
    """A range of a clip, as it is read: `what` is "", "part 2 of 3" or "cover". Labels are empty where the
    clip has no timecode."""

    what: str
    starts_at: str
    length: str
    frames: int
    speaker: str
    words: str
    clip: str
    tc_in: str
    tc_out: str
    first: int
    end: int
    rate: str
    known: str


@dataclass(frozen=True, slots=True)
class ItemRow:
    placed: Placed
    kind: str
    starts_at: str
    length: str
    words: str
    known: str
    ranges: tuple[RangeRow, ...]
    notices: tuple[Notice, ...]


def write_paper_edit(draft: Draft, handover: Handover, edit: PaperEdit) -> None:
    """Write `outline_NAME.html` and `outline_NAME.csv`."""
    rows = [_item_row(edit, one) for one in edit.layout.placed]
    draft.write(f"outline_{edit.stem}.html", _page(handover, edit, rows).encode("utf-8", "backslashreplace"))
    with draft.create(f"outline_{edit.stem}.csv") as file:
        for piece in write_table(COLUMNS, [record for row in rows for record in _records(row)]):
            file.write(piece)


def _item_row(edit: PaperEdit, one: Placed) -> ItemRow:
    many = len(one.segments) > 1
    parts = [
        _range_row(edit, segment, f"part {place} of {len(one.segments)}" if many else "", part.words)
        for place, (segment, part) in enumerate(zip(one.segments, one.item.parts, strict=True), 1)
    ]
    cover = [_range_row(edit, segment, "cover", "") for segment in one.covers]
    return ItemRow(
        placed=one,
        kind=KINDS[one.item.kind],
        starts_at=label_of(edit.layout.outline, one.start),
        length=label_of(edit.layout.outline, one.frames),
        words=plain_text(one.item.words),
        known=KNOWN[one.known],
        ranges=(*parts, *cover),
        notices=tuple(edit.state.judgement.of(one.item.id)),
    )


def _range_row(edit: PaperEdit, segment: Segment, what: str, words: str) -> RangeRow:
    shot = edit.shots[segment.clip]
    tc_in, tc_out = _labels(shot, segment)
    hertz = sample_rate(shot.clip)
    return RangeRow(
        what=what,
        starts_at=label_of(edit.layout.outline, segment.start),
        length=label_of(edit.layout.outline, segment.frames),
        frames=segment.frames,
        speaker=one_line(segment.speaker),
        words=plain_text(words),
        clip=full_name(shot.clip),
        tc_in=tc_in,
        tc_out=tc_out,
        first=segment.first,
        end=segment.end,
        rate=STILL if segment.is_still else f"{hertz} Hz" if hertz is not None else shot.timing.rate_text,
        known=KNOWN[Known.SET if segment.is_still else Known.RECORDED],
    )


def _labels(shot: Shot, segment: Segment) -> tuple[str, str]:
    """The first frame and the one after the last by the clip's timecode; a sound's at the edit rate."""
    timing: Timing = shot.timing
    if timing.tc_in is None or timing.rate is None:
        return "", ""
    hertz = sample_rate(shot.clip)
    first, end = segment.first, segment.end
    if hertz is not None:
        first, end = (timing.rate.seconds_to_frames(one / hertz) for one in (first, end))
    return str(timing.tc_in + first), str(timing.tc_in + end)


def _records(row: ItemRow) -> Iterator[list[Value]]:
    one = row.placed
    item, look = one.item, tuple(notice.text for notice in row.notices)
    rest: list[Value] = [item.checked_by, item.note, look]
    if not any(part.what != "cover" for part in row.ranges):
        length: list[Value] = [row.starts_at, row.length, one.frames, row.known]
        yield [one.number, row.kind, "", *length, "", row.words, *[""] * 6, *rest]
    for number, part in enumerate(row.ranges):
        yield [
            one.number, row.kind, part.what, part.starts_at, part.length, part.frames, part.known,
            part.speaker, part.words or (row.words if part.what != "cover" else ""), part.clip, part.tc_in,
            part.tc_out, part.first, part.end, part.rate, *(rest if number == 0 else ["", "", ()]),
        ]  # fmt: skip


def _page(handover: Handover, edit: PaperEdit, rows: list[ItemRow]) -> str:
    layout = edit.layout
    target = layout.target
    known: Mapping[str, str] = {
        KNOWN[one]: say_length(layout.seconds(layout.known(one))) for one in Known if layout.known(one)
    }
    return (
        _templates()
        .get_template("outline.html")
        .render(
            production=one_line(handover.production.name),
            name=one_line(layout.outline.name),
            made=f"{handover.made_here:%Y-%m-%d %H:%M} ({handover.production.zone})",
            rate=layout.outline.rate.label + (" drop-frame" if layout.outline.drop_frame else ""),
            length=label_of(edit.layout.outline, layout.frames),
            seconds=say_length(layout.seconds(layout.frames)),
            known=known,
            target=None if target is None else say_length(layout.seconds(target)),
            rows=rows,
            notices=[one for one in edit.state.judgement.notices if one.item is None],
            stitched=STITCHED,
            still=STILL,
            style=Markup(_STYLE),
            policy=_POLICY,
        )
    )


@cache
def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("api.handover"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
