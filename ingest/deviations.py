"""Where a clip is not as the production's sheet says: rate, counting, size, curve, sound, zone. Pure."""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from ingest.media.facts import NOTE, WARNING, Noticed
from shared.timecode import Rate

CODES = frozenset(
    ("rate-deviates", "drop-frame-deviates", "size-deviates", "curve-deviates", "sound-rate-deviates")
) | {"zone-deviates"}

_NEAR = Fraction(1, 200)  # rates that are mistaken for each other: 23.976 and 24 are 1 in 1001 apart
_HOUR = 3600
_ZONE = re.compile(r"([+-])([0-9]{2}):?([0-9]{2})$")


@dataclass(frozen=True, slots=True)
class Sheet:
    """What every clip of a production should be. None: not laid down."""

    rate: Rate
    zone: zoneinfo.ZoneInfo
    drop_frame: bool = False
    width: int | None = None
    height: int | None = None
    transfer: str | None = None
    audio_rate: int | None = None


@dataclass(frozen=True, slots=True)
class Made:
    """What a clip is. None: its file does not say, and nothing is claimed. `rate` is of pictures only."""

    rate: Rate | None = None
    variable: bool = False
    drop_frame: bool | None = None  # None too where there is no timecode
    width: int | None = None
    height: int | None = None
    rotation: int = 0
    transfer: str | None = None
    audio_rate: int | None = None
    shot_at: dt.datetime | None = None
    stamp: str | None = None  # with the zone that it states


def find_deviations(made: Made, sheet: Sheet) -> list[Noticed]:
    """Each way in which the clip is not as the sheet says, in a filmmaker's words and with the number."""
    checks: tuple[Callable[[Made, Sheet], Iterator[Noticed]], ...] = (
        _rate,
        _counting,
        _size,
        _curve,
        _sound,
        _zone,
    )
    return [noticed for check in checks for noticed in check(made, sheet)]


def _rate(made: Made, sheet: Sheet) -> Iterator[Noticed]:
    rate = made.rate
    if rate is None or rate == sheet.rate:
        return
    shot, wanted = _label(rate), sheet.rate.label
    ratio = rate.fraction / sheet.rate.fraction
    whole = round(ratio)
    apart = abs(ratio / whole - 1) if whole else Fraction(1)
    severity = WARNING
    if made.variable:
        said = f"shot at a variable rate, {shot} on average: make a copy at a constant {wanted} to cut with"
    elif whole == 1 and apart <= _NEAR:
        said = f"shot at {shot}, the production is {wanted}: {_seconds(apart)} s an hour apart"
    elif whole > 1 and apart <= _NEAR:
        severity = NOTE
        said = (
            f"shot at {shot}, {_times(whole)} the production's {wanted}: every {_nth(whole)} frame is used, "
        )
        said += f"or slow motion at 1/{whole} of the speed" + (
            f", {_seconds(apart)} s an hour apart" if apart else ""
        )
    else:
        said = (
            f"shot at {shot}, the production is {wanted}: movement judders unless it is converted with care"
        )
    rule = f"Every clip is shot at {wanted}."
    yield Noticed("rate-deviates", severity, _sentence(said), _number(rate.fraction), "frames/s", rule)


def _counting(made: Made, sheet: Sheet) -> Iterator[Noticed]:
    if made.rate != sheet.rate or made.drop_frame in (None, sheet.drop_frame) or not sheet.rate.can_drop:
        return
    mine, theirs = ("drop-frame", "non-drop-frame")[:: 1 if made.drop_frame else -1]
    said = f"timecode counts {mine}, the production {theirs}: the labels part by 3.6 s an hour"
    rule = f"Every clip counts {theirs}."
    yield Noticed("drop-frame-deviates", WARNING, _sentence(said), 3.6, "s/h", rule)


