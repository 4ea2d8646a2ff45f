"""Edit decision lists as CMX 3600 has them (SMPTE 258M): one rate and one way of counting a list.

- Reels have at most eight letters, digits or underscores; longer or equal ones get a name of their own.
- A list holds at most 999 events and less than a day; what is more goes into the next one.
- Text is plain printable ASCII: what else a name holds is shown as "?".

From memory of the format's common practice: columns, `FCM`, `* FROM CLIP NAME`, record start 01:00:00:00, and
`M2` with a speed of 000.0 for a frame that is held.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from shared.timecode import Rate, Timecode

MOST_EVENTS = 999
REEL_LETTERS = 8
RECORD_START = "01:00:00:00"
HIGHEST_RATE = 60  # the frames field has two digits
BLACK = "BL"  # a reel's name that stands for no picture and no sound (common practice, no source)
# Names that lists give a meaning of their own: no reel of ours may have one.
_RESERVED = frozenset((BLACK, "BLACK", "BARS", "AX"))


@dataclass(frozen=True, slots=True)
class Event:
    """One cut. `start`: the source's first frame as a count of its timecode; `count`: frames, at least 1.

    `reel` None: black, silence. `track`: "V", "A", "A2" …; `notes` become comments below it. `held`: the
    source's first frame stands for all of them.
    """

    reel: str | None
    start: int
    count: int
    track: str = "V"
    notes: tuple[str, ...] = ()
    held: bool = False


def name_reels(reels: Iterable[str]) -> dict[str, str]:
    """A unique short name for each reel: its own where it fits, else four letters and a number."""
    found: dict[str, str] = {}
    used: set[str] = set(_RESERVED)
    wanted = list(dict.fromkeys(reels))
    for reel in sorted(wanted, key=lambda one: not _fits(one)):
        short = re.sub(r"[^A-Z0-9]", "_", _ascii(reel).upper())
        if not _fits(reel) or short in used:
            number = 1
            while f"{short[:4]}{number:04d}" in used:
                number += 1
            short = f"{short[:4]}{number:04d}"
        used.add(short)
        found[reel] = short
    return {reel: found[reel] for reel in wanted}


def write_lists(
    title: str, events: Sequence[Event], rate: Rate, drop_frame: bool, reels: dict[str, str]
) -> list[str]:
    """The texts of as many lists as the events need; each begins anew at event 1 and 01:00:00:00.

    `reels`: short names, by `name_reels`.
    """
    texts: list[str] = []
    lines: list[str] = []
    first = _first_record_frame(rate, drop_frame)
    record, number = first, 0
    for event in events:
        day_full = record + event.count >= rate.frames_per_day(drop_frame)
        if number and (number == MOST_EVENTS or day_full):
            texts.append(_whole(title, drop_frame, lines))
            lines, record, number = [], first, 0
        number += 1
        lines += _event_lines(
            number, event, record, rate, drop_frame, BLACK if event.reel is None else reels[event.reel]
        )
        record += event.count
    return [*texts, _whole(title, drop_frame, lines)] if lines else texts


def can_be_listed(rate: Rate, count: int, drop_frame: bool) -> bool:
    """Whether a cut of this rate and length has a place in a list at all."""
    if rate.nominal > HIGHEST_RATE:
        return False
    return 1 <= count < rate.frames_per_day(drop_frame) - _first_record_frame(rate, drop_frame)


def _event_lines(
    number: int, event: Event, record: int, rate: Rate, drop_frame: bool, reel: str
) -> list[str]:
    def label(frame: int) -> str:
        return str(Timecode.wrapped(frame, rate, drop_frame))

    end = event.start + (1 if event.held else event.count)
    times = " ".join(map(label, (event.start, end, record, record + event.count)))
    # Readers know ':' alone in this line. What is held has no timecode: frame 0, the same in either counting.
    start = label(event.start).replace(";", ":")
    still = [f"M2   {reel:<{REEL_LETTERS}}       000.0                {start}"] if event.held else []
    return [
        f"{number:03d}  {reel:<{REEL_LETTERS}} {event.track:<5} C        {times}",
        *still,
        *(f"* {_ascii(note)}" for note in event.notes),
    ]


def _whole(title: str, drop_frame: bool, lines: Sequence[str]) -> str:
    counting = "DROP FRAME" if drop_frame else "NON-DROP FRAME"
    return "\r\n".join([f"TITLE: {_ascii(title)[:70]}", f"FCM: {counting}", "", *lines, ""])


def _first_record_frame(rate: Rate, drop_frame: bool) -> int:
    label = f"{RECORD_START[:8]};{RECORD_START[9:]}" if drop_frame else RECORD_START
    return Timecode.parse(label, rate, drop_frame).frames


def _fits(reel: str) -> bool:
    return re.fullmatch(r"[A-Za-z0-9_]{1,8}", reel) is not None


# What typography has and ASCII has not, as a typewriter would put it.
_TYPED = str.maketrans({"“": '"', "”": '"', "„": '"', "‘": "'", "’": "'", "–": "-", "—": "-", "…": "..."})


def _ascii(text: str) -> str:
    """One line of printable ASCII."""
    return re.sub(r"[^ -~]", "?", " ".join(text.translate(_TYPED).split()))
