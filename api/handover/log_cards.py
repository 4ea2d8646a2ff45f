"""The shot log for reading: each clip as a card with stills, for the page and for paper."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from PIL import Image

from api.handover.cells import BETWEEN, Value
from api.handover.columns import COLUMNS, Line, label
from api.handover.contact_sheets import say_date
from api.handover.markers import flags_of
from api.handover.places import Place
from api.handover.release_columns import is_uncleared
from api.handover.sheet_cell import choose_stills, open_still
from api.handover.shots import Handover, Shot
from api.handover.text import file_name, one_line, plain_text, say_length, short_name
from api.handover.timing import sample_rate
from shared.catalogue.clip_rows import range_text
from shared.models import ClipMedia, Severity

PAGE_NAME, PAPER_NAME = "shot_log.html", "shot_log.pdf"
STILLS = 3
MANY = 500  # clips, from which on the page shows one still of each: a browser has to hold them all
# What a card says below its words, in the shot log's order; the rest is in the table.
_FACTS = (
    *("scene", "who", "place", "support", "int_ext", "time_of_day", "direction", "language", "sensitive"),
    *("tags", "shot_at", "lens", "focal", "size", "curve", "lut", "capture_rate", "audio"),
    *("sound_on_channels", "in_sync_with", "release_status", "rights", "wanted_shot", "copies"),
)
_STILL_WIDTH = 360
_QUALITY = 72


@dataclass(frozen=True, slots=True)
class Picture:
    """A still as JPEG, and its size in pixels."""

    jpeg: bytes
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Card:
    """One clip in words. `look`: something of it wants a look. `marks`: its moments and findings.

    `no_picture` says why there is none; `name` is the clip's, `file` the first file's as on the card.
    """

    id: int
    reel: str
    name: str
    file: str
    rating: str
    look: bool
    times: str
    what: str
    subject: str
    note: str
    facts: tuple[tuple[str, str], ...]
    marks: tuple[str, ...]
    no_picture: str


@dataclass(frozen=True, slots=True)
class CardDay:
    title: str
    goal: str
    cards: tuple[tuple[Card, Shot], ...]


def days_of(handover: Handover, places: Mapping[int, Place]) -> Iterator[CardDay]:
    """Days by number, clips in time order; clips of no day come last."""
    days = {day.id: day for day in handover.days}

    def number(shot: Shot) -> tuple[bool, int]:
        day = days.get(shot.clip.day_id or 0)
        return day is None, day.number if day is not None else 0

    for _, group in groupby(sorted(handover.shots, key=number), key=number):
        shots = list(group)
        day = days.get(shots[0].clip.day_id or 0)
        title = "Clips of no shooting day" if day is None else f"Day {day.number}, {say_date(day.date)}"
        cards = tuple((make_card(Line(handover, shot, places)), shot) for shot in shots)
        yield CardDay(title, one_line(day.goal) if day is not None else "", cards)


def make_card(line: Line) -> Card:
    shot, clip, entry = line.shot, line.shot.clip, line.shot.entry
    what = [label(line, field) for field in ("kind", "size", "angle", "movement")]
    rating = " · ".join(said for field in ("rating", "reason") if (said := label(line, field)))
    faults = any(one.severity is not Severity.NOTE for one in shot.findings)
    return Card(
        id=clip.id,
        reel=one_line(clip.reel.name),
        name=short_name(clip),
        file=file_name(shot.parts[0].file) if shot.parts else "",
        rating=one_line(rating),
        look=faults or is_uncleared(line.handover, shot),
        times=_times(shot),
        what=one_line(" · ".join(part for part in what if part)),
        subject=one_line(entry.subject) if entry is not None else "Not logged",
        note=plain_text(entry.note) if entry is not None else "",
        facts=tuple(_facts(line)),
        marks=tuple(_marks(shot)),
        no_picture=_why_none(shot),
    )


def _times(shot: Shot) -> str:
    timing, hertz = shot.timing, sample_rate(shot.clip)
    said = [f"{timing.tc_in} – {timing.tc_out}" if timing.tc_in and timing.tc_out else "no timecode"]
    if timing.frames is not None:
        said.append(f"{timing.frames} frames")
    said.append(say_length(timing.seconds) if timing.seconds is not None else "length unknown")
    if hertz is not None:
        said.append(f"sound at {float(hertz / 1000):g} kHz")
    elif timing.rate is not None:
        said.append(timing.rate_text)
    if len(shot.parts) > 1:
        said.append(f"{len(shot.parts)} files")
    return " · ".join(said)


def _facts(line: Line) -> Iterator[tuple[str, str]]:
    columns = {column.key: column for column in COLUMNS}
    for key in _FACTS:
        said = _say(columns[key].of(line))
        if said:
            yield columns[key].title, said


def _say(value: Value) -> str:
    if value is None:
        return ""
    return one_line(BETWEEN.join(value) if isinstance(value, tuple) else str(value))


def _marks(shot: Shot) -> Iterator[str]:
    for flag in flags_of(shot):
        said = f"{flag.name}: {flag.note}" if flag.note else flag.name
        yield one_line(f"{range_text(shot.clip, flag.first, flag.end)}  {said}")


def _why_none(shot: Shot) -> str:
    if shot.clip.media is ClipMedia.UNKNOWN:
        return "unreadable file"
    return "sound only" if shot.clip.media is ClipMedia.AUDIO else "no still"


def pictures_of(shot: Shot, stills: Path, most: int) -> Iterator[Picture]:
    """The clip's stills, drawn anew: what lies in the folder is not handed on as it is."""
    for still in choose_stills(shot.clip.stills, most):
        picture = open_still(stills, still)
        if picture is not None:
            picture.thumbnail((_STILL_WIDTH, _STILL_WIDTH), Image.Resampling.BICUBIC)
            out = io.BytesIO()
            picture.save(out, "JPEG", quality=_QUALITY)
            yield Picture(out.getvalue(), picture.width, picture.height)