def _size(made: Made, sheet: Sheet) -> Iterator[Noticed]:
    if not (made.width and made.height and sheet.width and sheet.height):
        return
    upright = made.rotation % 180 == 90
    width, height = (made.height, made.width) if upright else (made.width, made.height)
    if (width, height) == (sheet.width, sheet.height):
        return
    mine, theirs = f"{width} × {height}", f"{sheet.width} × {sheet.height}"
    enlarged = max(Fraction(sheet.width, width), Fraction(sheet.height, height))
    severity, how = NOTE, "it has to spare for reframing"
    if (width < height) != (sheet.width < sheet.height):
        severity, how = (
            WARNING,
            f"held {'upright' if width < height else 'sideways'}, it fills only part of the frame",
        )
    elif enlarged > 1:
        severity, how = WARNING, f"it must be enlarged {float(enlarged):.2f} times"
    elif width * sheet.height != height * sheet.width:
        how = "another shape of frame: it is cropped or gets bars"
    said = f"shot at {mine}, the production is {theirs}: {how}"
    rule = f"Every clip is {theirs}."
    yield Noticed("size-deviates", severity, _sentence(said), round(float(enlarged), 3), "times", rule)


def _curve(made: Made, sheet: Sheet) -> Iterator[Noticed]:
    if made.transfer is None or sheet.transfer is None or _key(made.transfer) == _key(sheet.transfer):
        return
    said = f"colour curve is {made.transfer}, the production's is {sheet.transfer}: "
    said += "it won't match without a conversion"
    yield Noticed(
        "curve-deviates", WARNING, _sentence(said), rule=f"Every clip is shot with {sheet.transfer}."
    )


def _sound(made: Made, sheet: Sheet) -> Iterator[Noticed]:
    if made.audio_rate is None or sheet.audio_rate is None or made.audio_rate == sheet.audio_rate:
        return
    mine, theirs = f"{made.audio_rate / 1000:g} kHz", f"{sheet.audio_rate / 1000:g} kHz"
    said = f"sound is {mine}, the production's is {theirs}: it must be converted, or it runs off the picture"
    yield Noticed(
        "sound-rate-deviates",
        WARNING,
        _sentence(said),
        made.audio_rate,
        "Hz",
        f"All sound is recorded at {theirs}.",
    )


def _zone(made: Made, sheet: Sheet) -> Iterator[Noticed]:
    match = _ZONE.search(made.stamp or "")
    if made.shot_at is None or match is None:
        return
    stated = dt.timedelta(hours=int(match[2]), minutes=int(match[3])) * (-1 if match[1] == "-" else 1)
    wanted = made.shot_at.astimezone(sheet.zone).utcoffset() or dt.timedelta(0)
    if stated in (wanted, dt.timedelta(0)):
        return  # an offset of zero is how many write UTC, wherever they are
    apart = (stated - wanted) // dt.timedelta(minutes=1)
    said = (
        f"clock was set {_hours(apart)} {'ahead of' if apart > 0 else 'behind'} {sheet.zone.key}; the file "
    )
    said += "says so itself, so its time is right here, but what the camera showed was not"
    rule = f"Clocks show the time in {sheet.zone.key}."
    yield Noticed("zone-deviates", NOTE, _sentence(said), apart, "min", rule)


def _label(rate: Rate) -> str:
    return rate.label if "/" not in rate.label else f"{float(rate.fraction):.3f}"


def _number(value: Fraction) -> float:
    return round(float(value), 3)


def _seconds(apart: Fraction) -> str:
    return f"{float(apart * _HOUR):.1f}"


def _times(count: int) -> str:
    return "twice" if count == 2 else f"{count} times"


def _nth(count: int) -> str:
    return {2: "second", 3: "third"}.get(count, f"{count}th")


def _hours(minutes: int) -> str:
    hours, rest = divmod(abs(minutes), 60)
    return " ".join(part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest else "") if part)


def _key(curve: str) -> str:
    """ "BT.709" and "bt709" are one curve."""
    return re.sub(r"[^a-z0-9]", "", curve.casefold())


def _sentence(said: str) -> str:
    return said[:1].upper() + said[1:] + "."
