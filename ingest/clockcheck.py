"""What stamps, timecode, file times and file numbers say of each other: clocks set wrong or changed.

Pure: plain rows in, findings out. Each claim needs a witness beside the stamp itself and gives the number.
The hours at which others shot are no witness, as a drone at dawn is no fault. A finding about a whole reel
stands on its first clip.
"""

from __future__ import annotations

import datetime as dt
import itertools
import re
import statistics
import zoneinfo
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from ingest.media.facts import NOTE, WARNING, Noticed
from shared.clock_words import tell_span
from shared.when import QUARTER, SLACK, off_quarter

CODES = frozenset(
    ("clock-zone", "clock-seconds", "clock-file-time", "clock-reset", "clock-outside-days", "clock-dst")
) | {"stamp-is-end"}

_DAY = 86_400
_FURTHEST = 15 * 3600  # seconds that zones are apart at most, and an hour
_RUNNING = 300  # seconds between the takes that show that timecode runs on while nothing is recorded
_AGREE = Fraction(6, 10)  # share of a reel's takes that must tell the same
_FAR_DAYS, _NEAR_DAYS = 30, 3
_NUMBER = re.compile(r"(.*?)([0-9]+)(\D*)")
_CHAPTERED = 6  # digits: two of a chapter before four of the take (common practice, no source)


@dataclass(frozen=True, slots=True)
class Take:
    """A clip as its clock is judged. Times are those of its first file; None is not known.

    `shown` is what the stamp says by the camera's rule, `digits` its face as written, `correction` what
    was added; `timecode` seconds since midnight, as the label reads; `length` seconds it really took;
    `file_time` the file's own time in seconds since 1970.
    """

    clip_id: int
    camera: str
    reel: str
    path: str
    shown: dt.datetime | None
    correction: dt.timedelta = dt.timedelta(0)
    digits: dt.datetime | None = None
    read_as: str = ""
    file_time: Fraction | None = None
    length: Fraction | None = None
    timecode: Fraction | None = None
    date: dt.date | None = None
    day_by_hand: bool = False

    @property
    def at(self) -> dt.datetime | None:
        return None if self.shown is None else self.shown + self.correction

    @property
    def stamped(self) -> bool:
        """Whether a stamp of its own says when, not the file's time."""
        return self.shown is not None and self.read_as in ("stated", "local", "utc")


@dataclass(frozen=True, slots=True)
class Shoot:
    """The production's zone, and the dates that were planned: days with a goal."""

    zone: zoneinfo.ZoneInfo
    planned: frozenset[dt.date] = frozenset()


Found = Iterator[tuple[int, Noticed]]


def check_clocks(takes: Sequence[Take], shoot: Shoot) -> list[tuple[int, Noticed]]:
    """Everything that the takes of a production show of its clocks, with the clip each stands on."""
    found: list[tuple[int, Noticed]] = []
    for check in (_timecode, _file_times, _resets, _outside, _summer_time):
        found += check(takes, shoot)
    return found


def _by(takes: Sequence[Take], key: Callable[[Take], str]) -> list[list[Take]]:
    groups: dict[str, list[Take]] = defaultdict(list)
    for take in takes:
        groups[key(take)].append(take)
    return list(groups.values())


def name_device(take: Take) -> str:
    return f"camera {take.camera}" if take.camera else f"reel {take.reel}"


def _begin(text: str) -> str:
    return text[:1].upper() + text[1:]


def _first_of_reels(takes: Sequence[Take]) -> Iterator[Take]:
    """The take of each reel that its findings stand on: the first by name, so that a rerun finds the same."""
    for reel in _by(takes, lambda take: take.reel):
        yield min(reel, key=lambda take: (take.path, take.clip_id))


# -- timecode that runs as a clock --------------------------------------------------------------------


def _timecode(takes: Sequence[Take], shoot: Shoot) -> Found:
    for group in _by([one for one in takes if one.stamped and one.timecode is not None], name_device):
        times = [take.shown.timestamp() for take in group if take.shown is not None]
        if len(group) < 2 or max(times) - min(times) < _RUNNING:
            continue
        yield from _compare_timecode(group, shoot)


