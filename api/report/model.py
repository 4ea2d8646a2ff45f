"""What an offload report says: a frozen view of one offload's row and of the result kept with it.

The kept result is JSON, perhaps of an older version or of a run that was killed: what is not there is said
to be unknown, and never guessed. Every text here is fit to be shown (no control code, one line).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from api.report import words
from api.report.words import clean
from shared.catalogue.kept_reports import unpacked
from shared.catalogue.reels import TURNED_AWAY
from shared.models import Card, Offload, OffloadState, Production, Reel

UNKNOWN = "not recorded"


@dataclass(frozen=True, slots=True)
class DestinationLine:
    """One destination; `number` is what the list of files calls it. Counts are of files."""

    number: int
    name: str
    folder: str
    verified: int
    kept: int
    differs: int
    missing: int
    read_back: str
    stopped: str | None

    @property
    def sound(self) -> bool:
        return not (self.stopped or self.differs or self.missing)

    @property
    def state(self) -> str:
        """In words, below the folder."""
        if self.stopped:
            return f"Stopped: {self.stopped}"
        return "Complete: every file is verified here" if self.sound else "Not complete"


@dataclass(frozen=True, slots=True)
class FileLine:
    """One file. `copies`: its state at each destination, in words; `sound`: verified at all of them."""

    path: str
    size: int | None
    digest: str | None
    copies: str
    sound: bool
    problem: str | None


@dataclass(frozen=True, slots=True)
class ProblemLine:
    kind: str
    path: str
    message: str
    remedy: str


@dataclass(frozen=True, slots=True)
class LeftOutLine:
    """Something on the card that was not copied. `junk`: computers leave such files on any card."""

    path: str
    reason: str
    junk: bool


@dataclass(frozen=True, slots=True)
class VerdictView:
    """The answer at that moment. `answer`: "yes", "no" or "no answer"."""

    answer: str
    line: str
    reasons: tuple[str, ...]
    ask_again: str


@dataclass(frozen=True, slots=True)
class OffloadSheet:
    """All that a report shows. `facts` are name and value, in order."""

    id: int
    reel: str
    production: str
    zone: str
    stem: str  # of the report's file names
    state: str
    done: bool
    verdict: VerdictView
    facts: tuple[tuple[str, str], ...]
    destinations: tuple[DestinationLine, ...]
    problems: tuple[ProblemLine, ...]
    warnings: tuple[str, ...]
    left_out: tuple[LeftOutLine, ...]
    files: tuple[FileLine, ...]

    @property
    def title(self) -> str:
        return f"Offload of reel {self.reel}"

    @property
    def no_problem(self) -> bool:
        return not self.problems and all(one.junk for one in self.left_out)


def read_sheet(offload: Offload) -> OffloadSheet:
    """The sheet of an offload; its session must be open, as reel, card and camera are read through it."""
    reel, report = offload.reel, unpacked(offload.report or {})
    production = reel.production
    zone = words.zone_of(production.zone)
    ended = _time(report.get("ended_at")) or offload.ended_at
    started = _time(report.get("started_at")) or offload.started_at
    destinations = _destinations(report)
    numbers = {one.name: one.number for one in destinations}
    files = tuple(_file(one, numbers) for one in _rows(report, "files"))
    left_out = tuple(_left_out(one) for one in _rows(report, "left_out"))
    told = {(one.path, one.reason) for one in left_out}  # in a list of their own, once is enough
    rows = _rows(report, "problems")
    rows = [one for one in rows if one.get("kind") != "card" or _told(one) not in told]
    return OffloadSheet(
        id=offload.id,
        reel=clean(reel.name),
        production=clean(production.name),
        zone=clean(production.zone),
        stem=_stem(reel, (ended or started).astimezone(zone)),
        state=_say_state(offload, report),
        done=offload.state is OffloadState.DONE,
        verdict=_verdict(offload, report, production, ended, zone),
        facts=tuple(_facts(offload, report, started, ended, zone, files)),
        destinations=destinations,
        problems=tuple(_problem(one) for one in rows),
        warnings=tuple(clean(_text(one)) for one in _list(report, "warnings")),
        left_out=left_out,
        files=files,
    )


def _stem(reel: Reel, at: dt.datetime) -> str:
    name = "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "_" for c in reel.name)
    return f"{name or 'reel'}_offload_{at:%Y-%m-%d_%H%M%S}"


def _say_state(offload: Offload, report: Mapping[str, Any]) -> str:
    if TURNED_AWAY in report:
        reason = clean(_text(report[TURNED_AWAY]))
        return f"Turned away: {reason}. This offload did nothing; the other one has a report of its own."
    if offload.state is OffloadState.FAILED and not report:
        return (
            "Failed. This offload was ended by an error or killed before it could account for its files. "
            "Run the same offload again: what is proven is kept, the rest is done anew."
        )
    return words.STATE_WORDS[offload.state]


def _verdict(
    offload: Offload,
    report: Mapping[str, Any],
    production: Production,
    ended: dt.datetime | None,
    zone: dt.tzinfo,
) -> VerdictView:
    command = words.ask_again(clean(offload.source), production.slug)
    given = report.get("verdict")
    if not isinstance(given, dict) or ended is None:
        return VerdictView(
            "no answer", "This offload reached no answer. Keep the card as it is.", (), command
        )
    when = f"When this offload ended, on {words.say_time(ended, zone)}"
    if given.get("may_be_formatted") is True:
        line = f"{when}: yes. Every file on the card had verified copies on two different drives."
        return VerdictView("yes", line, (), command)
    reasons = tuple(clean(_text(one)) for one in _list(given, "reasons"))
    return VerdictView("no", f"{when}: no.", reasons, command)


def _facts(
    offload: Offload,
    report: Mapping[str, Any],
    started: dt.datetime,
    ended: dt.datetime | None,
    zone: dt.tzinfo,
    files: tuple[FileLine, ...],
) -> list[tuple[str, str]]:
    reel = offload.reel
    seconds, read = _seconds(report), _whole(report.get("bytes_read"))
    on_card, written = _whole(report.get("bytes_on_card")), _whole(report.get("bytes_written"))
    algorithm = _text(report.get("algorithm")) or reel.algorithm
    facts = [
        ("Production", clean(reel.production.name)),
        ("Reel", clean(reel.name)),
        ("Card", _say_card(reel.card)),
        ("Mounted at", clean(offload.source)),
        ("Camera", _say_camera(reel)),
        ("Shooting day", f"{reel.day.number}, {reel.day.date.isoformat()}" if reel.day else "none"),
        ("Files", words.say_number(len(files)) if "files" in report else UNKNOWN),
        ("On the card", words.say_size(on_card) if on_card is not None else UNKNOWN),
        ("Read from the card", words.say_size(read) if read is not None else UNKNOWN),
        ("Written to all destinations", words.say_size(written) if written is not None else UNKNOWN),
        ("Hash", clean(words.ALGORITHM_WORDS.get(algorithm, algorithm))),
        ("Started", words.say_time(started, zone)),
        ("Ended", words.say_time(ended, zone) if ended is not None else "not yet"),
        ("Took", words.say_seconds(seconds) if seconds is not None else UNKNOWN),
        ("Speed", _say_speed(read, seconds)),
    ]
    return [(name, value or UNKNOWN) for name, value in facts]


def _say_speed(read: int | None, seconds: Fraction | None) -> str:
    if read is None or not seconds:
        return UNKNOWN
    if read == 0:
        return "nothing was read from the card"
    return f"{words.say_speed(read, seconds)} read from the card, the proof of every copy included"


def _say_card(card: Card | None) -> str:
    if card is None:
        return UNKNOWN
    label = f"labelled {clean(card.label)}" if card.label else "no label"
    parts = [label, *(clean(one) for one in (card.volume_name, card.filesystem) if one)]
    if card.capacity_bytes:
        parts.append(f"holds {words.say_size(card.capacity_bytes)}")
    return ", ".join(parts)


def _say_camera(reel: Reel) -> str:
    if reel.camera is None:
        return UNKNOWN
    return ", ".join(clean(one) for one in (reel.camera.letter, reel.camera.name) if one)


def _destinations(report: Mapping[str, Any]) -> tuple[DestinationLine, ...]:
    return tuple(
        DestinationLine(
            number=number,
            name=clean(_text(one.get("destination"))),
            folder=clean(_text(one.get("folder"))),
            verified=_whole(one.get("verified")) or 0,
            kept=_whole(one.get("kept")) or 0,
            differs=_whole(one.get("differs")) or 0,
            missing=_whole(one.get("missing")) or 0,
            read_back=words.READ_BACK_WORDS.get(_text(one.get("read_back")), UNKNOWN),
            stopped=clean(_text(one["stopped"])) if one.get("stopped") else None,
        )
        for number, one in enumerate(_rows(report, "destinations"), 1)
    )


def _file(one: Mapping[str, Any], numbers: Mapping[str, int]) -> FileLine:
    at: dict[str, list[str]] = {}
    copies = _rows(one, "copies")
    for copy in copies:
        place = clean(_text(copy.get("destination")))
        at.setdefault(_text(copy.get("state")), []).append(str(numbers.get(place, place)))
    said = [f"{clean(words.COPY_WORDS.get(state, state))} at {words.say_list(n)}" for state, n in at.items()]
    hash_ = one.get("hash")
    digest = _text(hash_.get("value")) if isinstance(hash_, dict) else ""
    return FileLine(
        path=clean(_text(one.get("path"))),
        size=_whole(one.get("size")),
        digest=clean(digest) or None,
        copies="; ".join(said) or "no copy",
        sound=bool(copies) and set(at) == {"verified"} and not one.get("problem"),
        problem=clean(_text(one["problem"])) if one.get("problem") else None,
    )


def _problem(one: Mapping[str, Any]) -> ProblemLine:
    kind = _text(one.get("kind"))
    return ProblemLine(
        words.KIND_WORDS.get(kind, clean(kind)),
        clean(_text(one.get("path"))),
        clean(_text(one.get("message"))),
        clean(_text(one.get("remedy"))),
    )


def _told(problem: Mapping[str, Any]) -> tuple[str, str]:
    return clean(_text(problem.get("path"))), clean(_text(problem.get("message")))


def _left_out(one: Mapping[str, Any]) -> LeftOutLine:
    return LeftOutLine(
        clean(_text(one.get("path"))), clean(_text(one.get("reason"))), one.get("junk") is True
    )


# -- the kept JSON, read without trust in its shape ---------------------------------------------------


def _text(value: Any) -> str:
    return value if isinstance(value, str) else "" if value is None else str(value)


def _whole(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _seconds(report: Mapping[str, Any]) -> Fraction | None:
    value = report.get("seconds")
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < float("inf"):
        return None
    return Fraction(str(value))


def _time(value: Any) -> dt.datetime | None:
    try:
        found = dt.datetime.fromisoformat(value)
    except (TypeError, ValueError):
        return None
    return found if found.tzinfo is not None else None


def _list(report: Mapping[str, Any], name: str) -> list[Any]:
    value = report.get(name)
    return value if isinstance(value, list) else []


def _rows(report: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    return [one for one in _list(report, name) if isinstance(one, dict)]