def _compare_timecode(group: Sequence[Take], shoot: Shoot) -> Found:
    faces: list[tuple[dt.tzinfo, str, bool]] = [
        (zone, name, corrected)
        for corrected in (True, False)
        for zone, name in ((shoot.zone, f"the time in {shoot.zone.key}"), (dt.UTC, "UTC"))
    ]
    apart = [_steady([_ahead(take, zone, corrected) for take in group]) for zone, _, corrected in faces]
    known = [
        (seconds, name) for seconds, (_, name, _) in zip(apart, faces, strict=True) if seconds is not None
    ]
    if not known:
        yield from _stamps_at_end(group, shoot)
        return
    seconds, name = min(known, key=lambda pair: abs(pair[0]))
    if abs(seconds) <= SLACK:
        return
    if abs(seconds) > QUARTER / 2:  # of no face: told from the wall clock, which people go by
        seconds, name = known[0]
    quarters = round(seconds / QUARTER)
    span = tell_span(dt.timedelta(seconds=quarters * QUARTER if is_quarter(seconds) else round(seconds)))
    said = f"The timecode of {name_device(group[0])} runs as a clock, {span} from {name} of its stamps, in "
    said += f"{len(group)} clips. "
    for take in _first_of_reels(group):
        if is_quarter(seconds):
            text = (
                f"{said}One of the two is in another zone: rushlight camera {take.camera or 'X'} --clock …, "
            )
            text += "or correct it with rushlight clock."
            rule = "A running timecode and the stamps show one time; a multiple of 15 min is a zone."
            yield take.clip_id, Noticed("clock-zone", WARNING, text, quarters * 15, "min", rule)
        else:
            rule = f"A running timecode and the stamps show one time, to {SLACK} s."
            text = f"{said}One of the two clocks was set by eye or has drifted."
            yield take.clip_id, Noticed("clock-seconds", NOTE, text, round(float(seconds), 1), "s", rule)


def is_quarter(seconds: Fraction) -> bool:
    return abs(seconds) > QUARTER / 2 and off_quarter(seconds) <= SLACK


def _ahead(take: Take, zone: dt.tzinfo, corrected: bool) -> Fraction:
    """Seconds by which the timecode is ahead of the stamp's time of day in that zone, within 12 hours."""
    at = take.at if corrected else take.shown
    assert at is not None and take.timecode is not None, "stamped takes with timecode only"
    face = at.astimezone(zone)
    of_day = Fraction(face.hour * 3600 + face.minute * 60 + face.second) + Fraction(face.microsecond, 10**6)
    return (take.timecode - of_day + _DAY // 2) % _DAY - _DAY // 2


def _steady(values: Sequence[Fraction]) -> Fraction | None:
    """Their middle, if nearly all of them are the same; None: this is no running clock."""
    middle = statistics.median_low(values)
    same = [value for value in values if abs(value - middle) <= SLACK]
    return middle if len(same) >= 2 and 10 * len(same) >= 9 * len(values) else None


def _stamps_at_end(group: Sequence[Take], shoot: Shoot) -> Found:
    lengths = [take.length for take in group if take.length is not None]
    if len(lengths) < len(group) or max(lengths) - min(lengths) <= 2 * SLACK:
        return
    from_start = [
        _ahead(take, shoot.zone, False) + length for take, length in zip(group, lengths, strict=True)
    ]
    steady = _steady(from_start)
    if steady is None or off_quarter(steady) > SLACK:
        return
    for take in _first_of_reels(group):
        said = (
            f"{_begin(name_device(take))} stamps its takes when they end: its timecode begins earlier by "
            f"just the length of each take, up to {float(max(lengths)):.0f} s, in {len(group)} clips."
        )
        yield (
            take.clip_id,
            Noticed("stamp-is-end", NOTE, said, float(max(lengths)), "s", "A stamp is the start of a take."),
        )


# -- the file's own time ------------------------------------------------------------------------------


def _file_times(takes: Sequence[Take], shoot: Shoot) -> Found:
    """Reels whose stamps are a whole zone away from the times of their files."""
    usable = [
        take for take in takes if take.stamped and take.file_time is not None and take.length is not None
    ]
    for reel in _by(usable, lambda take: take.reel):
        told = [quarters for take in reel if (quarters := _quarters_apart(take)) is not None]
        for quarters in sorted(set(told)):
            count = told.count(quarters)
            if count < _AGREE * len(reel) or (count == 1 and quarters % 4):
                continue
            first = next(_first_of_reels(reel))
            yield first.clip_id, _tell_file_time(first, quarters, count, shoot)


def _quarters_apart(take: Take) -> int | None:
    """How many quarters of an hour the file's time is after the stamp's. None: not a whole number, or 0."""
    assert take.shown is not None and take.file_time is not None and take.length is not None, "usable only"
    after = take.file_time - _epoch(take.shown)
    corrected = Fraction(take.correction // dt.timedelta(milliseconds=1), 1000)
    for rest in (after - take.length, after):
        if abs(rest) <= SLACK or (corrected and abs(rest - corrected) <= SLACK):
            return None  # they agree
    for rest in (after - take.length, after):
        if off_quarter(rest) <= SLACK and abs(rest) <= _FURTHEST:
            return round(rest / QUARTER)
    return None


def _epoch(at: dt.datetime) -> Fraction:
    since = at - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    return Fraction(since // dt.timedelta(microseconds=1), 10**6)


def _tell_file_time(take: Take, quarters: int, count: int, shoot: Shoot) -> Noticed:
    assert take.shown is not None, "usable only"
    apart = dt.timedelta(seconds=quarters * QUARTER)
    offset = take.shown.astimezone(shoot.zone).utcoffset() or dt.timedelta(0)
    other = (
        {("utc", -offset): "local", ("local", offset): "utc"}.get((take.read_as, apart)) if offset else None
    )
    command = f"rushlight camera {take.camera or 'X'} --clock {other}"
    remedy = (
        f"They agree if its stamps are read as {other}: {command}."
        if other
        else "The stamps or the times of the files are in another zone; a card's FAT times have none."
    )
    said = (
        f"The files of reel {take.reel} are dated {tell_span(apart)} from what their stamps say, in {count} "
        f"clip{'s' if count != 1 else ''}. {remedy}"
    )
    rule = f"A file's time is the start or the end of its take, to {SLACK} s; a multiple of 15 min is a zone."
    return Noticed("clock-file-time", WARNING, said, quarters * 15, "min", rule)


# -- the order of file numbers ------------------------------------------------------------------------


def _resets(takes: Sequence[Take], shoot: Shoot) -> Found:
    for before, after in _numbered_pairs([take for take in takes if take.at is not None]):
        assert before.at is not None and after.at is not None, "only takes with a time"
        back = before.at - after.at
        if back <= dt.timedelta(seconds=SLACK) or _is_second_hour(before, after, shoot.zone):
            continue
        said = (
            f"{after.path} comes after {before.path} by its number, but {tell_span(-back)} by its clock: the "
            f"clock of {name_device(after)} was changed between them, or one was dated by another rule."
        )
        rule = "File numbers and times of one card run in the same order."
        yield (
            after.clip_id,
            Noticed("clock-reset", WARNING, said, round(back.total_seconds(), 1), "s", rule),
        )


def _numbered_pairs(takes: Sequence[Take]) -> Iterator[tuple[Take, Take]]:
    """Takes of one card that follow each other by number: names alike but for the last digits."""
    rows: dict[tuple[str, ...], list[tuple[int, int, Take]]] = defaultdict(list)
    for take in takes:
        folder, _, name = take.path.rpartition("/")
        stem, _, suffix = name.rpartition(".")
        match = _NUMBER.fullmatch(stem)
        if match is None:
            continue
        digits = match[2]
        chapter, number = (digits[:2], digits[2:]) if len(digits) == _CHAPTERED else ("", digits)
        place = (take.reel, folder, match[1], match[3], suffix.lower(), str(len(digits)), take.read_as)
        rows[place].append((int(number), int(chapter or 0), take))
    for row in rows.values():
        row.sort(key=lambda one: (one[0], one[1], one[2].path, one[2].clip_id))
        for (number, chapter, before), (next_number, next_chapter, after) in itertools.pairwise(row):
            # A name of a time, "101500", is no chapter and number: both readings must be in order.
            if (chapter, number) < (next_chapter, next_number):
                yield before, after


# -- the calendar -------------------------------------------------------------------------------------


def _outside(takes: Sequence[Take], shoot: Shoot) -> Found:
    """Takes dated off the planned days, or, where nothing was planned, a month from what others shot."""
    dates: dict[str, set[dt.date]] = defaultdict(set)
    for take in takes:
        if take.date is not None:
            dates[name_device(take)].add(take.date)
    by_others = {
        camera: {date for other, found in dates.items() if other != camera for date in found}
        for camera in dates
    }
    for take in takes:
        if take.date is None or take.day_by_hand or take.at is None:
            continue
        others = by_others[name_device(take)]
        known = shoot.planned or others
        if not known or take.date in known | others:
            continue
        near = min(known, key=lambda date: abs(date - take.date))
        days = (take.date - near).days
        if not shoot.planned and abs(days) <= _FAR_DAYS:
            continue
        said = (
            f"{take.path} is dated {take.date}, {abs(days)} day{'s' if abs(days) != 1 else ''} "
            f"{'after' if days > 0 else 'before'} {near}, the nearest day "
            f"{'that was planned' if shoot.planned else 'on which another camera shot'}."
        )
        severity = NOTE if abs(days) <= _NEAR_DAYS else WARNING
        rule = "Clips are shot on the days of the shoot."
        yield take.clip_id, Noticed("clock-outside-days", severity, said, days, "days", rule)


def _summer_time(takes: Sequence[Take], shoot: Shoot) -> Found:
    """Cameras that keep the wall clock through a change of summer time, and hours that were none or two."""
    for camera in _by(
        [take for take in takes if take.read_as == "local" and take.shown is not None], name_device
    ):
        order = sorted(camera, key=lambda take: (take.shown, take.path))
        for before, after in itertools.pairwise(order):
            step = _offset(after, shoot.zone) - _offset(before, shoot.zone)
            if before.correction != after.correction or _days_between(before, after) > _FAR_DAYS:
                continue  # somebody has looked after it, or one of the two is no date of this shoot
            if step and after.digits is not None and _hour_of(after.digits, shoot.zone) == "":
                yield after.clip_id, _tell_change(before, after, step, shoot)
        for take in order:
            kind = "" if take.digits is None else _hour_of(take.digits, shoot.zone)
            if kind:
                yield take.clip_id, _tell_hour(take, kind, shoot)


def _days_between(before: Take, after: Take) -> int:
    assert before.shown is not None and after.shown is not None, "only takes with a time"
    return (after.shown - before.shown).days


def _offset(take: Take, zone: zoneinfo.ZoneInfo) -> dt.timedelta:
    assert take.shown is not None, "only takes with a time"
    return take.shown.astimezone(zone).utcoffset() or dt.timedelta(0)


def _tell_change(before: Take, after: Take, step: dt.timedelta, shoot: Shoot) -> Noticed:
    said = (
        f"Clocks in {shoot.zone.key} changed by {tell_span(step)} between {before.path} and {after.path}. "
        f"{_begin(name_device(after))} is read as if somebody had set it then; if not, its clips from here "
        f"on are off by {tell_span(step)}: film a clock, and give rushlight clock what it shows."
    )
    minutes = step // dt.timedelta(minutes=1)
    return Noticed("clock-dst", NOTE, said, minutes, "min", "A wall clock is set at a change of summer time.")


def _hour_of(digits: dt.datetime, zone: zoneinfo.ZoneInfo) -> str:
    """Whether a spring night left this face out ("none") or an autumn night had it twice ("two"): PEP 495."""
    first, second = (digits.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1))
    if first is None or second is None or first == second:
        return ""
    return "two" if first > second else "none"


def _tell_hour(take: Take, kind: str, shoot: Shoot) -> Noticed:
    assert take.digits is not None, "only takes with a face"
    face = f"{take.digits:%H:%M:%S} on {take.digits:%Y-%m-%d}"
    if kind == "two":
        said = (
            f"{take.path} shows {face}, which {shoot.zone.key} had twice that night; it is read as the first."
        )
        return Noticed(
            "clock-dst", NOTE, said, rule="An hour that comes twice can't be told by a wall clock."
        )
    said = (
        f"{take.path} shows {face}, which {shoot.zone.key} never had: {name_device(take)} was not yet set to "
        "summer time. This clip is read by winter time; later ones need rushlight clock."
    )
    return Noticed("clock-dst", WARNING, said, rule="An hour that was left out is on no clock that was set.")


def _is_second_hour(before: Take, after: Take, zone: zoneinfo.ZoneInfo) -> bool:
    """Whether going back is the autumn hour that comes twice, and no change of the clock."""
    if after.digits is None or before.digits is None or after.read_as != "local":
        return False
    return _hour_of(after.digits, zone) == "two" and before.digits - after.digits <= dt.timedelta(hours=1)
